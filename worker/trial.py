"""One trial: the least charge voltage that brings the part to its target with a given coil, gap and capacitance.

The part shrinks more the higher the voltage, so the voltage is the root of (shrink - wanted shrink); how it is closed
in on is in :mod:`worker.bracket`. A trial that cannot get there says why in terms of the bench.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable
from dataclasses import dataclass

from physics import ShotFigures
from physics.result import Rating, Summary
from physics.shot import Fidelity, Shot
from worker.bracket import POWER, Bracket, Sample
from worker.ratings import REASONS, overshoot
from worker.records import Candidate, Objectives, Parameters, Reason
from worker.request import DesignRequest
from worker.words import energy, length, voltage

log = logging.getLogger(__name__)

Simulate = Callable[[Shot], ShotFigures]

#: The solved diameter keeps this share of the target's tolerance, so that the rest is left for the bench.
TOLERANCE_SHARE = 0.25
SHOTS_LIMIT = 16
#: First guess without any earlier trial, in parts of the highest voltage.
FIRST_RATIO = 0.7
#: A run that diverged is tried once more a little aside, this share of the way to the strongest shot known too weak.
ASIDE_RATIO = 0.1
#: More voltage than the limit allows, tried once to see whether it would help at all.
BEYOND_RATIO = 1.2
HIGHEST_MODEL_VOLTAGE_V = 1e5
#: Extra shrink, in parts of the wanted one, from which on more voltage is said to help.
HELP_RATIO = 0.02
#: A slope taken from earlier trials is believed between these: relative rise of the shrink over that of the voltage.
SLOPES = (1.0, 10.0)
#: Two shots further apart than this (relative) tell no slope at the target.
SLOPE_RANGE_RATIO = 0.3
#: Keeps rounding from lifting sqrt(2 E / C) over the energy limit.
ROUNDING = 1.0 - 1e-12

#: Statuses that say the shot was too strong for the part. Failed insulation is none: the part has its size.
TOO_STRONG: dict[str, Reason] = {
    "over_crushed": "over_crushed",
    "bore_closed": "bore_closed",
    "rim_extruded": "rim_extruded",
    "material_limit": "material_limit",
    "not_converged": "not_converged",
}


def shot_for(request: DesignRequest, parameters: Parameters, charge_voltage_v: float, fidelity: Fidelity) -> Shot:
    """The whole shot of a trial, with the design's limits in it."""
    bench, sheet = request.bench, request.search.layer_sheet
    layered = parameters.layers_count > 1
    close_m = parameters.wire_diameter_m + 2.0 * parameters.enamel_thickness_m
    return Shot.model_validate(
        {
            "bank": {
                "capacitance_farad": parameters.capacitance_farad,
                "charge_voltage_v": charge_voltage_v,
                "inductance_henry": bench.bank.inductance_henry,
                "resistance_ohm": bench.bank.resistance_ohm,
                "capacitors_count": parameters.capacitors_count,
                "capacitor_inductance_henry": parameters.capacitor_inductance_henry,
                "capacitor_resistance_ohm": parameters.capacitor_resistance_ohm,
            },
            "switch": bench.switch,
            "leads": bench.leads,
            "crowbar": bench.crowbar,
            "calibration": bench.calibration,
            "surroundings": bench.surroundings,
            "coil": {
                "turns_count": parameters.turns_count,
                "layers_count": parameters.layers_count,
                "layer_pitch_m": close_m + (sheet.thickness_m if sheet else 0.0) if layered else None,
                "wire_diameter_m": parameters.wire_diameter_m,
                "pitch_m": parameters.pitch_m,
                "material": request.search.coil_material,
            },
            "gap_m": parameters.gap_m,
            "insulation": {
                "enamel_thickness_m": parameters.enamel_thickness_m,
                "enamel_pair_breakdown_v": parameters.enamel_pair_breakdown_v,
                "former_wall_m": parameters.former_wall_m,
                "former_strength_v_per_m": parameters.former_strength_v_per_m,
                "layer_sheet_m": sheet.thickness_m if sheet else 0.0,
                "layer_sheet_strength_v_per_m": sheet.strength_v_per_m if sheet else None,
            },
            "workpiece": request.workpiece,
            "limits": request.limits.model_dump(),
            "equipment": bench.equipment,
            "solver": {"fidelity": fidelity},
        }
    )


def shot_of(request: DesignRequest, candidate: Candidate) -> Shot | None:
    """The shot that a candidate's figures belong to, to be run again; None when no shot was run for it."""
    if candidate.charge_voltage_v is None:
        return None
    return shot_for(request, candidate.parameters, candidate.charge_voltage_v, candidate.fidelity)


def highest_voltage(request: DesignRequest, capacitance_farad: float) -> float:
    """Highest charge voltage in V inside both the voltage and the energy limit."""
    return min(request.limits.charge_voltage_v, _voltage_at_energy_limit(request, capacitance_farad))


