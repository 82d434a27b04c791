"""The workpiece after the shot: its profile, and what should be known about it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from physics import state as c
from physics.buckling import CRITICAL_AMPLIFICATION, amplification
from physics.materials import resolve
from physics.plasticity import Strength
from physics.result import Advisory, Profile
from physics.run import Run

Floats = NDArray[np.float64]

#: Wall over mean radius up to which a part is a thin ring.
_THIN_RING_RATIO = 0.25
#: A bore that has shrunk below this share of the outer diameter is about to close.
_CLOSING_RATIO = 0.1
#: Change of radius from slice to slice, over their distance, beyond which slices no longer describe a bent wall.
_STEEPEST_SLOPE = 0.7
_PLAINLY_MANY = 1000.0


def profile(run: Run) -> Profile:
    """Shape, hardening and temperature at the end of the run."""
    body, tables = run.model.body, run.model.tables
    metal = int(body.metal[0])
    strength = tables.strength[metal]
    hardened = strength[4] + strength[5] * body.strain[0] ** strength[6]
    return Profile(
        radius_m=_list(0.5 * (body.radius[0, 1:] + body.radius[0, :-1])),
        thickness_m=_list(2.0 * body.level[-1]),
        strain_ratio=_list(body.strain[0]),
        flow_stress_pa=_list(hardened),
        temperature_k=_temperatures(run, metal),
        height_m=_list(0.5 * (body.level[1:, -1] + body.level[:-1, -1])),
        outer_diameter_m=_list(2.0 * body.radius[:, -1]),
        inner_diameter_m=_list(2.0 * body.radius[:, 0]),
    )


def _list(values: Floats) -> list[float]:
    return [float(value) for value in values]


def _temperatures(run: Run, metal: int) -> list[float]:
    """Temperature (K) of each mechanical cell of the middle slice: ohmic heat meaned over it, and plastic work."""
    part, body = run.model.part, run.model.body
    ohmic = run.heat.ohmic[run.model.coil.radius_m.size :]
    inside = part.cell_slice == 0
    height = (part.cell_top - part.cell_bottom)[inside]
    columns = np.bincount(part.cell_column[inside], height * ohmic[inside])
    return _list(run.temperature_at(metal, part.column_in_motion @ columns + body.heat[0]))


def advisories(run: Run) -> list[Advisory]:
    """What a number alone does not show about this shot."""
    found = [_buckling(run), _bore(run), _slope(run), *_metals(run)]
    return [advisory for advisory in found if advisory is not None]


def _buckling(run: Run) -> Advisory | None:
    workpiece, part = run.shot.workpiece, run.model.part
    outer, inner = part.node_radius_m[-1], part.node_radius_m[0]
    if inner == 0.0 or outer - inner > _THIN_RING_RATIO * 0.5 * (outer + inner) or not run.shot.solver.motion:
        return None
    rows = run.rows
    grown = amplification(
        time=rows[:, c.TIME],
        radius=0.25 * (rows[:, c.OUTER] + rows[:, c.INNER]),
        wall=0.5 * (rows[:, c.OUTER] - rows[:, c.INNER]),
        metal=Strength(*run.model.tables.strength[run.model.body.metal[0]]),
    )
    if grown.factor < CRITICAL_AMPLIFICATION:
        return None
    times = f"{grown.factor:.0f}" if grown.factor < _PLAINLY_MANY else f"over {_PLAINLY_MANY:.0f}"
    return Advisory(
        name="may_buckle",
        statement=f"this {workpiece.shape} may buckle into about {grown.waves} waves: a flaw in its roundness grows "
        f"{times} times, and {CRITICAL_AMPLIFICATION:.0f} is critical; drive it faster or take a thicker wall",
        source="G. R. Abrahamson and J. N. Goodier, Proc. 4th US Nat. Congr. Appl. Mech. (1962) 939; threshold as in "
        "H. E. Lindberg and A. L. Florence, Dynamic Pulse Buckling (1987); from memory",
    )


def _bore(run: Run) -> Advisory | None:
    inner, outer = run.totals[c.FINAL_INNER], run.totals[c.FINAL_OUTER]
    if run.shot.workpiece.inner_diameter_m == 0.0 or inner > _CLOSING_RATIO * outer:
        return None
    return Advisory(
        name="bore_closing",
        statement=f"the bore is down to {1e3 * inner:.2f} mm; with a little more it closes",
        source="this model",
    )


def _slope(run: Run) -> Advisory | None:
    body = run.model.body
    if len(set(body.metal)) > 1 or body.radius.shape[0] == 1:
        return None
    middles = 0.5 * (body.level[1:, -1] + body.level[:-1, -1])
    steepest = float(np.abs(np.diff(body.radius[:, -1]) / np.diff(middles)).max())
    if steepest < _STEEPEST_SLOPE:
        return None
    return Advisory(
        name="bent_wall",
        statement=f"the wall leans {steepest:.2f} to 1 beside the coil's end; slices describe such a bend only roughly",
        source="this model",
    )


def _metals(run: Run) -> list[Advisory]:
    """Melting, strain beyond the data, and what the library says of a metal, for coil and part."""
    found = []
    temperature = run.temperature()
    for index, material in enumerate(run.shot.metals):
        metal, part = resolve(material), "coil" if index == 0 else "workpiece"
        name = f"{part}, {material if isinstance(material, str) else 'your own metal'}"
        if metal.warning is not None:
            found.append(Advisory(name="metal", statement=f"{name}: {metal.warning}", source="material library"))
        hottest = float(temperature[run.heat.metal == index].max())
        if metal.melting_temperature_k is not None and hottest >= metal.melting_temperature_k:
            found.append(_melted(name, hottest, metal.melting_temperature_k))
        body = run.model.body
        strain = float((run.model.turns.strain if index == 0 else body.strain[body.metal == index]).max())
        if metal.flow_strain_limit_ratio is not None and strain > metal.flow_strain_limit_ratio:
            found.append(_beyond_data(name, strain, metal.flow_strain_limit_ratio))
    return found


def _melted(name: str, hottest: float, melting: float) -> Advisory:
    return Advisory(
        name="melts",
        statement=f"{name}: its surface reaches {hottest:.0f} K and begins to melt at {melting:.0f} K; "
        "what has melted bears nothing",
        source="this model",
    )


def _beyond_data(name: str, strain: float, limit: float) -> Advisory:
    return Advisory(
        name="strain_beyond_data",
        statement=f"{name}: plastic strain {strain:.2f}; its flow stress was measured up to {limit:g}",
        source="material library",
    )
