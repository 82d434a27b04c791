"""Writes oracle_cases.json: what the oracle finds for the load cases of cases.py, and how that changes with the mesh.

Run `python -m tests.physics.mechanics.make_cases` from the project's folder; it takes about ten minutes.
"""

from __future__ import annotations

import json
import re
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from tests.physics.mechanics.cases import CASES, VARIANTS, Case
from tests.physics.mechanics.oracle import Outcome, figures, solve

DATA_PATH = Path(__file__).parent / "oracle_cases.json"
STUDIED = ("disc, 0.6 GPa", "tube, pressed in the middle")
SERIES_STRIDE = 10

DESCRIPTION = (
    "Results of tests/physics/mechanics/oracle.py for the cases and variants of cases.py, written by make_cases.py: "
    "two-dimensional axisymmetric, explicit, Johnson-Cook with adiabatic heating. `figures` and `shape` are at rest, "
    "on the case's own mesh; `coarser` and `finer` are the figures with half and twice as many cells each way."
)
DEFINITIONS = {
    "rim_m, bore_m": "radius, mean over the present height",
    "rim_middle_m, rim_face_m": "radius at the mid-plane and at the face",
    "rim_displacement_m": "final less first mean rim radius",
    "rim_peak_displacement_m": "most inward mean rim radius less the first one, and `rim_peak_time_s` when that was",
    "middle_thickness_m, half_radius_thickness_m, rim_thickness_m": "face to face on the innermost line of nodes, on "
    "the line half-way between the innermost and the outermost by number, and on the outermost",
    "energies": "of the whole part, in J, after all is at rest",
    "shape": "final nodes: rim and bore as [height above the mid-plane, radius], face as [radius, thickness], m",
    "series": "rows of [time_s, mean rim radius, rim radius at the mid-plane, at the face, mean bore radius, plastic "
    "work in J, kinetic energy in J]",
}


def entry(case: Case) -> dict[str, Any]:
    """One case as it is stored."""
    outcome = solve(case)
    stored: dict[str, Any] = {
        "case": json.loads(json.dumps(asdict(case))),
        "figures": _rounded(figures(case, outcome)),
        "coarser": _rounded(figures(case, solve(case, 0.5))),
    }
    if case.name in STUDIED:
        stored["finer"] = _rounded(figures(case, solve(case, 2.0)))
    return stored | {"shape": _shape(outcome), "series": _series(outcome)}


def _shape(outcome: Outcome) -> dict[str, list[list[float]]]:
    lines = {
        "rim": (outcome.rim_height_m, outcome.rim_radius_m),
        "bore": (outcome.bore_height_m, outcome.bore_radius_m),
        "face": (outcome.face_radius_m, outcome.face_thickness_m),
    }
    return {name: [_digits(row, 7) for row in np.array(pair).T] for name, pair in lines.items()}


def _series(outcome: Outcome) -> list[list[float]]:
    past = outcome.history
    columns = (
        past.time_s,
        past.rim_mean_m,
        past.rim_middle_m,
        past.rim_face_m,
        past.bore_mean_m,
        past.plastic_j,
        past.kinetic_j,
    )
    return [_digits(row, 6) for row in np.array(columns).T[::SERIES_STRIDE]]


def _rounded(values: dict[str, float]) -> dict[str, float]:
    return dict(zip(values, _digits(values.values(), 8), strict=True))


def _digits(values: Any, count: int) -> list[float]:
    return [float(f"{value:.{count - 1}e}") for value in values]


def main() -> None:
    stored: dict[str, list[dict[str, Any]]] = {"cases": [], "variants": []}
    for kind, group in (("cases", CASES), ("variants", VARIANTS)):
        for case in group:
            stored[kind].append(entry(case))
            data = {"description": DESCRIPTION, "definitions": DEFINITIONS} | stored
            DATA_PATH.write_text(_text(data), encoding="utf-8")


def _text(data: dict[str, Any]) -> str:
    """JSON with short lists of numbers on one line."""
    text = json.dumps(data, indent=1, ensure_ascii=False)
    return re.sub(r"\[[^\[\]{}\"]*\]", lambda match: re.sub(r"\s+", " ", match.group()), text) + "\n"


if __name__ == "__main__":
    main()
