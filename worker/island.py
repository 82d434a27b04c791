"""One island: a fresh, short study over turns, wire, gap and capacitance; each trial solves its voltage.

Why this sampler: a trial costs 0.1 to 0.3 s of model time, so a tree-structured Parzen estimator, which takes 5 to 10
ms a trial up to about 200 trials, is cheap here, and it learns from 60 trials. Measured on the demo design with the
real model, one island of 60 trials, mean over three seeds, dominated share of the box below the limits: this sampler
0.214, the same without joint densities 0.210, a genetic one with a population of 20 0.180, Sobol' points alone 0.189;
after 12 instead of 20 quasi-random trials 0.211. Infeasible trials guide it by how far off they are. The first third
is quasi-random, so that every island has seen the whole space once. The wire is searched as its place in the stock
sorted by diameter, because neighbours in that order behave alike, which a bare category would hide.

An island depends on the request, its seed, its place and the archive it starts from, and on nothing else. Trials that
an earlier attempt has finished are taken from the record instead of being run again.
"""

from __future__ import annotations

import hashlib
import math
import warnings
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import optuna
from scipy.stats import qmc

from physics.wires import Wire, wire
from worker.front import pareto_front
from worker.plan import numbers_of
from worker.records import Candidate, Parameters, SlotName
from worker.request import DesignRequest
from worker.trial import Simulate, run_trial

#: Share of an island's trials that are quasi-random, and how many at most.
START_RATIO = 1 / 3
START_LIMIT = 24
#: Candidates of the archive that an island of a later round begins with.
ARCHIVE_LIMIT = 8
#: Candidates of an island that are settled at design fidelity.
SETTLED_LIMIT = 6
#: Earlier trials that the first guess of a voltage is made from.
NEIGHBOURS = 3
#: Stands in for the objectives of a trial that has none; larger than any that has.
WORST = 1e12

optuna.logging.set_verbosity(optuna.logging.WARNING)


def search(
    request: DesignRequest,
    slot: SlotName,
    archive: Sequence[Parameters],
    recorded: Mapping[int, Candidate],
    simulate: Simulate,
) -> Iterator[Candidate]:
    """Run the island's trials at `screen`, one after the other, each as soon as it is finished."""
    numbers = numbers_of(request.budget_trials_count, slot)
    seed = island_seed(request.seed, slot)
    space = _Space(request)
    study = _study(space, seed, len(numbers), archive)
    finished: list[Candidate] = []
    for number in numbers:
        trial = study.ask(space.distributions)
        parameters = space.parameters(trial.params)
        candidate = recorded.get(number) or run_trial(
            request, number, parameters, "screen", simulate, _guess_voltage(finished, parameters)
        )
        _tell(study, trial, candidate)
        finished.append(candidate)
        yield candidate


def settle(request: DesignRequest, candidates: Sequence[Candidate], simulate: Simulate) -> Iterator[Candidate]:
    """Solve the best few again at `design`, starting from the voltage found at `screen`."""
    for candidate in worth_settling(candidates):
        settled = run_trial(
            request, candidate.number, candidate.parameters, "design", simulate, candidate.charge_voltage_v
        )
        yield settled.model_copy(update={"shots_count": settled.shots_count + candidate.shots_count})


def worth_settling(candidates: Sequence[Candidate]) -> list[Candidate]:
    """A few of the front, spread evenly from least energy to least voltage."""
    front = pareto_front(candidates)
    if len(front) <= SETTLED_LIMIT:
        return front
    step = (len(front) - 1) / (SETTLED_LIMIT - 1)
    return [front[round(place * step)] for place in range(SETTLED_LIMIT)]


def island_seed(seed: int, slot: SlotName) -> int:
    """A seed of its own for each island, the same on every machine."""
    digest = hashlib.sha256(f"{seed}/{slot.key}".encode()).digest()
    return int.from_bytes(digest[:4], "big")


