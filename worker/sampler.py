"""Which coil an island tries next.

The first trials are the points of a scrambled Sobol' sequence. From then on the trials so far are fitted by a
landscape (:mod:`worker.landscape`), and the next few come from a pool of coils whose voltage it predicts. A third of
them ask for the least energy; each of the others takes the coil that would newly dominate most of the box below the
limits of energy and voltage and above a margin of 0, with what is not sure taken as a little better than expected (the
idea of W. Ponweiser and others, model-assisted S-metric selection, PPSN X, 2008, from memory; the volume is counted by
random spots of the box). Where no coil would, random weights of energy, voltage and margin choose by the largest
weighted shortfall (J. Knowles, ParEGO, IEEE Transactions on Evolutionary Computation 10, 2006, equation 2). The pool is
made in two steps: coils anywhere and close to the best known ones, then coils close to what each choice would take of
those. Coils near trials that had no voltage at all are put back by how near they lie, and no coil is tried twice.
Measured against other samplers in `tests/benchmarks/search_quality.py`; the figures are in DEVELOPERS.md.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import optuna
from optuna.distributions import BaseDistribution

from worker.front import pareto_front
from worker.knowledge import Knowledge, outcome_of
from worker.landscape import Floats, Landscape
from worker.records import Candidate

Flags = npt.NDArray[np.bool_]

#: Coils of a pool: so many anywhere, so many close to the best, and so many close to each choice from those.
POOL_WIDE = 64
POOL_CLOSE = 128
POOL_AHEAD = 32
#: Of those close to the best, the share that proposals for energy alone have lies close to so many of least energy.
LEAST_ENERGIES = 3
#: Widths of the steps away from a coil, in parts of the range; a whole number moves by so much of one at least, which
#: changes it every other time. The best wire or number of turns was missed where it was a step too far.
STEPS = (0.02, 0.08, 0.25)
WHOLE_STEP = 0.7
#: Share of the quantities that a step moves.
MOVED = 0.6
#: Every so many proposals one asks for the least energy alone, which is what a recommendation starts from.
ENERGY_EVERY = 3
#: Standard deviations by which what is not sure is taken as better than expected.
HOPE = 1.0
#: Spots of the box by which the share is counted that a coil would newly dominate; 500 to 2,000 do equally well.
SPOTS = 500
#: Share of the sum in the weighing, which tells apart what the largest shortfall does not.
SUM_SHARE = 0.05
#: Weight of a predicted violation of the limits, and of the nearness of trials without a voltage. The best coils may
#: lie close to failing ones: with 10 for these, too, the search missed them; with 1 it went on among the failing.
VIOLATION_WEIGHT, FAILED_WEIGHT = 10.0, 4.0
#: Trials without a voltage are felt this far, in parts of the range.
REACH = 0.15


class IslandSampler(optuna.samplers.BaseSampler):
    """Proposes the trials of one island. `knowledge` is the island's, which adds each finished trial to it."""

    def __init__(self, knowledge: Knowledge, seed: int, start: Floats) -> None:
        """`start` are the places of the first trials, shape (trials, variables)."""
        self._knowledge = knowledge
        self._request = knowledge.request
        self._space = knowledge.space
        self._rng = np.random.default_rng(seed)
        self._start = start
        self._shares = np.array([1.0 / (v.high - v.low + 1.0) if v.whole else 0.0 for v in self._space.variables])
        self._waiting: list[Floats] = []
        self._tried = {self._space.numbers_of(c.parameters).tobytes() for c in knowledge.trials}
        self._asked = 0
        self._proposed = 0

    # ---- what a study asks of a sampler ----------------------------------------------------------------------------

    def infer_relative_search_space(
        self, study: optuna.Study, trial: optuna.trial.FrozenTrial
    ) -> dict[str, BaseDistribution]:
        """All free quantities are chosen together."""
        del study, trial
        return self._space.distributions

    def sample_relative(
        self, study: optuna.Study, trial: optuna.trial.FrozenTrial, search_space: dict[str, BaseDistribution]
    ) -> dict[str, Any]:
        """Values of the next trial."""
        del study, trial, search_space
        return self._space.values_at(self._next_place()[None, :])[0]

    def sample_independent(
        self,
        study: optuna.Study,
        trial: optuna.trial.FrozenTrial,
        param_name: str,
        param_distribution: BaseDistribution,
    ) -> Any:
        """Never needed: nothing is left to be chosen by itself."""
        raise NotImplementedError(f"{param_name} is chosen with the others")

    # ---- the choice ------------------------------------------------------------------------------------------------

    def _next_place(self) -> Floats:
        self._asked += 1
        if self._asked <= len(self._start):
            place: Floats = self._start[self._asked - 1]
        else:
            self._waiting = self._waiting or self._propose()
            place = self._waiting.pop(0)
        self._tried.add(self._space.numbers_at(place[None, :])[0].tobytes())
        return place

    def _propose(self) -> list[Floats]:
        count = len(self._space.variables)
        landscape = self._knowledge.landscape()
        if landscape is None or count == 0:
            return list(self._rng.random((self._knowledge.refit_every, count)))
        weights = np.array([self._weights() for _ in range(self._knowledge.refit_every)])
        best = self._best()
        pool = self._pool(best)
        costs, penalty = self._costs(landscape, pool), self._penalty(pool)
        box, spots = self._box(best, costs), self._spots(best, costs)
        first = np.argmin(self._worth(costs, penalty, box, spots, weights), axis=1)
        close = self._steps(np.repeat(pool[first], POOL_AHEAD, axis=0))
        costs = np.concatenate([costs, self._costs(landscape, close)])
        penalty = np.concatenate([penalty, self._penalty(close)])
        return self._choose(np.concatenate([pool, close]), self._worth(costs, penalty, box, spots, weights))

    def _choose(self, pool: Floats, worth: Floats) -> list[Floats]:
        """For each row of worth the best of the pool that no row before has taken."""
        numbers = self._space.numbers_at(pool)
        chosen: list[Floats] = []
        for row in worth:
            best = int(np.argmin(row))
            chosen.append(pool[best])
            worth[:, (numbers == numbers[best]).all(axis=1)] = np.inf
        return chosen

    def _pool(self, best: Sequence[Candidate]) -> Floats:
        """Places anywhere and close to the best, shape (pool, variables)."""
        wide = self._rng.random((POOL_WIDE, len(self._space.variables)))
        middles = np.array([self._knowledge.places[c.number] for c in best])
        among = np.full(POOL_CLOSE, len(middles))
        among[: POOL_CLOSE // ENERGY_EVERY] = min(LEAST_ENERGIES, len(middles))
        return np.concatenate([wide, self._steps(middles[self._rng.integers(among)])])

    def _steps(self, middles: Floats) -> Floats:
        """Places close to others, one for each: a step moves some quantities and leaves the others."""
        widths = np.maximum(self._rng.choice(STEPS, size=(len(middles), 1)), WHOLE_STEP * self._shares)
        moved = self._rng.random(middles.shape) < MOVED
        places: Floats = np.clip(middles + widths * self._rng.standard_normal(middles.shape) * moved, 0.0, 1.0)
        return places

    def _best(self) -> list[Candidate]:
        """The front of what is known, least energy first, or the few that come closest to being feasible."""
        front = pareto_front(self._knowledge.trials)
        return front or sorted(self._knowledge.trials, key=lambda c: (c.violation_ratio, c.number))[:3]

    def _weights(self) -> Floats:
        self._proposed += 1
        if self._proposed % ENERGY_EVERY == 0:
            return np.array([1.0, 0.0, 0.0])
        return self._rng.dirichlet(np.ones(3))

    def _costs(self, landscape: Landscape, pool: Floats) -> Floats:
        """Expected logarithms of energy and voltage and use of the limits, and their violation; shape (pool, 4)."""
        figures = self._space.figures_at(pool)
        outcomes, unsure = landscape.predict(figures)
        volts = outcomes[:, 0] - HOPE * unsure
        farad = np.exp(figures[:, -1])
        energy = np.log(0.5 * farad) + 2.0 * volts
        limits = self._request.limits
        by_volts = np.exp(volts) / limits.charge_voltage_v
        by_energy = np.exp(energy) / limits.stored_energy_j
        use = np.maximum(np.maximum(by_volts, by_energy), np.exp(outcomes[:, 1] - HOPE * unsure))
        return np.stack([energy, volts, use, np.maximum(use - 1.0, 0.0)], axis=1)

    def _box(self, best: Sequence[Candidate], costs: Floats) -> tuple[Floats, Floats]:
        """Ends of the front, between which costs are measured; with less than two points those of the pool."""
        rows = [c for c in best if c.feasible and c.objectives]
        ends = np.array([_costs_of(c) for c in rows]) if len(rows) > 1 else costs[:, :3]
        low, high = ends.min(axis=0), ends.max(axis=0)
        return low, np.maximum(high, low + 1e-3)

    def _spots(self, best: Sequence[Candidate], costs: Floats) -> Floats:
        """Spots of the box below the limits that no known trial dominates, shape (spots, 3), in parts of the limits.

        They lie above the lowest that is known or predicted within the limits: below it there is nothing to be had.
        """
        costs_known = np.array([_costs_of(c) for c in best if c.feasible]).reshape(-1, 3)
        known, within = self._in_limits(costs_known), self._in_limits(costs[costs[:, 3] == 0.0])
        low = np.concatenate([known, within, np.ones((1, 3))]).min(axis=0)
        spots: Floats = low + (1.0 - low) * self._rng.random((SPOTS, 3))
        return spots[~_dominates(known, spots).any(axis=0)]

    def _in_limits(self, costs: Floats) -> Floats:
        """Energy and voltage in parts of their limits, and the use of all limits, shape (pool, 3)."""
        limits = self._request.limits
        energy, volts = np.exp(costs[:, 0]) / limits.stored_energy_j, np.exp(costs[:, 1]) / limits.charge_voltage_v
        return np.stack([energy, volts, costs[:, 2]], axis=1)

    def _worth(
        self, costs: Floats, penalty: Floats, box: tuple[Floats, Floats], spots: Floats, weights: Floats
    ) -> Floats:
        """What a pool is worth to each of the proposals, smaller is better; shape (weights, pool).

        Each proposal that does not ask for energy alone counts only what those before it leave.
        """
        low, high = box
        shortfalls = weights[:, None, :] * (costs[:, :3] - low) / (high - low)
        shared = VIOLATION_WEIGHT * costs[:, 3] + penalty
        worth: Floats = shortfalls.max(axis=2) + SUM_SHARE * shortfalls.sum(axis=2) + shared
        takes, trust = _dominates(self._in_limits(costs), spots), np.exp(-penalty)
        for row in np.flatnonzero(weights[:, 0] < 1.0):
            gains = takes.sum(axis=1) * trust
            if not gains.any():
                break
            worth[row] = np.where(gains > 0.0, worth[row].min() - gains, worth[row])
            takes[:, takes[np.argmax(gains)]] = False
        return worth

    def _penalty(self, pool: Floats) -> Floats:
        """Grows near trials that had no voltage, shrinks near solved ones, endless for tried coils; shape (pool,)."""
        penalty = np.zeros(len(pool))
        places = np.array([self._knowledge.places[c.number] for c in self._knowledge.trials])
        failed = np.array([outcome_of(self._request, c) is None for c in self._knowledge.trials])
        if failed.any():
            squares = ((pool[:, None, :] - places[None, :, :]) ** 2).sum(axis=2)
            nearness = np.exp(-0.5 * squares / (REACH**2 * len(self._space.variables)))
            penalty += FAILED_WEIGHT * nearness[:, failed].sum(axis=1) / (nearness.sum(axis=1) + 1e-3)
        penalty[[row.tobytes() in self._tried for row in self._space.numbers_at(pool)]] = np.inf
        return penalty


def _dominates(points: Floats, spots: Floats) -> Flags:
    """Which points lie below which spots in all three, shape (points, spots)."""
    below = points[:, 0, None] <= spots[:, 0]
    below &= points[:, 1, None] <= spots[:, 1]
    below &= points[:, 2, None] <= spots[:, 2]
    return below


def _costs_of(candidate: Candidate) -> tuple[float, float, float]:
    found = candidate.objectives
    assert found is not None, "a feasible trial has objectives"
    return math.log(found.stored_energy_j), math.log(found.charge_voltage_v), 1.0 - found.margin_ratio
