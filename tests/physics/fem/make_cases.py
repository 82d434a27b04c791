"""Writes oracle_cases.json: shots of our own invention and what the finite elements of the oracle find for them.

Run `python -m tests.physics.fem.make_cases` from the project's folder; it takes ten minutes of one core.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from tests.physics.fem.fixed_shot import Shot, Solution, figures, solve
from tests.physics.fem.meshing import Fineness

DATA_PATH = Path(__file__).parent / "oracle_cases.json"
SERIES_POINTS_COUNT = 60
NORMAL, FINER, WIDER = Fineness(), Fineness(coarseness=0.7), Fineness(outer_ratio=120.0)

DESCRIPTION = (
    "Finite-element results of tests/physics/fem/oracle.py, written by make_cases.py (axisymmetric A-phi, P2 elements "
    "on a mesh that resolves the skin depth, every turn a solid conductor, monolithic circuit, two-stage L-stable time "
    "steps). Fixed geometry, constant conductivity, ideal switch; the shots are our own invention. `computed` tells "
    "for each case by how much the figures change with half the step, with edges of triangles 0.7 times as long, and "
    "with the outer boundary twice as far away, and by which part of the stored energy the balance fails to close."
)
DEFINITIONS = {
    "peak_force_n": "maximum of -integral (J x B)_r dV over the whole workpiece, inward positive",
    "impulse_n_s": "integral of that force from 0 to the first current zero",
    "peak_gap_field_tesla": "peak B_z on the mid-plane halfway between rim and bare conductor of the innermost layer",
    "peak_axial_force_half_n": "extreme of the axial force on the upper half, negative towards the mid-plane",
    "peak_workpiece_current_a": "integral of J over the section; sign opposite to the coil current",
    "coil_heat_j": "ohmic heat in the turns from 0 to the first current zero",
    "workpiece_heat_j": "ohmic heat in the workpiece from 0 to the first current zero",
    "stray_heat_j": "ohmic heat in the series resistance from 0 to the first current zero",
}


def bank(capacitance_uf: float, voltage_kv: float, inductance_uh: float, resistance_mohm: float) -> dict[str, float]:
    return {
        "capacitance_farad": round(capacitance_uf * 1e-6, 12),
        "charge_voltage_v": round(voltage_kv * 1e3, 3),
        "inductance_henry": round(inductance_uh * 1e-6, 12),
        "resistance_ohm": round(resistance_mohm * 1e-3, 9),
    }


def wire(turns_count: int, diameter_mm: float, pitch_mm: float, layers_count: int = 1) -> dict[str, Any]:
    return coil(turns_count, pitch_mm, layers_count) | {"wire_diameter_m": _metres(diameter_mm)}


def strip(turns_count: int, width_mm: float, thickness_mm: float, pitch_mm: float) -> dict[str, Any]:
    size = {"strip_width_m": _metres(width_mm), "strip_thickness_m": _metres(thickness_mm)}
    return coil(turns_count, pitch_mm, layers_count=1) | size


def coil(turns_count: int, pitch_mm: float, layers_count: int) -> dict[str, Any]:
    return {
        "turns_count": turns_count,
        "layers_count": layers_count,
        "pitch_m": _metres(pitch_mm),
        "material": {"conductivity_s_per_m": 5.8e7},
    }


def part(
    shape: str, diameters_mm: tuple[float, float], thickness_mm: float, *layers: tuple[float, float]
) -> dict[str, Any]:
    """A workpiece by outer and inner diameter; each layer is a conductivity and its part of the thickness."""
    return {
        "shape": shape,
        "outer_diameter_m": _metres(diameters_mm[0]),
        "inner_diameter_m": _metres(diameters_mm[1]),
        "thickness_m": _metres(thickness_mm),
        "layers": [
            {"material": {"conductivity_s_per_m": sigma}, "fraction_ratio": fraction} for sigma, fraction in layers
        ],
    }


def _metres(millimetres: float) -> float:
    return round(millimetres * 1e-3, 9)


def shot(
    bank: Mapping[str, Any], coil: Mapping[str, Any], gap_mm: float, workpiece: Mapping[str, Any]
) -> dict[str, Any]:
    return {
        "bank": bank,
        "coil": coil,
        "gap_m": _metres(gap_mm),
        "workpiece": workpiece,
        "solver": {"motion": False, "heating": False},
        "switch": {"kind": "ideal"},
        "leads": {"inductance_henry": 0.0, "resistance_ohm": 0.0},
    }


COPPER, ALUMINIUM, BRASS, POOR, CUPRONICKEL = 5.8e7, 3.5e7, 1.6e7, 8e6, 3e6

#: Name, step in µs and shot of each case.
CASES: list[tuple[str, float, dict[str, Any]]] = [
    (
        "two layers",
        0.1,
        shot(
            bank(120, 8, 0.15, 5), wire(10, 1.6, 1.8, layers_count=2), 1.0, part("disc", (24, 0), 1.75, (COPPER, 1.0))
        ),
    ),
    (
        "flat strip, odd turns",
        0.1,
        shot(bank(250, 5, 0.1, 4), strip(5, 1.0, 4.0, 1.3), 1.2, part("disc", (26, 0), 2.0, (BRASS, 1.0))),
    ),
    (
        "tube longer than the coil",
        0.1,
        shot(bank(100, 9, 0.2, 8), wire(6, 1.6, 1.9), 1.2, part("tube", (30, 27), 24.0, (ALUMINIUM, 1.0))),
    ),
    (
        "thick wire, odd turns",
        0.1,
        shot(bank(300, 6, 0.12, 3), wire(3, 4.0, 4.4), 1.5, part("disc", (30, 0), 2.0, (COPPER, 1.0))),
    ),
    (
        "clad disc",
        0.1,
        shot(
            bank(150, 7, 0.18, 6),
            wire(8, 2.05, 2.3),
            1.0,
            part("disc", (25, 0), 2.0, (CUPRONICKEL, 0.165), (COPPER, 0.67), (CUPRONICKEL, 0.165)),
        ),
    ),
    (
        "poor conductor",
        0.1,
        shot(bank(200, 5, 0.2, 7), wire(6, 2.3, 2.6), 1.3, part("disc", (22, 0), 1.6, (CUPRONICKEL, 1.0))),
    ),
    (
        "small gap, fast bank",
        0.05,
        shot(bank(20, 15, 0.1, 10), wire(8, 1.3, 1.5), 0.6, part("disc", (20, 0), 1.5, (COPPER, 1.0))),
    ),
    (
        "one turn",
        0.1,
        shot(bank(400, 4, 0.1, 3), wire(1, 4.0, 4.4), 2.0, part("disc", (28, 0), 3.0, (ALUMINIUM, 1.0))),
    ),
    (
        "thin wire, open winding",
        0.1,
        shot(bank(60, 6, 0.25, 9), wire(14, 0.8, 1.04), 0.8, part("disc", (20, 0), 1.2, (BRASS, 1.0))),
    ),
    (
        "slow bank, odd turns, washer",
        0.4,
        shot(bank(2000, 2, 0.3, 5), wire(7, 2.6, 2.9), 1.4, part("washer", (28, 12), 1.2, (POOR, 1.0))),
    ),
]


def case_of(name: str, step_us: float, fired: Shot) -> dict[str, Any]:
    """One case as it is stored."""
    step_s = step_us * 1e-6
    solution = solve(fired, NORMAL, step_s)
    result = figures(solution.history)
    others = {
        "half_step_change_ratio": solve(fired, NORMAL, step_s / 2),
        "finer_mesh_change_ratio": solve(fired, FINER, step_s),
        "wider_air_change_ratio": solve(fired, WIDER, step_s),
    }
    computed: dict[str, Any] = {
        "step_s": step_s,
        "triangles_count": solution.matrices.triangles_count,
        "energy_residual_ratio": _digits(solution.history.energy_residual_ratio(solution.circuit), 2),
    }
    for change, other in others.items():
        changed = figures(other.history)
        computed[change] = {key: _digits(changed[key] / value - 1, 2) for key, value in result.items()}
    return {
        "name": name,
        "shot": fired,
        "result": {key: _digits(value, 8) for key, value in result.items()},
        "current_series": series_of(solution),
        "computed": computed,
    }


def series_of(solution: Solution) -> dict[str, Any]:
    """The current at equal times, thinned."""
    history = solution.history
    stride = int(np.ceil((len(history.time_s) - 1) / SERIES_POINTS_COUNT))
    current_a = [round(float(value), 2) for value in history.current_a[::stride]]
    return {"time_step_s": _digits(stride * solution.step_s, 6), "current_a": current_a}


def _digits(value: float, count: int) -> float:
    return float(f"{value:.{count - 1}e}")


def main() -> None:
    cases: list[dict[str, Any]] = []
    for name, step_us, fired in CASES:
        cases.append(case_of(name, step_us, fired))
        data = {"description": DESCRIPTION, "definitions": DEFINITIONS, "cases": cases}
        DATA_PATH.write_text(json.dumps(data, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
