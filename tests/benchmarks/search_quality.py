"""How many trials a search needs to come near the best known front: `python -m tests.benchmarks.search_quality`.

A trial counts as what it costs the user: one coil whose voltage is solved at `screen`. Every run is kept in a folder,
adds what it found to the best known front (`fronts/`), and is then measured against that: trials and seconds of one
core until it is within 2 % of the least stored energy known, and within 5 % of the dominated share of the box below
the limits. Runs that are in the folder already are measured again and not run again, so that a long comparison may be
made in parts. Empty the folder after a change of the sampler.

    --requests a,b    some of the six only
    --ways a,b        some of the ways only: ours, random, tpe, nsga2, cmaes, grid; none to measure what is kept
    --trials N        trials of each run (default 600)
    --seeds N         runs of each way (default 3)
    --processes N     runs at the same time (default 2)
    --runs FOLDER     where runs are kept (default build/search_runs)
"""

from __future__ import annotations

import argparse
import math
import time
import warnings
from bisect import bisect_left
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import optuna
from pydantic import BaseModel

from physics.outcome import MODEL_VERSION
from tests.benchmarks import search_fronts
from tests.benchmarks.search_fronts import BestFront, least_energy
from tests.benchmarks.search_requests import BODIES, asked
from tests.benchmarks.search_ways import WAYS
from worker.front import pareto_front
from worker.pace import dominated_ratio
from worker.records import Candidate

WITHIN_ENERGY = 0.02
WITHIN_SHARE = 0.05


# ---- runs ------------------------------------------------------------------------------------------------------------


class Step(BaseModel):
    """A candidate that came onto the front of its run, when so many trials and seconds of one core were spent."""

    trials: int
    seconds: float
    candidate: Candidate


class Run(BaseModel):
    """One way on one request with one seed. A grid may end before the trials that it was allowed."""

    way: str
    request: str
    seed: int
    model_version: str
    trials_allowed: int
    trials: int = 0
    seconds: float = 0.0
    shots: int = 0
    steps: list[Step] = []

    @property
    def front(self) -> list[Candidate]:
        """What it found."""
        return pareto_front([step.candidate for step in self.steps])


def run(job: tuple[str, str, int, int]) -> Run:
    """Run a way on a request with a seed, for so many trials at most."""
    way, name, seed, count = job
    warnings.simplefilter("ignore", optuna.exceptions.ExperimentalWarning)
    request = asked(name, seed)
    done = Run(way=way, request=name, seed=seed, model_version=MODEL_VERSION, trials_allowed=count)
    next(WAYS["random"](request, 1))  # kernels are loaded before the clock runs
    front: list[Candidate] = []
    candidates = WAYS[way](request, count)
    begun_s = time.process_time()
    for candidate in candidates:
        done.seconds += time.process_time() - begun_s
        done.trials += 1
        done.shots += candidate.shots_count
        if candidate.feasible:
            front = pareto_front([*front, candidate])
            if candidate in front:
                done.steps.append(Step(trials=done.trials, seconds=done.seconds, candidate=candidate))
        begun_s = time.process_time()  # without this measure's own work
    return done


def kept(folder: Path) -> list[Run]:
    """The runs in a folder that the present version of the model made."""
    runs = [Run.model_validate_json(path.read_bytes()) for path in sorted(folder.glob("*.json"))]
    return [run for run in runs if run.model_version == MODEL_VERSION]


def keep(folder: Path, done: Run) -> None:
    """In place of a shorter run of the same kind."""
    path = folder / f"{done.request}.{done.way}.{done.seed}.json"
    path.write_text(done.model_dump_json(exclude_defaults=True), encoding="utf-8")


# ---- the measure -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Near:
    """Trials and seconds of one core until a run came near; infinite when it did not."""

    trials: float = math.inf
    seconds: float = math.inf


def near_energy(done: Run, best: BestFront) -> Near:
    """Within 2 % of the least stored energy known."""
    goal = (1.0 + WITHIN_ENERGY) * best.least_energy_j
    return _first(done, lambda steps: least_energy([step.candidate for step in steps]) <= goal)


