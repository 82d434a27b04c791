"""How many trials a search needs to come near the best known front: `python -m tests.benchmarks.search_quality`.

A trial counts as what it costs the user: one coil whose voltage is solved at `screen`. All ways of choosing the coils
share the voltage solver with its first guesses, so they differ in the choice alone. Reported are trials and seconds to
come within 2 % of the least stored energy known, and within 5 % of the dominated share of the box below the limits.

    --best            find the best known fronts: a very long run of ours, and what random trials add; hours at most
    --requests a,b    some of the six only
    --ways a,b        some of the ways only: ours, random, tpe, nsga2, cmaes, grid
    --trials N        trials of each run (default 600)
    --seeds N         runs of each way, whose median is told (default 3)
    --rounds N        rounds of 480 trials of the very long run (default 8)
    --processes N     runs at the same time (default 2); seconds are those of one
"""

from __future__ import annotations

import argparse
import importlib.util
import itertools
import json
import math
import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import numpy as np
import optuna

from physics import simulate_shot
from physics.outcome import MODEL_VERSION
from tests.benchmarks.search_requests import BODIES, asked
from worker.front import pareto_front
from worker.island import search, trials
from worker.knowledge import Knowledge
from worker.pace import dominated_ratio
from worker.plan import ISLAND_TRIALS, ROUND_ISLANDS
from worker.records import Candidate, SlotName
from worker.request import DesignRequest
from worker.space import Floats, Space
from worker.trial import run_trial

FRONTS = Path(__file__).parent / "fronts"
WITHIN_ENERGY = 0.02
WITHIN_SHARE = 0.05
#: Points of a best known front that are kept in the repository.
KEPT_POINTS = 60
#: The very long run has a seed that no measured run has.
BEST_SEED = 2**20

Way = Callable[[DesignRequest, int], Iterator[Candidate]]


# ---- ways of choosing the coils --------------------------------------------------------------------------------------


