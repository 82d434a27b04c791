"""How budgets are cut into rounds and islands."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from worker.plan import (
    ISLAND_TRIALS,
    ROUND_TRIALS,
    Plan,
    confirming_in,
    confirming_plan,
    first_plan,
    islands_of,
    longer_plan,
    numbers_of,
    rounds_in,
    trials_in,
    trials_through,
)
from worker.records import Confirming, SlotName

budgets = st.integers(min_value=1, max_value=20_000)
raises = st.lists(st.integers(min_value=1, max_value=5_000), min_size=1, max_size=3)


def rounds(plan: Plan) -> range:
    count = rounds_in(plan)
    assert count is not None
    return range(count)


def closing(number: int) -> SlotName:
    return SlotName(job_id="d", round=number, island=None)


def numbers_island_by_island(plan: Plan, number: int) -> list[int]:
    islands = [SlotName(job_id="d", round=number, island=island) for island in range(len(islands_of(plan, number)))]
    return [trial for slot in islands for trial in numbers_of(plan, slot)]


def raised(budget: int, more: list[int]) -> Plan:
    """A plan that ran to its end and was continued, again and again."""
    plan: Plan = first_plan(budget)
    for step in more:
        budget += step
        plan = longer_plan(plan, rounds(plan)[-1], budget)
    return plan


@given(budgets, raises)
def test_numbers_of_islands_cover_the_budget_once(budget: int, more: list[int]) -> None:
    """Each candidate number belongs to exactly one island, also after raising; closings span their rounds."""
    plan = raised(budget, more)
    numbers: list[int] = []
    for r in rounds(plan):
        assert numbers_island_by_island(plan, r) == list(numbers_of(plan, closing(r)))
        numbers += numbers_of(plan, closing(r))
    assert numbers == list(range(budget + sum(more)))
    assert trials_in(plan) == budget + sum(more)


@given(budgets)
def test_islands_are_short_and_even(budget: int) -> None:
    """No island is longer than the standard, and those of a round differ by at most one trial."""
    plan = first_plan(budget)
    for r in rounds(plan):
        islands = islands_of(plan, r)
        assert max(islands) <= ISLAND_TRIALS
        assert max(islands) - min(islands) <= 1
        assert min(islands) >= 1


@given(budgets, raises)
def test_raising_the_budget_leaves_earlier_rounds_alone(budget: int, more: list[int]) -> None:
    """The rounds that were run keep their islands and numbers, the last, short one included."""
    before, after = first_plan(budget), raised(budget, more)
    for r in rounds(before):
        assert islands_of(before, r) == islands_of(after, r)
        assert numbers_of(before, closing(r)) == numbers_of(after, closing(r))


def test_confirming_is_a_round_without_trials() -> None:
    """The round that confirms the front has no numbers and changes no count; continuing takes up after it."""
    confirming = Confirming(numbers=[[3, 5], [7]], because="budget")
    plan = confirming_plan(first_plan(500), 1, confirming)
    assert [confirming_in(plan, number) for number in range(3)] == [None, None, confirming]
    assert islands_of(plan, 2) == [0, 0]
    assert (trials_in(plan), rounds_in(plan), trials_through(plan, 2)) == (500, 2, 500)
    longer = longer_plan(plan, 2, 510)
    assert confirming_in(longer, 3) is None
    assert numbers_of(longer, closing(3)) == range(500, 510)
    assert (trials_in(longer), rounds_in(longer)) == (510, 4)
    timed = confirming_plan(first_plan(None), 4, confirming)
    assert (trials_in(timed), rounds_in(timed)) == (None, None)


def test_time_buys_full_rounds() -> None:
    """Under a time budget every round has the standard size, and no number of them is planned."""
    plan = first_plan(None)
    assert rounds_in(plan) is None
    assert trials_in(plan) is None
    assert islands_of(plan, 1000) == [ISLAND_TRIALS] * (ROUND_TRIALS // ISLAND_TRIALS)
    assert numbers_of(plan, closing(1000)) == range(1000 * ROUND_TRIALS, 1001 * ROUND_TRIALS)


def test_a_design_that_ended_early_goes_on_where_it_stopped() -> None:
    """The rounds after an early end, or after a deadline, take up at the next number, whatever had been planned."""
    early = longer_plan(first_plan(100_000), 5, 6 * ROUND_TRIALS + 100)
    assert trials_through(early, 5) == 6 * ROUND_TRIALS
    assert islands_of(early, 6) == [50, 50]
    assert numbers_of(early, closing(6)) == range(6 * ROUND_TRIALS, 6 * ROUND_TRIALS + 100)
    assert rounds_in(early) == 7
    timed = longer_plan(longer_plan(first_plan(240), 0, None), 3, 240 + 3 * ROUND_TRIALS + 10)
    assert numbers_of(timed, closing(0)) == range(240)
    assert numbers_of(timed, closing(3)) == range(240 + 2 * ROUND_TRIALS, 240 + 3 * ROUND_TRIALS)
    assert len(numbers_of(timed, closing(4))) == 10
