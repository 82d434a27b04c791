"""The best known fronts of the six requests, kept in the repository: every run adds to them, none takes away.

A front is kept thinned, and what is measured against is what is kept. The coils of a front that another version of the
model found are solved anew when it is loaded.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from physics import shot_figures
from physics.software import MODEL_VERSION
from tests.benchmarks.search_requests import asked
from worker.front import pareto_front
from worker.pace import dominated_ratio
from worker.records import Candidate
from worker.request import DesignRequest
from worker.trial import run_trial

FOLDER = Path(__file__).parent / "fronts"
#: Thinning may cost this share of what a front dominates, but never brings it below what was known before.
THINNING_LOSS = 1e-3


@dataclass(frozen=True)
class BestFront:
    """Candidates, least stored energy first; and the trials of every run that was merged, by way and seed."""

    candidates: list[Candidate] = field(default_factory=list)
    dominated_ratio: float = 0.0
    runs: dict[str, int] = field(default_factory=dict)

    @property
    def least_energy_j(self) -> float:
        """Infinite for an empty front."""
        return least_energy(self.candidates)

    def merged(self, request: DesignRequest, runs: Mapping[str, int], found: Sequence[Candidate]) -> BestFront:
        """With what other runs found: never less dominated share, nor more least energy, than before."""
        front = pareto_front([*self.candidates, *found])
        known = (1.0 - THINNING_LOSS) * dominated_ratio(request, front)
        front = thinned(request, front, max(known, self.dominated_ratio))
        most = {name: max(runs.get(name, 0), self.runs.get(name, 0)) for name in sorted({*runs, *self.runs})}
        return BestFront(front, dominated_ratio(request, front), most)


def thinned(request: DesignRequest, front: Sequence[Candidate], least_ratio: float) -> list[Candidate]:
    """As few of the front as dominate `least_ratio`, the least energy among them; what adds least goes first."""
    whole = dominated_ratio(request, front)
    added = [whole - dominated_ratio(request, [*front[:k], *front[k + 1 :]]) for k in range(len(front))]
    order = sorted(range(1, len(front)), key=lambda k: -added[k])

    def first(count: int) -> list[Candidate]:
        return [front[k] for k in sorted([0, *order[: count - 1]])]

    few, enough = 0, len(front)
    while enough - few > 1:
        middle = (few + enough) // 2
        if dominated_ratio(request, first(middle)) >= least_ratio:
            enough = middle
        else:
            few = middle
    return first(enough) if front else []


def load(name: str) -> BestFront:
    """What is kept of a request, empty when nothing is."""
    path = FOLDER / f"{name}.json"
    if not path.exists():
        return BestFront()
    content = json.loads(path.read_text(encoding="utf-8"))
    candidates = [Candidate.model_validate(row) for row in content["candidates"]]
    if content["model_version"] != MODEL_VERSION:
        request = asked(name, 0)
        return BestFront().merged(request, content["runs"], [_solved_anew(request, c) for c in candidates])
    return BestFront(candidates, content["dominated_ratio"], content["runs"])


def _solved_anew(request: DesignRequest, known: Candidate) -> Candidate:
    """The same coil with the voltage that the present model asks for."""
    return run_trial(request, known.number, known.parameters, known.fidelity, shot_figures, known.charge_voltage_v)


def save(name: str, best: BestFront) -> None:
    """Keep it in the repository."""
    content = {
        "request": name,
        "model_version": MODEL_VERSION,
        "trials": sum(best.runs.values()),
        "runs": best.runs,
        "least_stored_energy_j": best.least_energy_j,
        "dominated_ratio": best.dominated_ratio,
        "candidates": [json.loads(c.model_dump_json(exclude_defaults=True)) for c in best.candidates],
    }
    FOLDER.mkdir(exist_ok=True)
    (FOLDER / f"{name}.json").write_text(json.dumps(content) + "\n", encoding="utf-8")


def least_energy(front: Sequence[Candidate]) -> float:
    """Least stored energy of a front (J), infinite when it is empty."""
    return min((c.objectives.stored_energy_j for c in front if c.objectives), default=math.inf)