def ours(request: DesignRequest, count: int) -> Iterator[Candidate]:
    """Islands one after the other, and round after round, as the workers run them; without settling."""
    archive: list[Candidate] = []
    found: list[Candidate] = []
    for number in range(-(-count // ISLAND_TRIALS)):
        place, island = divmod(number, ROUND_ISLANDS)
        if island == 0:
            archive = pareto_front(found)
        numbers = range(number * ISLAND_TRIALS, min((number + 1) * ISLAND_TRIALS, count))
        slot = SlotName(design_id="benchmark", round=place, island=island)
        for candidate in search(request, slot, numbers, archive, {}, simulate_shot):
            found.append(candidate)
            yield candidate


def _one_study(request: DesignRequest, count: int, sampler: optuna.samplers.BaseSampler) -> Iterator[Candidate]:
    knowledge = Knowledge(request, Space(request))
    yield from trials(knowledge, sampler, range(count), {}, simulate_shot)


def at_random(request: DesignRequest, count: int) -> Iterator[Candidate]:
    """Every coil drawn evenly from the space."""
    return _one_study(request, count, optuna.samplers.RandomSampler(seed=request.seed))


def tpe(request: DesignRequest, count: int) -> Iterator[Candidate]:
    """One long study of the plain tree-structured Parzen estimator."""
    return _one_study(request, count, optuna.samplers.TPESampler(seed=request.seed))


def nsga2(request: DesignRequest, count: int) -> Iterator[Candidate]:
    """One long study of NSGA-II with a population of 20."""
    return _one_study(request, count, optuna.samplers.NSGAIISampler(seed=request.seed, population_size=20))


def cmaes(request: DesignRequest, count: int) -> Iterator[Candidate]:
    """CMA-ES, which knows one objective: the stored energy; a miss counts as the energy limit and its violation."""
    knowledge = Knowledge(request, Space(request))
    study = optuna.create_study(sampler=optuna.samplers.CmaEsSampler(seed=request.seed))
    for number in range(count):
        trial = study.ask(knowledge.space.distributions)
        parameters = knowledge.space.parameters(trial.params)
        candidate = run_trial(request, number, parameters, "screen", simulate_shot, *knowledge.guess(parameters))
        knowledge.add(candidate)
        found = candidate.objectives if candidate.feasible else None
        missed = request.limits.stored_energy_j * (1.0 + candidate.violation_ratio)
        study.tell(trial, found.stored_energy_j if found else missed)
        yield candidate


class _Grid(optuna.samplers.RandomSampler):
    """The middles of a coarse grid of `count` points at most, in a random order."""

    def __init__(self, space: Space, count: int, seed: int) -> None:
        super().__init__(seed=seed)
        self._space = space
        variables = len(space.variables)
        levels = max(2, math.floor(count ** (1.0 / variables)))
        axes = [(np.arange(levels) + 0.5) / levels] * variables
        points: Floats = np.stack([axis.ravel() for axis in np.meshgrid(*axes)], axis=1)
        self._points = np.random.default_rng(seed).permutation(points)

    def infer_relative_search_space(
        self, study: optuna.Study, trial: optuna.trial.FrozenTrial
    ) -> dict[str, optuna.distributions.BaseDistribution]:
        del study, trial
        return self._space.distributions

    def sample_relative(
        self,
        study: optuna.Study,
        trial: optuna.trial.FrozenTrial,
        search_space: dict[str, optuna.distributions.BaseDistribution],
    ) -> dict[str, int | float]:
        del study, search_space
        place: Floats = self._points[trial.number % len(self._points)]
        return self._space.values_at(place[None, :])[0]


def grid(request: DesignRequest, count: int) -> Iterator[Candidate]:
    """A coarse grid over the space."""
    return _one_study(request, count, _Grid(Space(request), count, request.seed))


WAYS: dict[str, Way] = {"ours": ours, "random": at_random, "tpe": tpe, "nsga2": nsga2, "cmaes": cmaes, "grid": grid}


# ---- the measure -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Outcome:
    """One run: trials and seconds to come near, None when it did not; and how near it came in the end."""

    energy_trials: int | None
    energy_seconds: float | None
    share_trials: int | None
    share_seconds: float | None
    energy_excess: float
    share: float
    shots_a_trial: float
    milliseconds_a_trial: float


def measure(job: tuple[str, str, int, int]) -> Outcome:
    """Run one way on one request with one seed; `job` is way, request, seed and trials."""
    way, name, seed, count = job
    warnings.simplefilter("ignore", optuna.exceptions.ExperimentalWarning)
    request = asked(name, seed)
    best_energy, best_share = goal_of(name)
    front: list[Candidate] = []
    near: dict[str, tuple[int, float]] = {}
    shots, spent_s = 0, 0.0
    run = WAYS[way](request, count)
    for number in range(1, count + 1):
        begun_s = time.perf_counter()
        candidate = next(run)
        spent_s += time.perf_counter() - begun_s  # without this measure's own work
        shots += candidate.shots_count
        if not candidate.feasible:
            continue
        front = pareto_front([*front, candidate])
        if candidate in front:
            if _energy(front) <= (1.0 + WITHIN_ENERGY) * best_energy:
                near.setdefault("energy", (number, spent_s))
            if dominated_ratio(request, front) >= (1.0 - WITHIN_SHARE) * best_share:
                near.setdefault("share", (number, spent_s))
    never: tuple[int | None, float | None] = (None, None)
    energy_trials, energy_seconds = near.get("energy", never)
    share_trials, share_seconds = near.get("share", never)
    return Outcome(
        energy_trials=energy_trials,
        energy_seconds=energy_seconds,
        share_trials=share_trials,
        share_seconds=share_seconds,
        energy_excess=_energy(front) / best_energy - 1.0,
        share=dominated_ratio(request, front) / best_share,
        shots_a_trial=shots / count,
        milliseconds_a_trial=1e3 * spent_s / count,
    )


def goal_of(name: str) -> tuple[float, float]:
    """Least stored energy (J) and dominated share of the best known front."""
    content = json.loads((FRONTS / f"{name}.json").read_text(encoding="utf-8"))
    return content["least_stored_energy_j"], content["dominated_ratio"]


# ---- best known fronts -----------------------------------------------------------------------------------------------


def find_best(job: tuple[str, int]) -> str:
    """A very long run of ours and half as many random trials, added to the front known before."""
    name, rounds = job
    request = asked(name, BEST_SEED)
    count = rounds * ROUND_ISLANDS * ISLAND_TRIALS
    front = _known_front(name)
    for candidate in itertools.chain(ours(request, count), at_random(request, count // 2)):
        front = pareto_front([*front, candidate]) if candidate.feasible else front
    content = {
        "request": name,
        "model_version": MODEL_VERSION,
        "trials": count + count // 2,
        "points": len(front),
        "least_stored_energy_j": _energy(front),
        "dominated_ratio": dominated_ratio(request, front),
        "candidates": [json.loads(c.model_dump_json(exclude_defaults=True)) for c in _thinned(front)],
    }
    FRONTS.mkdir(exist_ok=True)
    (FRONTS / f"{name}.json").write_text(json.dumps(content) + "\n", encoding="utf-8")
    return f"{name}: {len(front)} points, {_energy(front):.1f} J, {dominated_ratio(request, front):.4f} of the box"


def _known_front(name: str) -> list[Candidate]:
    """What is kept of the front, unless another version of the model found it."""
    path = FRONTS / f"{name}.json"
    content = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
    if content.get("model_version") != MODEL_VERSION:
        return []
    return [Candidate.model_validate(row) for row in content["candidates"]]


def _energy(front: Sequence[Candidate]) -> float:
    return min((c.objectives.stored_energy_j for c in front if c.objectives), default=math.inf)


def _thinned(front: Sequence[Candidate]) -> list[Candidate]:
    """Least energy first, ends kept."""
    if len(front) <= KEPT_POINTS:
        return list(front)
    return [front[round(k * (len(front) - 1) / (KEPT_POINTS - 1))] for k in range(KEPT_POINTS)]


# ---- the report ------------------------------------------------------------------------------------------------------


def report(name: str, outcomes: dict[str, list[Outcome]]) -> list[str]:
    """A table of one request: a line a way, medians over the seeds; a run that did not come near counts as endless."""
    lines = [f"\n{name}"]
    heads = ("trials", "s", "trials", "s", "energy", "share", "shots", "ms")
    lines.append(f"{'':<8}{'within 2 % of energy':>20}{'within 5 % of share':>20}{'in the end':>18}{'a trial':>14}")
    lines.append(
        f"{'':<8}" + "".join(f"{head:>{w}}" for head, w in zip(heads, (11, 9, 11, 9, 9, 9, 7, 7), strict=True))
    )
    for way, runs in outcomes.items():
        lines.append(
            f"{way:<8}"
            f"{_middle([r.energy_trials for r in runs], 0):>11}{_middle([r.energy_seconds for r in runs], 1):>9}"
            f"{_middle([r.share_trials for r in runs], 0):>11}{_middle([r.share_seconds for r in runs], 1):>9}"
            f"{median(r.energy_excess for r in runs):>+9.1%}{median(r.share for r in runs):>9.3f}"
            f"{median(r.shots_a_trial for r in runs):>7.2f}{median(r.milliseconds_a_trial for r in runs):>7.1f}"
        )
    return lines


def _middle(values: Sequence[float | None], digits: int) -> str:
    found = median(math.inf if value is None else value for value in values)
    return "never" if math.isinf(found) else f"{found:.{digits}f}"


def main() -> None:
    """Find the best known fronts, or measure against them."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--best", action="store_true")
    parser.add_argument("--requests", default=",".join(BODIES))
    parser.add_argument("--ways", default=",".join(WAYS))
    parser.add_argument("--trials", type=int, default=600)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--rounds", type=int, default=8)
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    names = given.requests.split(",")
    with ProcessPoolExecutor(given.processes) as pool:
        if given.best:
            for line in pool.map(find_best, [(name, given.rounds) for name in names]):
                print(line, flush=True)
            return
        ways = [way for way in given.ways.split(",") if way != "cmaes" or importlib.util.find_spec("cmaes")]
        jobs = [(way, name, seed, given.trials) for name in names for way in ways for seed in range(given.seeds)]
        runs = pool.map(measure, jobs)
        for name in names:
            outcomes = {way: [next(runs) for _ in range(given.seeds)] for way in ways}
            print("\n".join(report(name, outcomes)), flush=True)


if __name__ == "__main__":
    main()
