"""From a checked shot to a result: set up the model, run it, and put the outcome into words and units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from math import ceil, pi, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from physics import state as c
from physics.bundle import COARSE, FINE, USUAL, Cut
from physics.circuit import Discharge, make_step_work, make_unknowns
from physics.constants import (
    AMBIENT_K,
    ARC_FALL_V,
    ARC_GRADIENT_V_PER_M,
    ARC_RELIGHTING_V,
    FRACTURE_ENERGY_J_PER_M2,
    ROMPE_WEIZEL_M2_PER_V2_S,
    TAYLOR_QUINNEY,
)
from physics.coupled import run
from physics.deformation import make_body
from physics.estimates import rough_quarter_period, skin_depth, tails_of
from physics.figures import whole_series
from physics.geometry import make_loads, make_points
from physics.materials import Material, Metal, resolve
from physics.mesh import Slice, mesh_coil, mesh_part
from physics.outcome import ShotFigures, figures_of, put_together
from physics.plasticity import Strength, softening
from physics.result import Series, ShotResult
from physics.run import Run
from physics.shot import Calibration, Fidelity, Shot, check_shot
from physics.thermal import ThermalTable, enthalpy_at, thermal_table
from physics.turns import find_contacts, make_turns

Floats = NDArray[np.float64]

#: More rows than any run uses; a run that fills them is stopped and says so.
_MOST_ROWS = 12_000
#: Bounds of the meshes of tall parts.
_MOST_ROWS_OF_CELLS, _MOST_SLICES = 16, 20
#: A search fires the same coil again with another voltage: so many meshes and tables are kept. No run changes them.
_KEPT = 64
_mesh_coil, _mesh_part = lru_cache(maxsize=_KEPT)(mesh_coil), lru_cache(maxsize=_KEPT)(mesh_part)


@dataclass(frozen=True)
class Resolution:
    """Mesh and step of one fidelity."""

    cut: Cut  # of a turn's section, and of any cell into loops
    columns: int
    growth: float  # of the width of columns from the rim inwards
    row_skins: float  # height of a row of cells over the skin or the gap, whichever is less, ...
    most_rows: int  # ... in a slice, as far as so many rows do
    motion_cells: int
    slice_ratio: float  # height of a slice of a tall part, over what still moves as one
    steps_to_peak: int
    steps_when_still: int  # in a quarter period, once nothing moves any more; more where little is lost
    current_change: float  # largest in a step while things move, over the peak
    spark_growth: float  # largest of a spark's action in a step
    courant: float  # step of the mechanics over the largest stable one
    window: float


FIDELITIES: dict[Fidelity, Resolution] = {
    "screen": Resolution(
        COARSE,
        columns=6,
        growth=1.7,
        row_skins=1.2,
        most_rows=2,
        motion_cells=8,
        slice_ratio=1.0,
        steps_to_peak=12,
        steps_when_still=5,
        current_change=0.1,
        spark_growth=0.6,
        courant=0.8,
        window=0.15,
    ),
    "design": Resolution(
        USUAL,
        columns=10,
        growth=1.42,
        row_skins=0.8,
        most_rows=3,
        motion_cells=12,
        slice_ratio=0.5,
        steps_to_peak=24,
        steps_when_still=6,
        current_change=0.08,
        spark_growth=0.45,
        courant=0.8,
        window=0.15,
    ),
    "reference": Resolution(
        FINE,
        columns=16,
        growth=1.25,
        row_skins=0.5,
        most_rows=4,
        motion_cells=24,
        slice_ratio=0.25,
        steps_to_peak=48,
        steps_when_still=8,
        current_change=0.06,
        spark_growth=0.3,
        courant=0.5,
        window=0.12,
    ),
}


def simulate_shot(shot: Shot | Mapping[str, Any]) -> ShotResult:
    """Compute one shot with the coupled model of circuit, eddy currents, motion and heat.

    `shot` is the JSON's mapping or a checked :class:`physics.shot.Shot`. Every run ends in a status;
    a run that diverged is `not_converged` and carries no numbers. Raises pydantic.ValidationError
    for bad input, nothing else.
    """
    checked = check_shot(shot)
    return put_together(run_shot(checked))


def shot_figures(shot: Shot) -> ShotFigures:
    """What a search asks of a checked shot, in less time than its whole result takes."""
    return figures_of(run_shot(shot))


def simulate_whole(shot: Shot) -> tuple[ShotResult, Series | None]:
    """A checked shot's result, and its series with the row of every step; None when the run did not converge."""
    run = run_shot(shot)
    result = put_together(run)
    return result, whole_series(run.rows) if result.series is not None else None


