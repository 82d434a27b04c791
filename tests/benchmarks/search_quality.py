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
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import optuna
from pydantic import BaseModel

from physics.software import MODEL_VERSION
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


Nearness = Callable[[Run, BestFront], Near]


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


def details(name: str, runs: Sequence[Run], best: BestFront) -> list[str]:
    """What the runs of a request came to in the end, and what they cost: a line a way, medians over the seeds."""
    known = f"{best.least_energy_j:.1f} J and {best.dominated_ratio:.4f} of the box are known"
    lines = [f"\n{name}: {known}, from {sum(best.runs.values())} trials, {len(best.candidates)} points kept"]
    lines.append(
        f"{'':<8}{'runs':>6}{'trials':>8}{'energy':>9}{'share':>8}{'shots a trial':>15}{'ms a trial':>12}{'s':>8}"
    )
    for way in WAYS:
        of_way = [done for done in runs if done.way == way]
        if of_way:
            trials, seconds = sum(done.trials for done in of_way), sum(done.seconds for done in of_way)
            excess = median(least_energy(done.front) / best.least_energy_j - 1.0 for done in of_way)
            reached = median(share(done, done.steps) / best.dominated_ratio for done in of_way)
            shots = sum(done.shots for done in of_way) / trials
            lines.append(
                f"{way:<8}{len(of_way):>6}{trials:>8}{excess:>+9.1%}{reached:>8.3f}"
                f"{shots:>15.2f}{1e3 * seconds / trials:>12.1f}{seconds:>8.0f}"
            )
    return lines


def summary(title: str, runs: Sequence[Run], bests: Mapping[str, BestFront], near: Nearness) -> list[str]:
    """A table of all requests: median and worst trials and median seconds until the runs came near."""
    ways = [way for way in WAYS if any(done.way == way for done in runs)]
    lines = [
        f"\nTrials to come within {title}: median (worst), median seconds\n",
        "| request | " + " | ".join(ways) + " |",
        "|---" * (len(ways) + 1) + "|",
    ]
    for name, best in bests.items():
        cells = []
        for way in ways:
            of_way = [done for done in runs if (done.request, done.way) == (name, way)]
            cells.append(_cell(of_way, [near(done, best) for done in of_way]) if of_way else "")
        lines.append("| " + " | ".join([name.replace("_", "-"), *cells]) + " |")
    return lines


def _cell(runs: Sequence[Run], nears: Sequence[Near]) -> str:
    """A run that did not come near in its trials counts as endless."""
    trials, worst = median(near.trials for near in nears), max(near.trials for near in nears)
    without = [done.trials for done, near in zip(runs, nears, strict=True) if math.isinf(near.trials)]
    if math.isinf(trials):
        return f"> {min(without)}"
    seconds = median(near.seconds for near in nears)
    return f"{trials:.0f} ({f'> {min(without)}' if without else f'{worst:.0f}'}), {seconds:.1f} s"


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
    runs, bests = kept(given.runs), dict[str, BestFront]()
    for name in names:
        of_request = [done for done in runs if done.request == name]
        found = [candidate for done in of_request for candidate in done.front]
        trials = {f"{done.way}/{done.seed}": done.trials for done in of_request}
        bests[name] = search_fronts.load(name).merged(asked(name, 0), trials, found)
        search_fronts.save(name, bests[name])
        print("\n".join(details(name, of_request, bests[name])), flush=True)
    for title, near in (("2 % of the least energy", near_energy), ("5 % of the dominated share", near_share)):
        print("\n".join(summary(title, runs, bests, near)), flush=True)


if __name__ == "__main__":
    main()
