"""How a budget is cut into rounds and islands: by the budgets alone, never by who works on it.

A plan is a list of stages. The first is what the design was asked for; each time the design is continued, another one
takes up after the last round that was run, and the rounds before keep their islands and numbers. A front of more than a
few points is confirmed in a round of its own, so that all workers take part; it is a stage without trials.
"""

from __future__ import annotations

from collections.abc import Sequence

from worker.records import Confirming, SlotName, Stage

#: Trials of one island. Short, so that a killed worker costs seconds; a two-core bench does one in 5 to 10 s.
ISLAND_TRIALS = 60
#: Islands of a full round; the next round starts from the front found so far.
ROUND_ISLANDS = 8
ROUND_TRIALS = ISLAND_TRIALS * ROUND_ISLANDS

Plan = Sequence[Stage]


def first_plan(trials: int | None) -> list[Stage]:
    """The plan of a new design: so many trials, or full rounds as long as the time allows (None)."""
    return [Stage(first_round=0, first_number=0, trials_count=trials)]


def longer_plan(plan: Plan, last_round: int, trials: int | None) -> list[Stage]:
    """The plan of a design that ended with `last_round`, raised to `trials` in all, or to a later time (None)."""
    done = trials_through(plan, last_round)
    more = None if trials is None else trials - done
    return [*plan, Stage(first_round=last_round + 1, first_number=done, trials_count=more)]


def confirming_plan(plan: Plan, last_round: int, confirming: Confirming) -> list[Stage]:
    """The plan with a round after `last_round` that confirms the front."""
    done = trials_through(plan, last_round)
    return [*plan, Stage(first_round=last_round + 1, first_number=done, trials_count=0, confirming=confirming)]


def confirming_in(plan: Plan, round_number: int) -> Confirming | None:
    """What a round confirms; None for a round of trials."""
    return _stage_of(plan, round_number).confirming


def trials_through(plan: Plan, last_round: int) -> int:
    """Trials of all rounds up to and including `last_round`."""
    return numbers_of(plan, SlotName(job_id="", round=last_round, island=None)).stop


def trials_in(plan: Plan) -> int | None:
    """Trials that the plan is for in all; None when time decides."""
    stage = _last_of_trials(plan)
    return None if stage.trials_count is None else stage.first_number + stage.trials_count


def rounds_in(plan: Plan) -> int | None:
    """Rounds of trials that the plan is for, up to its last one; None when time decides."""
    stage = _last_of_trials(plan)
    return None if stage.trials_count is None else stage.first_round - (-stage.trials_count // ROUND_TRIALS)


def islands_of(plan: Plan, round_number: int) -> list[int]:
    """Trials of each island of a round. Islands of a round differ by one trial at most, and add up to its share."""
    stage = _stage_of(plan, round_number)
    if stage.confirming is not None:
        return [0] * len(stage.confirming.numbers)
    share = ROUND_TRIALS
    if stage.trials_count is not None:
        share = min(share, stage.trials_count - (round_number - stage.first_round) * ROUND_TRIALS)
    islands = -(-share // ISLAND_TRIALS)
    return [share // islands + (1 if island < share % islands else 0) for island in range(islands)]


def numbers_of(plan: Plan, slot: SlotName) -> range:
    """Candidate numbers that belong to a slot: an island's own trials, or for a closing the whole round's."""
    islands = islands_of(plan, slot.round)
    stage = _stage_of(plan, slot.round)
    first = stage.first_number + (slot.round - stage.first_round) * ROUND_TRIALS
    if slot.island is None:
        return range(first, first + sum(islands))
    first += sum(islands[: slot.island])
    return range(first, first + islands[slot.island])


def _last_of_trials(plan: Plan) -> Stage:
    return next(stage for stage in reversed(plan) if stage.confirming is None)


def _stage_of(plan: Plan, round_number: int) -> Stage:
    return next(stage for stage in reversed(plan) if stage.first_round <= round_number)