def simulate_with_current(shot: Shot) -> tuple[ShotResult, Floats, Floats]:
    """A checked shot's result, and the coil current of every step: times (s) and current (A), both of shape (steps,).

    The series of a result are thinned; whoever compares them with a measurement needs them whole. Both are empty when
    the run did not converge.
    """
    run = run_shot(shot)
    result = put_together(run)
    rows = run.rows if result.series is not None else run.rows[:0]
    return result, rows[:, c.TIME].copy(), rows[:, c.CURRENT].copy()


#: Stands in for the strength of a metal in a run without motion, where nothing asks for it.
_RIGID = Strength(
    density=1.0,
    bulk_modulus=1.0,
    shear_modulus=1.0,
    youngs_modulus=1.0,
    a=1.0,
    b=0.0,
    n=1.0,
    c=0.0,
    m=1.0,
    reference_rate=1.0,
    reference_temperature=AMBIENT_K,
    melting_temperature=1e9,
)


def _strength(metal: Metal) -> Strength:
    """Constants of a metal that moves; a stand-in where they are not known."""
    flow = metal.flow_stress
    if flow is None or metal.youngs_modulus_pa is None or metal.poisson_ratio is None:
        return _RIGID._replace(density=metal.density_kg_per_m3 or 1.0)
    young, poisson = metal.youngs_modulus_pa, metal.poisson_ratio
    return Strength(
        density=metal.density_kg_per_m3 or 0.0,
        bulk_modulus=young / (3.0 * (1.0 - 2.0 * poisson)),
        shear_modulus=young / (2.0 * (1.0 + poisson)),
        youngs_modulus=young,
        a=flow.a_pa,
        b=flow.b_pa,
        n=flow.n_ratio,
        c=flow.c_ratio,
        m=flow.m_ratio,
        reference_rate=flow.reference_rate_per_s,
        reference_temperature=flow.reference_temperature_k,
        melting_temperature=metal.softening_temperature_k or 1e9,
    )


@lru_cache(maxsize=256)
def _thermal(material: str | Material, *, heating: bool) -> ThermalTable:
    return thermal_table(resolve(material), heating=heating)


@lru_cache(maxsize=256)
def _softness(material: str | Material, *, heating: bool) -> Floats:
    """Thermal factor of the flow stress at the enthalpies of the thermal table."""
    table, strength = _thermal(material, heating=heating), _strength(resolve(material))
    factors = [softening(strength, temperature) for temperature in table.temperature_k]
    return np.array(factors) * (1.0 - table.molten_ratio)


@lru_cache(maxsize=_KEPT)
def _tables(materials: tuple[str | Material, ...], calibration: Calibration, *, heating: bool) -> c.Tables:
    """Tables and strengths of the metals of a run, one row each; those of the part as it has shown itself to be."""
    of_part = np.arange(len(materials)) > 0
    stronger = np.where(of_part, calibration.flow_stress_ratio, 1.0)
    strengths = [_strength(resolve(material)) for material in materials]
    tables = [_thermal(material, heating=heating) for material in materials]
    return c.Tables(
        start=np.array([table.start_j_per_kg for table in tables]),
        spacing=np.array([table.spacing_j_per_kg for table in tables]),
        limit=np.array([table.limit_j_per_kg if heating else np.inf for table in tables]),
        temperature=np.array([table.temperature_k for table in tables]),
        resistivity=np.array([table.resistivity_ohm_m for table in tables])
        * np.where(of_part, calibration.resistivity_ratio, 1.0)[:, None],
        molten=np.array([table.molten_ratio for table in tables]),
        softness=np.array([_softness(material, heating=heating) for material in materials]),
        strength=np.array([s._replace(a=s.a * k, b=s.b * k) for s, k in zip(strengths, stronger, strict=True)]),
    )