class _Space:
    """What may be varied, as the study sees it."""

    def __init__(self, request: DesignRequest) -> None:
        space = request.search
        self.wires: list[Wire] = sorted(map(wire, set(space.wires)), key=lambda found: (found.diameter_m, found.name))
        self.distributions: dict[str, optuna.distributions.BaseDistribution] = {
            "turns_count": optuna.distributions.IntDistribution(space.turns.low_count, space.turns.high_count),
            "wire": optuna.distributions.IntDistribution(0, len(self.wires) - 1),
            "gap_m": optuna.distributions.FloatDistribution(space.gap.low_m, space.gap.high_m),
            "capacitance_farad": optuna.distributions.FloatDistribution(
                space.capacitance.low_farad, space.capacitance.high_farad, log=True
            ),
        }

    def parameters(self, values: Mapping[str, Any]) -> Parameters:
        chosen = self.wires[values["wire"]]
        return Parameters(
            turns_count=int(values["turns_count"]),
            wire=chosen.name,
            wire_diameter_m=chosen.diameter_m,
            pitch_m=chosen.pitch_m,
            enamel_thickness_m=0.5 * chosen.enamel_increase_m,
            enamel_pair_breakdown_v=chosen.pair_breakdown_v,
            gap_m=float(values["gap_m"]),
            capacitance_farad=float(values["capacitance_farad"]),
        )

    def values(self, parameters: Parameters) -> dict[str, Any]:
        """The other way round, for trials that are given."""
        return {
            "turns_count": parameters.turns_count,
            "wire": [found.name for found in self.wires].index(parameters.wire),
            "gap_m": parameters.gap_m,
            "capacitance_farad": parameters.capacitance_farad,
        }

    def spread(self, seed: int, count: int) -> list[dict[str, Any]]:
        """`count` points of a scrambled Sobol' sequence over the space."""
        with warnings.catch_warnings():
            warnings.simplefilter(
                "ignore", UserWarning
            )  # a count that is no power of two is less even, and good enough
            cube = qmc.Sobol(len(self.distributions), seed=seed).random(count)
        names = list(self.distributions)
        return [{name: _at(self.distributions[name], x) for name, x in zip(names, row, strict=True)} for row in cube]


def _at(distribution: optuna.distributions.BaseDistribution, x: float) -> int | float:
    """The value at fraction `x` (0 to 1) of a range."""
    if isinstance(distribution, optuna.distributions.IntDistribution):
        choices = distribution.high - distribution.low + 1
        return distribution.low + min(int(x * choices), choices - 1)
    assert isinstance(distribution, optuna.distributions.FloatDistribution)
    low, high = distribution.low, distribution.high
    value = low * (high / low) ** x if distribution.log else low + x * (high - low)
    return min(max(float(value), low), high)


def _study(space: _Space, seed: int, trials: int, archive: Sequence[Parameters]) -> optuna.Study:
    start = min(START_LIMIT, max(1, round(trials * START_RATIO)))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", optuna.exceptions.ExperimentalWarning)
        sampler = optuna.samplers.TPESampler(seed=seed, n_startup_trials=start, multivariate=True)
    study = optuna.create_study(directions=["minimize"] * 3, sampler=sampler)
    for parameters in archive[:ARCHIVE_LIMIT]:
        study.enqueue_trial(space.values(parameters))
    for values in space.spread(seed, start):
        study.enqueue_trial(values)
    return study


def _tell(study: optuna.Study, trial: optuna.Trial, candidate: Candidate) -> None:
    trial.set_constraint("violation", candidate.violation_ratio)
    found = candidate.objectives
    values = [WORST] * 3 if found is None else [found.stored_energy_j, found.charge_voltage_v, -found.margin_ratio]
    study.tell(trial, values)


def _guess_voltage(finished: Sequence[Candidate], parameters: Parameters) -> float | None:
    """Coils alike need about the same stored energy: the mean over the nearest trials solved so far."""
    solved = [(_distance(c.parameters, parameters), c.objectives) for c in finished if c.feasible and c.objectives]
    nearest = sorted(solved, key=lambda pair: pair[0])[:NEIGHBOURS]
    if not nearest:
        return None
    weights = [1.0 / (distance + 0.02) for distance, _ in nearest]
    logs = [weight * math.log(found.stored_energy_j) for weight, (_, found) in zip(weights, nearest, strict=True)]
    return math.sqrt(2.0 * math.exp(sum(logs) / sum(weights)) / parameters.capacitance_farad)


def _distance(one: Parameters, other: Parameters) -> float:
    """How unlike two coils are: sum of squared relative differences."""
    pairs = (
        (one.turns_count, other.turns_count),
        (one.wire_diameter_m, other.wire_diameter_m),
        (one.gap_m, other.gap_m),
        (one.capacitance_farad, other.capacitance_farad),
    )
    return sum(math.log(a / b) ** 2 for a, b in pairs)