def _voltage_at_energy_limit(request: DesignRequest, capacitance_farad: float) -> float:
    return math.sqrt(2.0 * request.limits.stored_energy_j / capacitance_farad) * ROUNDING


def run_trial(
    request: DesignRequest,
    number: int,
    parameters: Parameters,
    fidelity: Fidelity,
    simulate: Simulate,
    guess_v: float | None = None,
    slope_ratio: float | None = None,
    shots_limit: int = SHOTS_LIMIT,
) -> Candidate:
    """Solve one trial and judge it. An error of the model is a reason like any other, not the end of the search.

    `guess_v` is where to shoot first and `slope_ratio` how steeply the shrink rises there (both relative), as trials
    alike suggest; they save shots and change the answer within the tolerance only.
    """
    solver = _VoltageSolver(request, parameters, fidelity, simulate, slope_ratio)
    try:
        verdict = solver.solve(guess_v, shots_limit)
    except Exception as problem:
        log.exception("model error in trial %d at %s", number, parameters)
        words = f"the model failed at this coil ({type(problem).__name__}); it is not a statement about the shot"
        verdict = _Verdict(None, "model_fault", words, 1.0)
    return _candidate(number, parameters, fidelity, verdict, solver)


@dataclass(frozen=True)
class _Shot:
    """One shot of a trial. `shrink_m` is None when it was too strong for the part to have a final size."""

    voltage_v: float
    shrink_m: float | None
    result: ShotFigures


@dataclass(frozen=True)
class _Verdict:
    """How a trial ended: the shot to be kept, and why it is not feasible."""

    shot: _Shot | None
    reason: Reason | None = None
    explanation: str | None = None
    violation_ratio: float = 0.0


class _VoltageSolver:
    """The search for one trial's voltage."""

    def __init__(
        self,
        request: DesignRequest,
        parameters: Parameters,
        fidelity: Fidelity,
        simulate: Simulate,
        slope_ratio: float | None,
    ) -> None:
        self.request = request
        self.parameters = parameters
        self.fidelity = fidelity
        self.simulate = simulate
        self.highest = highest_voltage(request, parameters.capacitance_farad)
        self.wanted = request.workpiece.outer_diameter_m - request.target_diameter_m
        self.close_enough = TOLERANCE_SHARE * request.target.tolerance_m
        self.shots: list[_Shot] = []
        self.slope = None if slope_ratio is None else min(max(slope_ratio, SLOPES[0]), SLOPES[1])

    def solve(self, guess_v: float | None, shots_limit: int) -> _Verdict:
        """Shoot until a shot hits, the highest voltage proves too weak, or no voltage is left in between."""
        bracket = Bracket(self.wanted, self.highest, POWER if self.slope is None else 1.0 / self.slope)
        voltage_v = min(guess_v or FIRST_RATIO * self.highest, self.highest)
        while len(self.shots) < shots_limit and not bracket.is_narrow:
            shot = self._shoot(voltage_v)
            if shot.result.status == "not_converged":
                shot = self._shoot(voltage_v + ASIDE_RATIO * (bracket.low.voltage_v - voltage_v))
            if shot.shrink_m is not None and abs(shot.shrink_m - self.wanted) <= self.close_enough:
                return self._judged(shot)
            bracket.add(Sample(shot.voltage_v, shot.shrink_m))
            if bracket.is_out_of_reach:
                return self._out_of_reach(shot)
            voltage_v = bracket.next_voltage()
        return self._no_solution()

    def _shoot(self, voltage_v: float) -> _Shot:
        result = self.simulate(shot_for(self.request, self.parameters, voltage_v, self.fidelity))
        shrink = None
        if result.summary is not None and result.status not in TOO_STRONG:
            shrink = self.request.workpiece.outer_diameter_m - result.summary.final_outer_diameter_m
        self.shots.append(_Shot(voltage_v, shrink, result))
        return self.shots[-1]

    # ---- verdicts --------------------------------------------------------------------------------------------------

    def _judged(self, shot: _Shot) -> _Verdict:
        """A hit: inside every limit, or not."""
        exceeded = [rating for rating in shot.result.ratings if rating.exceeded]
        failed = [c.margin_ratio for c in shot.result.insulation if c.margin_ratio is not None and c.margin_ratio < 0.0]
        reason, words = _worst(exceeded)
        over = -sum(rating.margin_ratio for rating in exceeded)
        if failed and reason is None:
            reason, over = "insulation_failed", -min(failed)
            words = f"the voltage is {over:.1%} more than the stated insulation bears"
        if reason is None:
            return _Verdict(shot)
        return _Verdict(shot, reason, f"reaches the target at {voltage(shot.voltage_v)}, but {words}", over)

    def slope_at(self, voltage_v: float) -> float | None:
        """Relative rise of the shrink over that of the voltage, from the shot there and the nearest other one."""
        here = next((shot for shot in self.shots if shot.voltage_v == voltage_v), None)
        others = [s for s in self.shots if s.shrink_m and s.voltage_v != voltage_v]
        if here is None or not here.shrink_m or not others:
            return self.slope
        other = min(others, key=lambda shot: abs(shot.voltage_v - voltage_v))
        run = math.log(here.voltage_v / other.voltage_v)
        if abs(run) > SLOPE_RANGE_RATIO or not other.shrink_m:
            return self.slope
        return min(max(math.log(here.shrink_m / other.shrink_m) / run, SLOPES[0]), SLOPES[1])

    def _out_of_reach(self, top: _Shot) -> _Verdict:
        """The highest voltage allowed does not shrink the part enough."""
        best = max((shot for shot in self.shots if shot.shrink_m is not None), key=_shrink)
        missing = 1.0 - _shrink(best) / self.wanted
        words = f"at {voltage(best.voltage_v)} the part stops at {length(_summary(best).final_outer_diameter_m)}"
        if self._more_is_no_help(top, best):
            words += "; the coil bursts before it has pushed enough, and more voltage does not help"
            return _Verdict(best, "coil_bursts_first", words, missing)
        limits = self.request.limits
        if self.highest < limits.charge_voltage_v:
            words += f", the most that the energy limit of {energy(limits.stored_energy_j)} allows here"
            return _Verdict(best, "energy_limit", words, missing)
        words += f", the most that the voltage limit of {voltage(limits.charge_voltage_v)} allows"
        return _Verdict(best, "voltage_limit", words, missing)

    def _more_is_no_help(self, top: _Shot, best: _Shot) -> bool:
        """For a coil that bursts: whether it would do no better beyond the limit."""
        if _summary(top).burst_time_s is None:
            return False
        if best is not top:
            return True
        beyond = self._shoot(min(top.voltage_v * BEYOND_RATIO, HIGHEST_MODEL_VOLTAGE_V))
        return beyond.shrink_m is None or beyond.shrink_m - _shrink(top) < HELP_RATIO * self.wanted

    def _no_solution(self) -> _Verdict:
        """The part has no size at the voltage it would need, or its size jumps over the target."""
        weak = [shot for shot in self.shots if shot.shrink_m is not None and shot.shrink_m < self.wanted]
        strong = min((shot for shot in self.shots if shot not in weak), key=lambda shot: shot.voltage_v, default=None)
        best = max(weak, key=_shrink, default=strong)
        missing = 1.0 - max(map(_shrink, weak), default=0.0) / self.wanted
        if strong is None:
            words = f"still too weak after {len(self.shots)} shots"
            return _Verdict(best, "not_converged", words, missing)
        if strong.shrink_m is None:
            words = f"too weak below {voltage(strong.voltage_v)}, and from there on: {strong.result.advice}"
            return _Verdict(best, TOO_STRONG[strong.result.status], words, missing)
        words = f"the final diameter jumps over the target at {voltage(strong.voltage_v)}"
        return _Verdict(best, "not_converged", words, max(missing, self.close_enough / self.wanted))