def _motion_cells(usual: int, inner: float, outer: float) -> int:
    """Radial cells of the mechanical mesh: fewer in a thin wall, which waves cross in no time, but at least three."""
    return min(usual, max(3, ceil(usual * (outer - inner) / (0.3 * outer))))


def _near(shot: Shot) -> float:
    """Height (m) that a row of cells may have for how far the coil is from it."""
    return 1.5 * (shot.modelled_gap_m + 0.5 * shot.coil.radial_m)


def _reach(shot: Shot) -> float:
    """Height (m) of half a part up to which it moves as one: the coil is far against it, or its radius is large."""
    return max(_near(shot), 0.15 * shot.workpiece.outer_diameter_m)


def _slices(resolution: Resolution, shot: Shot, metals: list[str | Material], omega: float) -> list[Slice]:
    """Slices of the upper half: one for a flat part of one metal, more where it is tall or clad.

    Their rows of cells follow skin and gap, at `omega` (rad/s); in a tall part only those at its end, where the field
    bends round it.
    """
    half, reach, layers = 0.5 * shot.workpiece.thickness_m, _reach(shot), shot.workpiece.half_layers
    is_tall = half > reach
    tallest = resolution.slice_ratio * reach if is_tall else reach
    slices = []
    for layer, (material, height) in enumerate(layers):
        count = min(_MOST_SLICES, ceil(height / tallest))
        each = height / count
        skin = _part_skin(shot, material, omega)
        usual = min(_MOST_ROWS_OF_CELLS, max(1, ceil(each / _near(shot) - 0.25)))
        finer = ceil(each / (resolution.row_skins * min(skin, shot.modelled_gap_m)) - 0.25)
        finer = max(usual, min(resolution.most_rows, finer))
        slices += [Slice(each, metals.index(material, 1), usual if is_tall else finer)] * count
        if is_tall and layer == len(layers) - 1:
            slices[-1] = Slice(each, metals.index(material, 1), finer)
    return slices


def _part_skin(shot: Shot, material: str | Material, omega: float) -> float:
    """Skin depth (m) of one of the part's metals at `omega` (rad/s), cold, as it has shown itself to be."""
    cold = skin_depth(resolve(material), shot.workpiece.initial_temperature_k, omega)
    return sqrt(shot.calibration.resistivity_ratio) * cold


def _discharge(shot: Shot, omega: float) -> Discharge:
    """The circuit outside the turns: what is in the bank's branch and what in the line depends on the crowbar."""
    bank, switch, leads, crowbar = shot.bank, shot.switch, shot.leads, shot.crowbar
    tail_inductance, tail_resistance = tails_of(shot, omega)
    front = (switch.inductance_henry + leads.inductance_henry, switch.resistance_ohm + leads.resistance_ohm)
    in_bank = crowbar is not None and crowbar.across == "coil"
    return Discharge(
        capacitance=bank.capacitance_farad,
        voltage=bank.charge_voltage_v,
        bank_inductance=bank.total_inductance_henry + (front[0] if in_bank else 0.0),
        bank_resistance=bank.total_resistance_ohm + (front[1] if in_bank else 0.0),
        line_inductance=tail_inductance + (0.0 if in_bank else front[0]),
        line_resistance=tail_resistance + (0.0 if in_bank else front[1]),
        drop=switch.forward_drop_v,
        conducts_reverse=switch.conducts_reverse,
        switch_in_bank=in_bank,
        spark=(switch.spark_length_m or 0.0) / sqrt(2.0 * ROMPE_WEIZEL_M2_PER_V2_S),
        crowbar=crowbar is not None,
        crowbar_inductance=crowbar.inductance_henry if crowbar else 1.0,
        crowbar_resistance=crowbar.resistance_ohm if crowbar else 0.0,
        crowbar_drop=crowbar.forward_drop_v if crowbar else 0.0,
    )


