"""Writes random_cases.json: what the finite elements of the oracle find for random shots of all kinds, held still.

Run `python -m tests.physics.fem.make_random_cases` from the project's folder; it takes ten minutes of two cores. Nobody
chose these shots, and nothing in the model was fitted to them: how conductors are cut was fitted to others
(physics/bundle.py).
"""

from __future__ import annotations

import json
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

from tests.physics.fem.fixed_shot import circuit_of, figures, half_period_s, solve
from tests.physics.fem.meshing import Fineness
from tests.physics.plausible import plausible_shots

DATA_PATH = Path(__file__).parent / "random_cases.json"
SEED, COUNT = 2718, 60
STEPS_IN_HALF_PERIOD = 160
#: Conductivities (S/m) near those of the metals at room temperature.
CONDUCTIVITY = {"copper": 5.8e7, "aluminium_6061_t6": 2.5e7, "brass_260": 1.6e7, "cupronickel_75_25": 3e6}
DESCRIPTION = (
    f"Shots of held_still() at their place among plausible_shots({SEED}, {COUNT}, ...): fixed geometry, constant "
    "conductivity, ideal switch, no crowbar; figures of tests/physics/fem/oracle.py, written by make_random_cases.py. "
    "A shot whose current never comes back to zero has none."
)


def held_still() -> list[dict[str, Any]]:
    """The random shots with all that finite elements leave out taken away."""
    return [_held_still(shot) for shot in plausible_shots(SEED, COUNT, "screen", motion=False, heating=False)]


def _held_still(shot: dict[str, Any]) -> dict[str, Any]:
    part = shot["workpiece"]
    layers = [
        {
            "material": {"conductivity_s_per_m": CONDUCTIVITY[layer["material"]]},
            "fraction_ratio": layer.get("fraction_ratio", 1.0),
        }
        for layer in part["layers"]
    ]
    return {
        "bank": shot["bank"],
        "switch": {"kind": "ideal"},
        "leads": {"inductance_henry": 0.0, "resistance_ohm": 0.0},
        "coil": shot["coil"] | {"material": {"conductivity_s_per_m": CONDUCTIVITY["copper"]}},
        "gap_m": shot["gap_m"],
        "workpiece": part | {"layers": layers},
        "solver": shot["solver"],
    }


def entry(place: int) -> dict[str, Any]:
    """The figures of one of them."""
    shot = held_still()[place]
    circuit = circuit_of(shot)
    half_period = half_period_s(shot)
    try:
        history = solve(shot, Fineness(), half_period / STEPS_IN_HALF_PERIOD, 3.0 * half_period).history
        found = figures(history)
    except ValueError as error:
        return {"place": place, "status": str(error)}
    assert history.energy_residual_ratio(circuit) < 1e-4
    return {"place": place, "result": {key: float(f"{value:.6g}") for key, value in found.items()}}


def main() -> None:
    with ProcessPoolExecutor(2) as pool:
        cases = list(pool.map(entry, range(COUNT)))
    data = {"description": DESCRIPTION, "cases": cases}
    DATA_PATH.write_text(json.dumps(data, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
