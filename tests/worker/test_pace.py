"""When a search ends: how a front's standing still is measured, and how long the next round may take."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.worker.samples import candidate, request
from worker.pace import STILL_RATIO, dominated_ratio, dominated_volume, next_pace, seconds_to_the_end, why_to_end
from worker.plan import first_plan
from worker.records import Design, Pace, Progress
from worker.request import DesignRequest

NOW = datetime(2030, 1, 1, tzinfo=UTC)


def design(asked: DesignRequest, pace: Pace, deadline: datetime | None = None, took_s: float = 10.0) -> Design:
    """A design whose round under way has taken so long by NOW."""
    progress = Progress(
        finished_trials_count=480,
        budget_trials_count=asked.budget_trials_count,
        deadline_at=deadline,
        feasible_trials_count=480,
        lost_trials_count=0,
        round_number=0,
        rounds_count=None,
        still_rounds_count=pace.still_rounds_count,
        islands_done_count=8,
        islands_count=8,
        queue_place=None,
        heartbeat_at=NOW,
    )
    return Design(
        id="any",
        state="running",
        request=asked,
        continuations=[],
        plan=first_plan(asked.budget_trials_count),
        pace=pace,
        round_began_at=NOW - timedelta(seconds=took_s),
        progress=progress,
        best=None,
        front_numbers=[],
        recommended=None,
        limiting=None,
        failure=None,
        given_up=[],
        ended_because=None,
        ending=None,
        created_at=NOW,
        started_at=NOW,
        finished_at=None,
        expires_at=None,
    )


def grid_volume(points: np.ndarray, cells: int) -> float:
    """The slow twin: count the cells of a grid that a point with coordinates on that grid dominates."""
    middles = (np.arange(cells) + 0.5) / cells
    x, y, z = np.meshgrid(middles, middles, middles, indexing="ij")
    dominated = np.zeros((cells, cells, cells), dtype=bool)
    for point in points:
        dominated |= (x > point[0]) & (y > point[1]) & (z > point[2])
    return float(dominated.mean())


@given(st.lists(st.tuples(*[st.integers(0, 12)] * 3), max_size=12))
def test_dominated_volume_is_what_counting_cells_gives(points: list[tuple[int, int, int]]) -> None:
    """For points on a grid of tenths the volume is that of the cells they dominate; points outside add nothing."""
    values = np.array(points, dtype=float).reshape(-1, 3) / 10
    assert dominated_volume(values) == pytest.approx(grid_volume(values, 10), abs=1e-12)


def test_dominated_ratio_of_one_candidate() -> None:
    """A quarter of the energy limit, half of the voltage limit and a margin of 0.3 leave 3/4 x 1/2 x 0.3."""
    front = [candidate(0, energy_j=2000.0, voltage_v=5000.0)]
    assert dominated_ratio(request(), front) == pytest.approx(0.75 * 0.5 * 0.3)
    assert dominated_ratio(request(), []) == 0.0


def paces(*energies_j: float) -> list[Pace]:
    """The pace round by round, for fronts of one candidate each."""
    found = [Pace()]
    for energy in energies_j:
        found.append(next_pace(design(request(), found[-1]), [candidate(0, energy_j=energy)], None, NOW))
    return found[1:]


def test_rounds_without_movement_are_counted() -> None:
    """A change within the stated share leaves the count going, a larger one starts it anew."""
    small, large = 2000.0 * (1 - 0.9 * STILL_RATIO), 2000.0 * (1 - 2.5 * STILL_RATIO)
    assert [pace.still_rounds_count for pace in paces(2000.0, 2000.0, small, small, large, large)] == [0, 1, 2, 3, 0, 1]


def test_creeping_is_movement() -> None:
    """Steps too small to count add up: the comparison is with the front as it was when it last moved."""
    steps = [2000.0 * (1 - 0.6 * STILL_RATIO) ** n for n in range(6)]
    assert [pace.still_rounds_count for pace in paces(*steps)] == [0, 1, 0, 1, 0, 1]


def test_empty_front_moves_with_its_nearest_miss() -> None:
    """While nothing is feasible, getting closer is movement; the first feasible candidate is, too."""
    pace, counts = Pace(), []
    for violation in (0.4, 0.4, 0.3, 0.3):
        pace = next_pace(design(request(), pace), [], violation, NOW)
        counts.append(pace.still_rounds_count)
    assert counts == [0, 1, 0, 1]
    assert next_pace(design(request(), pace), [candidate(0)], None, NOW).still_rounds_count == 0


def test_next_round_is_expected_to_last_a_little_longer_than_the_middle_one() -> None:
    """One round that was held up, as by a server that was away, does not spoil the estimate."""
    pace = Pace()
    for took in (10.0, 11.0, 500.0, 10.0, 12.0):
        pace = next_pace(design(request(), pace, took_s=took), [], None, NOW)
    assert pace.round_lengths_s == [10.0, 11.0, 500.0, 10.0, 12.0]
    assert seconds_to_the_end(pace) == pytest.approx(1.2 * 11.0)
    slow_to_end = pace.model_copy(update={"confirming_s": 20.0})
    assert seconds_to_the_end(slow_to_end) == pytest.approx(1.2 * 31.0)


@pytest.mark.parametrize(("left_s", "expected"), [(11.9, "deadline"), (12.1, None), (-5.0, "deadline")])
def test_deadline_leaves_room_for_a_whole_round(left_s: float, expected: str | None) -> None:
    """After rounds of 10 s another one is begun only while there are more than 12 s left."""
    asked = DesignRequest.model_validate(
        request().model_dump(mode="json") | {"budget_trials_count": None, "finish_by_at": "2030-01-01T08:00:00Z"}
    )
    found = design(asked, Pace(), NOW + timedelta(seconds=left_s))
    assert why_to_end(found, 0, Pace(round_lengths_s=[10.0]), NOW) == expected


@pytest.mark.parametrize(("allowed", "expected"), [(3, "front_still"), (4, None), (None, None)])
def test_front_that_stands_still_ends_the_search(allowed: int | None, expected: str | None) -> None:
    """After as many rounds as the request allows, or never when it allows any number."""
    asked = request(budget_trials_count=100_000, stop_after_still_rounds_count=allowed)
    pace = Pace(round_lengths_s=[10.0], still_rounds_count=3)
    assert why_to_end(design(asked, pace), 7, pace, NOW) == expected
