"""What is known about a shot before it is run: resolved input, figures from closed formulas, limits and warnings."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import pi
from typing import Any

from pydantic import Field

from physics.estimates import rough_coil_inductance, rough_quarter_period, skin_depth, stray_inductance, tails_of
from physics.facts import Facts
from physics.materials import resolve
from physics.result import Advisory, ChecklistItem, Estimate, FaultShot, Hazards, Rating, Verdict
from physics.safety import safety_of
from physics.schema import Checked
from physics.shot import Shot, check_shot

_SOURCE = "the input alone; nothing was run"


class PlannedFigures(Checked):
    """Figures that need no run. Those called rough come from closed formulas and only serve to plan with."""

    stored_energy_j: float = Field(description="Energy on the bank when the switch closes.")
    stray_inductance_henry: float = Field(description="Bank, switch, leads and the winding's tails.")
    stray_resistance_ohm: float = Field(description="The same, damping resistor included, before the shot.")
    rough_coil_inductance_henry: float = Field(
        description="Coil round its part, as two current sheets; right within some tens of per cent."
    )
    rough_time_to_peak_s: float = Field(description="Quarter period with that inductance, without losses.")
    coil_skin_depth_m: float = Field(description="At that quarter period and the temperature before the shot.")
    workpiece_skin_depth_m: float = Field(description="Likewise, of the part's best conducting metal.")


class ShotCheck(Checked):
    """A shot as it would be run, and what can be said about it already."""

    verdict: Verdict = Field(description="Whether what is known without a run forbids the shot.")
    shot: Shot = Field(description="The input with every default filled in.")
    figures: PlannedFigures
    ratings: list[Rating] = Field(description="Those of the stated limits that need no run.")
    warnings: list[Advisory] = Field(description="What to look at before the shot is run; empty when nothing is.")
    bench_load: list[Estimate] = Field(description="What needs no run of what it takes out of the stated equipment.")
    hazards: Hazards
    faults: list[FaultShot]
    checklist: list[ChecklistItem] = Field(description="Go or no-go, as far as it is known without a run.")


def inspect_shot(shot: Shot | Mapping[str, Any]) -> ShotCheck:
    """Look at a shot without running it. Raises pydantic.ValidationError for bad input, nothing else."""
    checked = check_shot(shot)
    figures, safety = _figures(checked), safety_of(Facts(checked, None), None, [])
    return ShotCheck(
        verdict=safety.verdict,
        shot=checked,
        figures=figures,
        ratings=safety.ratings,
        warnings=list(_warnings(checked, figures, safety.ratings)),
        bench_load=safety.bench_load,
        hazards=safety.hazards,
        faults=safety.faults,
        checklist=safety.checklist,
    )


def _figures(shot: Shot) -> PlannedFigures:
    quarter = rough_quarter_period(shot)
    omega = 0.5 * pi / quarter
    tail_inductance, tail_resistance = tails_of(shot, omega)
    part_k = shot.workpiece.initial_temperature_k
    return PlannedFigures(
        stored_energy_j=shot.stored_energy_j,
        stray_inductance_henry=stray_inductance(shot) + tail_inductance,
        stray_resistance_ohm=shot.bank.total_resistance_ohm
        + shot.switch.resistance_ohm
        + shot.leads.resistance_ohm
        + tail_resistance,
        rough_coil_inductance_henry=rough_coil_inductance(shot),
        rough_time_to_peak_s=quarter,
        coil_skin_depth_m=skin_depth(resolve(shot.coil.material), shot.coil.initial_temperature_k, omega),
        workpiece_skin_depth_m=min(skin_depth(resolve(metal), part_k, omega) for metal in shot.metals[1:]),
    )


def _warnings(shot: Shot, figures: PlannedFigures, ratings: list[Rating]) -> Iterator[Advisory]:
    for rating in ratings:
        if rating.exceeded:
            yield _advisory("limit_exceeded", f"limits.{rating.statement}")
    if figures.stray_inductance_henry == 0.0:
        yield _advisory(
            "no_stray_inductance", "no bench is without stray inductance; the current will come out too high"
        )
    yield from _insulation_warnings(shot)
    yield from _solver_warnings(shot, figures)
    for index, material in enumerate(shot.metals):
        warning, part = resolve(material).warning, "coil" if index == 0 else "workpiece"
        if warning is not None:
            name = material if isinstance(material, str) else "your own metal"
            yield Advisory(name="metal", statement=f"{part}, {name}: {warning}", source="material library")


def _insulation_warnings(shot: Shot) -> Iterator[Advisory]:
    """What is not stated is not rated, and a result that rates nothing reads like one that found no fault."""
    stated, several = shot.insulation, shot.coil.turns_count > 1
    unrated = []
    if several and stated.enamel_pair_breakdown_v is None:
        unrated.append("between turns (enamel_pair_breakdown_v)")
    if stated.former_strength_v_per_m is None or stated.former_wall_m == 0.0:
        unrated.append("between coil and part (former_wall_m with former_strength_v_per_m)")
    if unrated:
        yield _advisory("insulation_not_stated", f"the insulation {' and '.join(unrated)} will not be rated")


def _solver_warnings(shot: Shot, figures: PlannedFigures) -> Iterator[Advisory]:
    stop = shot.solver.stop_time_s
    if stop is not None and stop < figures.rough_time_to_peak_s:
        peak = figures.rough_time_to_peak_s
        yield _advisory("stops_before_peak", f"stop_time_s {stop:g} s is before the peak at about {peak:.2g} s")
    if not shot.solver.motion:
        yield _advisory("held_still", "solver.motion is off: neither part nor coil moves, and the coil does not burst")


def _advisory(name: str, statement: str) -> Advisory:
    return Advisory(name=name, statement=statement, source=_SOURCE)
