"""One island: a fresh, short study over the search space; each trial solves its voltage.

An island depends on the request, its seed, its place and the archive it starts from, and on nothing else. Trials that
an earlier attempt has finished are taken from the record instead of being run again. In round 0 every island spreads
over the whole space; in a later round most go on from the archive, and every fourth starts afresh, so that a front that
sits in the wrong corner is found out.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence

import optuna

from worker.front import evenly, pareto_front
from worker.knowledge import Knowledge
from worker.records import Candidate, SlotName
from worker.request import DesignRequest
from worker.sampler import IslandSampler
from worker.space import Space
from worker.trial import Simulate, run_trial

#: Quasi-random trials at the start: so many, and so many more for each free quantity; half of a short island at most.
START_TRIALS = 4
START_TRIALS_EACH = 2
#: The same for an island that goes on from an archive.
ARCHIVE_START_TRIALS = 4
#: In a later round every so many islands one starts afresh.
FRESH_EVERY = 4
#: Candidates of an island that are settled at design fidelity.
SETTLED_LIMIT = 6
#: Stands in for the objectives of a trial that has none; larger than any that has.
WORST = 1e12

optuna.logging.set_verbosity(optuna.logging.WARNING)


def search(
    request: DesignRequest,
    slot: SlotName,
    numbers: Sequence[int],
    archive: Sequence[Candidate],
    recorded: Mapping[int, Candidate],
    simulate: Simulate,
) -> Iterator[Candidate]:
    """Run the island's trials at `screen`, one after the other, each as soon as it is finished.

    `numbers` are the trials' numbers; the plan of the design gives them, as its budget may be raised or be a time.
    `archive` is the front that the design had when the round began.
    """
    seed = island_seed(request.seed, slot)
    space = Space(request)
    known = [] if starts_afresh(slot) else archive
    knowledge = Knowledge(request, space, known)
    count = ARCHIVE_START_TRIALS if known else START_TRIALS + START_TRIALS_EACH * len(space.variables)
    start = space.spread(seed, min(count, max(1, len(numbers) // 2)))
    yield from trials(knowledge, IslandSampler(knowledge, seed, start), numbers, recorded, simulate)


def trials(
    knowledge: Knowledge,
    sampler: optuna.samplers.BaseSampler,
    numbers: Sequence[int],
    recorded: Mapping[int, Candidate],
    simulate: Simulate,
) -> Iterator[Candidate]:
    """Trials of a fresh study with a sampler; each is added to `knowledge`, which gives it its first voltage."""
    space, request = knowledge.space, knowledge.request
    study = optuna.create_study(directions=["minimize"] * 3, sampler=sampler)
    for number in numbers:
        trial = study.ask(space.distributions)
        parameters = space.parameters(trial.params)
        candidate = recorded.get(number) or run_trial(
            request, number, parameters, "screen", simulate, *knowledge.guess(parameters)
        )
        _tell(study, trial, candidate)
        knowledge.add(candidate)
        yield candidate


def starts_afresh(slot: SlotName) -> bool:
    """Whether an island takes no notice of the archive."""
    return slot.round == 0 or (slot.island or 0) % FRESH_EVERY == FRESH_EVERY - 1


def settle(request: DesignRequest, candidates: Sequence[Candidate], simulate: Simulate) -> Iterator[Candidate]:
    """Solve the best few again at `design`, starting from the voltage found at `screen`."""
    for candidate in worth_settling(candidates):
        settled = run_trial(
            request,
            candidate.number,
            candidate.parameters,
            "design",
            simulate,
            candidate.charge_voltage_v,
            candidate.shrink_slope_ratio,
        )
        yield settled.model_copy(update={"shots_count": settled.shots_count + candidate.shots_count})


def worth_settling(candidates: Sequence[Candidate]) -> list[Candidate]:
    """A few of the front, spread evenly from least energy to least voltage."""
    return evenly(pareto_front(candidates), SETTLED_LIMIT)


def island_seed(seed: int, slot: SlotName) -> int:
    """A seed of its own for each island, the same on every machine."""
    digest = hashlib.sha256(f"{seed}/{slot.key}".encode()).digest()
    return int.from_bytes(digest[:4], "big")


def _tell(study: optuna.Study, trial: optuna.Trial, candidate: Candidate) -> None:
    trial.set_constraint("violation", candidate.violation_ratio)
    found = candidate.objectives
    values = [WORST] * 3 if found is None else [found.stored_energy_j, found.charge_voltage_v, -found.margin_ratio]
    study.tell(trial, values)