def _worst(exceeded: list[Rating]) -> tuple[Reason | None, str]:
    """Reason and words of the limit that is exceeded most; the others are told as well."""
    if not exceeded:
        return None, ""
    ordered = sorted(exceeded, key=lambda rating: rating.margin_ratio)
    return REASONS[ordered[0].name], ", and ".join(map(overshoot, ordered))


def _shrink(shot: _Shot) -> float:
    return shot.shrink_m or 0.0


def _summary(shot: _Shot) -> Summary:
    assert shot.result.summary is not None
    return shot.result.summary


def _candidate(
    number: int,
    parameters: Parameters,
    fidelity: Fidelity,
    verdict: _Verdict,
    solver: _VoltageSolver,
) -> Candidate:
    shot = verdict.shot
    summary = None if shot is None else shot.result.summary
    return Candidate(
        number=number,
        parameters=parameters,
        charge_voltage_v=None if shot is None else shot.voltage_v,
        objectives=None if shot is None else objectives_of(shot.result),
        feasible=verdict.reason is None,
        reason=verdict.reason,
        explanation=verdict.explanation,
        violation_ratio=verdict.violation_ratio,
        final_outer_diameter_m=None if summary is None else summary.final_outer_diameter_m,
        peak_current_a=None if summary is None else summary.peak_current_a,
        shrink_slope_ratio=None if shot is None else solver.slope_at(shot.voltage_v),
        fidelity=fidelity,
        shots_count=len(solver.shots),
    )


def objectives_of(result: ShotFigures) -> Objectives:
    """What is weighed, from a shot that was run."""
    bank = result.shot.bank
    return Objectives(
        stored_energy_j=0.5 * bank.capacitance_farad * bank.charge_voltage_v**2,
        charge_voltage_v=bank.charge_voltage_v,
        margin_ratio=min(rating.margin_ratio for rating in result.ratings),
    )