def build(shot: Shot) -> c.Model:
    """Meshes, states and constants of a run."""
    resolution = FIDELITIES[shot.solver.fidelity]
    workpiece, metals = shot.workpiece, shot.metals
    tables = _tables(tuple(metals), shot.calibration, heating=shot.solver.heating)
    coil_metal = resolve(shot.coil.material)
    outer, inner = 0.5 * workpiece.outer_diameter_m, 0.5 * workpiece.inner_diameter_m
    omega = 0.5 * pi / rough_quarter_period(shot)
    winding = shot.coil.winding
    coil = _mesh_coil(
        winding,
        outer,
        shot.modelled_gap_m,
        skin_depth(coil_metal, shot.coil.initial_temperature_k, omega),
        resolution.cut,
    )
    part = _mesh_part(
        inner,
        outer,
        tuple(_slices(resolution, shot, metals, omega)),
        min(_part_skin(shot, metal, omega) for metal in metals[1:]),
        resolution.columns,
        resolution.growth,
        _motion_cells(resolution.motion_cells, inner, outer),
        longest_piece=resolution.cut.longest_piece,
        is_tall=0.5 * workpiece.thickness_m > _reach(shot),
    )
    density = tables.strength[:, 0]
    body = make_body(part.node_radius_m, part.level_m, density[part.slice_metal], part.slice_metal)
    turns = make_turns(
        coil.turn_radius_m,
        shot.coil.section_m2,
        float(density[0]),
        coil.turn_weight,
        find_contacts(
            coil.turn_layer, coil.turn_z_m, winding.layer_pitch_m, winding.axial_m, is_round=winding.is_round
        ),
    )
    return c.Model(
        coil=coil,
        part=part,
        turns=turns,
        body=body,
        points=make_points(coil, part),
        unknowns=make_unknowns(coil, part.cell_column.size),
        discharge=_discharge(shot, omega),
        coil_strength=_strength(coil_metal),
        tables=tables,
        controls=c.Controls(
            steps_to_peak=resolution.steps_to_peak,
            steps_when_still=resolution.steps_when_still,
            current_change=resolution.current_change,
            spark_growth=resolution.spark_growth,
            courant=resolution.courant,
            motion=shot.solver.motion,
            stop_time=shot.solver.stop_time_s or 0.0,
            # Two passages of a sound wave through the part: it has breathed in and out by then.
            quiet_time=2.0 * workpiece.outer_diameter_m / 4000.0,
            window=resolution.window,
            half_width=0.5 * shot.coil.radial_m,
            rupture_strain=coil_metal.rupture_strain_ratio or float("inf"),
            fracture_energy=FRACTURE_ENERGY_J_PER_M2,
            arc_fall=ARC_FALL_V,
            arc_relighting=ARC_RELIGHTING_V,
            arc_gradient=ARC_GRADIENT_V_PER_M,
            taylor_quinney=TAYLOR_QUINNEY,
        ),
    )


@lru_cache(maxsize=256)
def _enthalpy(material: str | Material, temperature: float) -> float:
    return enthalpy_at(_thermal(material, heating=True), temperature)


def _start_enthalpy(shot: Shot) -> Floats:
    """Specific enthalpy (J/kg) of each metal of the tables before the shot."""
    coil, *part = shot.metals
    start = [(coil, shot.coil.initial_temperature_k)]
    start += [(material, shot.workpiece.initial_temperature_k) for material in part]
    if not shot.solver.heating:
        return np.zeros(len(start))
    return np.array([_enthalpy(material, temperature) for material, temperature in start])


def run_shot(shot: Shot) -> Run:
    """The run itself, with the state it ended in."""
    model = build(shot)
    slices, cells = model.body.pressure.shape
    fields = c.make_fields(model)
    heat = c.make_heat(model, _start_enthalpy(shot))
    now, before, ahead = (make_loads(model.turns.radius.size, slices, cells) for _ in range(3))
    # Most rows are never used; each is cleared when it is.
    totals, rows = np.zeros(c.TOTALS), np.empty((_MOST_ROWS, c.COLUMNS))
    code, used = run(model, fields, heat, make_step_work(model.unknowns), (now, before, ahead), totals, rows)
    return Run(shot, model, fields, heat, code, totals, rows[:used].copy())
