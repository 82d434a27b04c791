"""Ways of choosing the coils of a search: ours, and what else there is, on the same space.

All of them share the voltage solver with its first guesses and are told objectives and violations alike, so they
differ in the choice alone. Each yields its trials one after the other, as soon as they are finished.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import inf, prod

import numpy as np
import optuna
from optuna.distributions import BaseDistribution

from physics import shot_figures
from worker.front import pareto_front
from worker.island import search, trials
from worker.knowledge import Knowledge
from worker.plan import ISLAND_TRIALS, ROUND_ISLANDS
from worker.records import Candidate, SlotName
from worker.request import DesignRequest
from worker.space import Floats, Space
from worker.trial import run_trial

Way = Callable[[DesignRequest, int], Iterator[Candidate]]


def ours(request: DesignRequest, count: int) -> Iterator[Candidate]:
    """Islands one after the other, and round after round, as the workers run them; without settling."""
    archive: list[Candidate] = []
    found: list[Candidate] = []
    for number in range(-(-count // ISLAND_TRIALS)):
        place, island = divmod(number, ROUND_ISLANDS)
        if island == 0:
            archive = pareto_front(found)
        numbers = range(number * ISLAND_TRIALS, min((number + 1) * ISLAND_TRIALS, count))
        slot = SlotName(job_id="benchmark", round=place, island=island)
        for candidate in search(request, slot, numbers, archive, {}, shot_figures):
            found.append(candidate)
            yield candidate


def _one_study(request: DesignRequest, count: int, sampler: optuna.samplers.BaseSampler) -> Iterator[Candidate]:
    knowledge = Knowledge(request, Space(request))
    yield from trials(knowledge, sampler, range(count), {}, shot_figures)


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
    """CMA-ES with margin, which knows one objective: the stored energy; a miss costs the limit and its violation.

    Whole numbers (turns, layers, the wire's and wall's places in the stock) are rounded, and the margin keeps it from
    settling on one of them too early.
    """
    knowledge = Knowledge(request, Space(request))
    study = optuna.create_study(sampler=optuna.samplers.CmaEsSampler(seed=request.seed, with_margin=True))
    for number in range(count):
        trial = study.ask(knowledge.space.distributions)
        parameters = knowledge.space.parameters(trial.params)
        candidate = run_trial(request, number, parameters, "screen", shot_figures, *knowledge.guess(parameters))
        knowledge.add(candidate)
        found = candidate.objectives if candidate.feasible else None
        missed = request.limits.stored_energy_j * (1.0 + candidate.violation_ratio)
        study.tell(trial, found.stored_energy_j if found else missed)
        yield candidate


class _Points(optuna.samplers.RandomSampler):
    """Given places of the space, one after the other."""

    def __init__(self, space: Space, places: Floats) -> None:
        super().__init__()
        self._space = space
        self._places = places

    def infer_relative_search_space(
        self, study: optuna.Study, trial: optuna.trial.FrozenTrial
    ) -> dict[str, BaseDistribution]:
        del study, trial
        return self._space.distributions

    def sample_relative(
        self, study: optuna.Study, trial: optuna.trial.FrozenTrial, search_space: dict[str, BaseDistribution]
    ) -> dict[str, int | float]:
        del study, search_space
        return self._space.values_at(self._places[trial.number][None, :])[0]


def grid(request: DesignRequest, count: int) -> Iterator[Candidate]:
    """The finest grid of at most `count` points with equal steps on every axis, in a random order; then it ends."""
    space = Space(request)
    places = grid_places(space, count)
    places = np.random.default_rng(request.seed).permutation(places)
    return _one_study(request, len(places), _Points(space, places))


def grid_places(space: Space, count: int) -> Floats:
    """Middles of equal shares of every axis, as many as fit into `count`; of a whole number its values at most."""
    most = [v.high - v.low + 1.0 if v.whole else inf for v in space.variables]

    def levels(wanted: int) -> list[int]:
        return [int(min(wanted, values)) for values in most]

    wanted = max(n for n in range(1, count + 1) if prod(levels(n)) <= count)
    axes = [(np.arange(n) + 0.5) / n for n in levels(wanted)]
    return np.stack([axis.ravel() for axis in np.meshgrid(*axes, indexing="ij")], axis=1)


WAYS: dict[str, Way] = {"ours": ours, "random": at_random, "tpe": tpe, "nsga2": nsga2, "cmaes": cmaes, "grid": grid}
