"""How a trial budget is cut into rounds and islands: by the budget alone, never by who works on it."""

from __future__ import annotations

from worker.records import SlotName

#: Trials of one island. Short, so that a killed worker costs seconds; a two-core bench does one in 5 to 10 s.
ISLAND_TRIALS = 60
#: Islands of a full round; the next round starts from the front found so far.
ROUND_ISLANDS = 8
ROUND_TRIALS = ISLAND_TRIALS * ROUND_ISLANDS


def rounds_in(budget: int) -> int:
    """Number of rounds for `budget` trials."""
    return -(-budget // ROUND_TRIALS)


def islands_of(budget: int, round_number: int) -> list[int]:
    """Trials of each island of a round. Islands of a round differ by one trial at most, and add up to its share."""
    share = min(ROUND_TRIALS, budget - round_number * ROUND_TRIALS)
    islands = -(-share // ISLAND_TRIALS)
    return [share // islands + (1 if island < share % islands else 0) for island in range(islands)]


def numbers_of(budget: int, slot: SlotName) -> range:
    """Candidate numbers that belong to a slot: an island's own trials, or for a closing the whole round's."""
    islands = islands_of(budget, slot.round)
    first = slot.round * ROUND_TRIALS
    if slot.island is None:
        return range(first, first + sum(islands))
    first += sum(islands[: slot.island])
    return range(first, first + islands[slot.island])