def near_share(done: Run, best: BestFront) -> Near:
    """Within 5 % of the dominated share known."""
    goal = (1.0 - WITHIN_SHARE) * best.dominated_ratio
    return _first(done, lambda steps: share(done, steps) >= goal)


def share(done: Run, steps: Sequence[Step]) -> float:
    """Share of the box below the limits that the first steps of a run dominate."""
    return dominated_ratio(asked(done.request, done.seed), pareto_front([step.candidate for step in steps]))


def _first(done: Run, is_near: Callable[[Sequence[Step]], bool]) -> Near:
    """The first step that is near; all later ones are, too."""
    place = bisect_left(range(len(done.steps)), True, key=lambda k: is_near(done.steps[: k + 1]))  # noqa: FBT003
    return Near(done.steps[place].trials, done.steps[place].seconds) if place < len(done.steps) else Near()


# ---- the report ------------------------------------------------------------------------------------------------------

HEAD = (
    "| way | runs | trials | 2 % of energy: trials | worst | s | 5 % of share: trials | worst | s "
    "| energy in the end | share | shots a trial | ms a trial |"
)


def table(name: str, runs: Sequence[Run], best: BestFront) -> list[str]:
    """A table of one request: a line a way, medians over the seeds and the worst of them."""
    trials = sum(best.runs.values())
    known = f"{best.least_energy_j:.1f} J and {best.dominated_ratio:.4f} of the box are known"
    lines = [
        f"\n{name}: {known}, from {trials} trials\n",
        HEAD,
        "|---" * HEAD.count(" |") + "|",
    ]
    for way in WAYS:
        of_way = [done for done in runs if (done.request, done.way) == (name, way)]
        if of_way:
            lines.append("| " + " | ".join([way, *_cells(of_way, best)]) + " |")
    return lines


def _cells(runs: Sequence[Run], best: BestFront) -> list[str]:
    allowed = max(done.trials for done in runs)
    cells = [str(len(runs)), str(allowed)]
    for near in (near_energy, near_share):
        found = [near(done, best) for done in runs]
        trials = [one.trials for one in found]
        cells += [_count(median(trials), allowed), _count(max(trials), allowed)]
        seconds = median(one.seconds for one in found)
        cells.append("-" if math.isinf(seconds) else f"{seconds:.1f}")
    excess = median(least_energy(done.front) / best.least_energy_j - 1.0 for done in runs)
    cells += [f"{excess:+.1%}", f"{median(share(done, done.steps) for done in runs) / best.dominated_ratio:.3f}"]
    trials_run = sum(done.trials for done in runs)
    cells.append(f"{sum(done.shots for done in runs) / trials_run:.2f}")
    cells.append(f"{1e3 * sum(done.seconds for done in runs) / trials_run:.1f}")
    return cells


def _count(trials: float, allowed: int) -> str:
    return f"> {allowed}" if math.isinf(trials) else f"{trials:.0f}"


def main() -> None:
    """Run what is missing, add it to the best known fronts, and measure all runs against them."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--requests", default=",".join(BODIES))
    parser.add_argument("--ways", default=",".join(WAYS))
    parser.add_argument("--trials", type=int, default=600)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--runs", type=Path, default=Path("build/search_runs"))
    given = parser.parse_args()
    names, ways = given.requests.split(","), [way for way in WAYS if way in given.ways.split(",")]
    given.runs.mkdir(parents=True, exist_ok=True)
    there = {(done.way, done.request, done.seed): done.trials_allowed for done in kept(given.runs)}
    jobs = [(way, name, seed, given.trials) for name in names for way in ways for seed in range(given.seeds)]
    with ProcessPoolExecutor(given.processes) as pool:
        for done in pool.map(run, [job for job in jobs if there.get(job[:3], 0) < given.trials]):
            keep(given.runs, done)
            print(f"{done.request} {done.way} {done.seed}: {least_energy(done.front):.1f} J", flush=True)
    runs = kept(given.runs)
    for name in names:
        best = search_fronts.load(name)
        for done in runs:
            if done.request == name:
                best = best.merged(asked(name, done.seed), f"{done.way}/{done.seed}", done.trials, done.front)
        search_fronts.save(name, best)
        print("\n".join(table(name, runs, best)), flush=True)


if __name__ == "__main__":
    main()
