"""How a budget is cut into rounds and islands."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from worker.plan import ISLAND_TRIALS, islands_of, numbers_of, rounds_in
from worker.records import SlotName

budgets = st.integers(min_value=1, max_value=20_000)


@given(budgets)
def test_islands_add_up_to_the_budget(budget: int) -> None:
    """The trials of all islands are the budget, exactly."""
    assert sum(sum(islands_of(budget, r)) for r in range(rounds_in(budget))) == budget


@given(budgets)
def test_numbers_of_islands_cover_the_budget_once(budget: int) -> None:
    """Each candidate number belongs to exactly one island, and closings span their rounds."""
    numbers: list[int] = []
    for r in range(rounds_in(budget)):
        in_round = [
            number
            for island in range(len(islands_of(budget, r)))
            for number in numbers_of(budget, SlotName(design_id="d", round=r, island=island))
        ]
        assert in_round == list(numbers_of(budget, SlotName(design_id="d", round=r, island=None)))
        numbers += in_round
    assert numbers == list(range(budget))


@given(budgets)
def test_islands_are_short_and_even(budget: int) -> None:
    """No island is longer than the standard, and those of a round differ by at most one trial."""
    for r in range(rounds_in(budget)):
        islands = islands_of(budget, r)
        assert max(islands) <= ISLAND_TRIALS
        assert max(islands) - min(islands) <= 1
        assert min(islands) >= 1
