"""Writes reference_shots.json: what fidelity `reference` finds for random shots of all kinds.

Run `python -m tests.physics.convergence.make_reference_shots` from the project's folder after every change of the
model's numbers; it takes one to four minutes on two cores. What is already there for the same model is kept.
"""

from __future__ import annotations

import json
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

from physics import check_shot, simulate_shot
from physics.circuit import count
from physics.simulate import build
from physics.software import MODEL_VERSION
from tests.physics.plausible import plausible_shots

DATA_PATH = Path(__file__).parent / "reference_shots.json"
SEED, COUNT = 77, 330
#: Steps at `screen` times the cube of the unknowns at `reference`, above which a shot is left out: it would take the
#: finest mesh more than about half a minute. That leaves out long ringing in coils of many turns.
MOST_WORK = 1.5e10
FIGURES = ("peak_current_a", "final_outer_diameter_m", "debris_energy_j")
DESCRIPTION = (
    f"Shots of plausible_shots({SEED}, {COUNT}, ...) at fidelity reference, by their place; written by "
    "make_reference_shots.py. Only those that end as `completed` have figures."
)


def shots(fidelity: str) -> list[dict[str, Any]]:
    """The random shots at a fidelity."""
    return plausible_shots(SEED, COUNT, fidelity)


def entry(place: int) -> dict[str, Any]:
    """What the finest mesh finds for one of them; one that does not complete at `screen`, or is long, is not run."""
    result, fine = simulate_shot(shots("screen")[place]), shots("reference")[place]
    figures: dict[str, Any] = {"place": place, "status": result.status}
    if result.provenance.steps_count * count(build(check_shot(fine)).unknowns) ** 3 > MOST_WORK:
        return figures | {"status": "left out"}
    if result.status == "completed":
        result = simulate_shot(fine)
        figures["status"] = result.status
    if result.status == "completed" and result.summary is not None:
        figures |= {name: float(f"{getattr(result.summary, name):.7g}") for name in FIGURES}
    return figures


def stored() -> list[dict[str, Any]]:
    """What is in the file, if it belongs to this model."""
    if not DATA_PATH.exists():
        return []
    content = json.loads(DATA_PATH.read_text(encoding="utf-8"))
    return list(content["shots"]) if content["model_version"] == MODEL_VERSION else []


def main() -> None:
    """Run what is missing and write the file after every shot."""
    done = stored()
    missing = sorted(set(range(COUNT)) - {found["place"] for found in done})
    with ProcessPoolExecutor(max_workers=2) as pool:
        for found in pool.map(entry, missing):
            done.append(found)
            lines = ",\n  ".join(json.dumps(each) for each in sorted(done, key=lambda each: each["place"]))
            head = f'"description": {json.dumps(DESCRIPTION)},\n "model_version": "{MODEL_VERSION}"'
            DATA_PATH.write_text(f'{{{head},\n "shots": [\n  {lines}\n ]\n}}\n', encoding="utf-8")


if __name__ == "__main__":
    main()
