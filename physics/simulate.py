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
from physics.circuit import Discharge, make_step_work, make_unknowns
from physics.constants import (
    AMBIENT_K,
    ARC_FALL_V,
    ARC_GRADIENT_V_PER_M,
    FRACTURE_ENERGY_J_PER_M2,
    MU_0,
    TAYLOR_QUINNEY,
)
from physics.coupled import run
from physics.geometry import make_loads, make_points
from physics.materials import Metal, resolve
from physics.mesh import mesh_coil, mesh_part
from physics.outcome import Run, put_together
from physics.plasticity import Strength
from physics.radial import make_body
from physics.result import ShotResult
from physics.shot import Fidelity, Shot, check_shot
from physics.thermal import thermal_table
from physics.turns import make_turns

Floats = NDArray[np.float64]

#: More rows than any run uses; a run that fills them is stopped and says so.
_MOST_ROWS = 12_000


@dataclass(frozen=True)
class Resolution:
    """Mesh and step of one fidelity."""

    bundle_rings: int
    columns: int
    half_rows: int
    motion_cells: int
    steps_to_peak: int
    window: float


FIDELITIES: dict[Fidelity, Resolution] = {
    "screen": Resolution(bundle_rings=1, columns=8, half_rows=1, motion_cells=8, steps_to_peak=40, window=0.25),
    "design": Resolution(bundle_rings=1, columns=12, half_rows=2, motion_cells=12, steps_to_peak=100, window=0.12),
    "reference": Resolution(bundle_rings=2, columns=20, half_rows=3, motion_cells=24, steps_to_peak=300, window=0.06),
}


def simulate_shot(shot: Shot | Mapping[str, Any]) -> ShotResult:
    """Compute one shot with the coupled model of circuit, eddy currents, motion and heat.

    `shot` is the JSON's mapping or a checked :class:`physics.shot.Shot`. Every run ends in a status;
    a run that diverged is `not_converged` and carries no numbers. Raises pydantic.ValidationError
    for bad input, nothing else.
    """
    checked = check_shot(shot)
    return put_together(checked, _run(checked))


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
        return _RIGID
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


def _table(metal: Metal, *, heating: bool) -> c.Table:
    table = thermal_table(metal, heating=heating)
    return c.Table(
        start=table.start_j_per_kg,
        spacing=table.spacing_j_per_kg,
        temperature=table.temperature_k,
        resistivity=table.resistivity_ohm_m,
        molten=table.molten_ratio,
        limit=table.limit_j_per_kg if heating else float("inf"),
    )


@lru_cache(maxsize=64)
def _named_table(name: str, *, heating: bool) -> c.Table:
    return _table(resolve(name), heating=heating)


def _rough_quarter_period(shot: Shot) -> float:
    """Time to peak (s) from a current-sheet estimate of the loop's inductance; only the mesh grading uses it."""
    coil, part = shot.coil, shot.workpiece
    bore = 0.5 * part.outer_diameter_m + shot.gap_m
    radius = bore + 0.5 * coil.wire_diameter_m
    length = coil.turns_count * coil.pitch_m
    flux_area = pi * (radius**2 - (0.5 * part.outer_diameter_m) ** 2)
    inductance = MU_0 * coil.turns_count**2 * flux_area / (length + shot.gap_m + coil.wire_diameter_m)
    stray = shot.bank.inductance_henry + shot.switch.inductance_henry + shot.leads.inductance_henry
    return 0.5 * pi * sqrt((inductance + stray) * shot.bank.capacitance_farad)


def _skin_depth(metal: Metal, omega: float) -> float:
    """Skin depth (m) of the cold metal at angular frequency omega (1/s)."""
    return sqrt(2.0 * float(metal.resistivity.at(AMBIENT_K)) / (omega * MU_0))


def _motion_cells(usual: int, inner: float, outer: float) -> int:
    """Radial cells of the mechanical mesh: fewer in a thin wall, which waves cross in no time, but at least three."""
    return min(usual, max(3, ceil(usual * (outer - inner) / (0.3 * outer))))


def _half_rows(usual: int, shot: Shot) -> int:
    """Rows of cells in half the thickness: more in a tall part, so that no row is much taller than the coil is far."""
    tallest = 1.5 * (shot.gap_m + 0.5 * shot.coil.wire_diameter_m)
    return max(usual, min(12, ceil(0.5 * shot.workpiece.thickness_m / tallest)))


def build(shot: Shot) -> c.Model:
    """Meshes, states and constants of a run."""
    resolution = FIDELITIES[shot.solver.fidelity]
    part_material = shot.workpiece.layers[0].material
    coil_metal, part_metal = resolve(shot.coil.material), resolve(part_material)
    heating = shot.solver.heating
    coil_table, part_table = (
        _named_table(material, heating=heating)
        if isinstance(material, str)
        else _table(resolve(material), heating=heating)
        for material in (shot.coil.material, part_material)
    )
    outer, inner = 0.5 * shot.workpiece.outer_diameter_m, 0.5 * shot.workpiece.inner_diameter_m
    thickness = shot.workpiece.thickness_m
    omega = 0.5 * pi / _rough_quarter_period(shot)
    coil = mesh_coil(
        shot.coil.turns_count,
        shot.coil.pitch_m,
        shot.coil.wire_diameter_m,
        outer,
        shot.gap_m,
        _skin_depth(coil_metal, omega),
        resolution.bundle_rings,
    )
    part = mesh_part(
        inner,
        outer,
        _skin_depth(part_metal, omega),
        resolution.columns,
        _half_rows(resolution.half_rows, shot),
        _motion_cells(resolution.motion_cells, inner, outer),
    )
    part_density = part_metal.density_kg_per_m3 or 1.0
    coil_density = coil_metal.density_kg_per_m3 or 1.0
    wire_area = 0.25 * pi * shot.coil.wire_diameter_m**2
    body = make_body(part.node_radius_m, thickness, part_density)
    parts = (shot.bank, shot.switch, shot.leads)
    return c.Model(
        coil=coil,
        part=part,
        turns=make_turns(coil.turn_radius_m, wire_area, coil_density),
        body=body,
        points=make_points(coil, part),
        unknowns=make_unknowns(coil, part.cell_column.size),
        discharge=Discharge(
            capacitance=shot.bank.capacitance_farad,
            voltage=shot.bank.charge_voltage_v,
            inductance=sum(piece.inductance_henry for piece in parts),
            resistance=sum(piece.resistance_ohm for piece in parts),
            drop=shot.switch.forward_drop_v,
            conducts_reverse=shot.switch.conducts_reverse,
        ),
        coil_strength=_strength(coil_metal),
        part_strength=_strength(part_metal),
        coil_table=coil_table,
        part_table=part_table,
        controls=c.Controls(
            steps_to_peak=resolution.steps_to_peak,
            motion=shot.solver.motion,
            stop_time=shot.solver.stop_time_s or 0.0,
            # Several passages of a sound wave through the part.
            quiet_time=4.0 * shot.workpiece.outer_diameter_m / 4000.0,
            window=resolution.window,
            wire_radius=0.5 * shot.coil.wire_diameter_m,
            rupture_strain=coil_metal.rupture_strain_ratio or float("inf"),
            fracture_energy=FRACTURE_ENERGY_J_PER_M2,
            arc_fall=ARC_FALL_V,
            arc_gradient=ARC_GRADIENT_V_PER_M,
            taylor_quinney=TAYLOR_QUINNEY,
            coil_density=coil_density,
            part_mass=float(body.cell_mass.sum()),
        ),
    )


def _run(shot: Shot) -> Run:
    model = build(shot)
    fields = c.make_fields(model.unknowns, model.points.radius.size)
    heat = c.make_heat(model.unknowns, model.body.thickness.size, model.turns.radius.size)
    loads = make_loads(model.turns.radius.size, model.body.thickness.size)
    last_loads = make_loads(model.turns.radius.size, model.body.thickness.size)
    totals, rows = np.zeros(c.TOTALS), np.zeros((_MOST_ROWS, c.COLUMNS))
    work = make_step_work(model.unknowns)
    code, used = run(model, fields, heat, work, loads, last_loads, totals, rows)
    return Run(model, heat, code, totals, rows[:used].copy())
