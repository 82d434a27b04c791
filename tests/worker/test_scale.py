"""What a long design may cost: bytes of the server's memory for each trial, and of ours while reading all of them."""

from __future__ import annotations

import random
import tracemalloc

import pytest
from redis import Redis

from api.designs.export import csv_of, ndjson_of
from tests.worker.realistic import realistic_candidate
from tests.worker.samples import request
from worker.records import Candidate, Lease
from worker.store import Store

#: What a trial may take on the server with all its numbers.
MOST_BYTES = 600
#: What reading a design of any length may take here at a time.
MOST_MEMORY = 8e6


@pytest.fixture(scope="module")
def rows() -> list[Candidate]:
    dice = random.Random(3)
    return [realistic_candidate(number, dice) for number in range(10_000)]


@pytest.fixture
def lease(store: Store) -> Lease:
    design_id = store.create(request(budget_trials_count=100_000)).design_id
    found = store.lease(store.first_slots(design_id)[0])
    assert found is not None
    return found


def record(store: Store, lease: Lease, rows: list[Candidate]) -> None:
    """As an island's signs of life do, some dozens at a time."""
    for start in range(0, len(rows), 50):
        store.record(lease, rows[start : start + 50])


def test_trial_takes_few_bytes_and_keeps_every_number(
    client: Redis, store: Store, lease: Lease, rows: list[Candidate]
) -> None:
    """5,000 trials take less than 600 bytes each, everything included, and come back as they were, bit for bit."""
    before = client.info("memory")["used_memory"]
    record(store, lease, rows[:5000])
    taken = client.info("memory")["used_memory"] - before
    assert 0 < taken / 5000 < MOST_BYTES
    assert store.rows(lease.slot.job_id, range(5000)) == rows[:5000]


def test_settling_leaves_nothing_behind(client: Redis, store: Store, lease: Lease, rows: list[Candidate]) -> None:
    """Rows that are replaced again and again do not add up."""
    record(store, lease, rows[:2000])
    key = f"shotwright:design:{lease.slot.job_id}:rows"
    before = client.memory_usage(key, samples=0) or 0
    settled = [row.model_copy(update={"fidelity": "design"}) for row in rows[:2000]]
    store.fill(lease, [], settled)
    assert 0 < (client.memory_usage(key, samples=0) or 0) < 1.05 * before
    assert store.rows(lease.slot.job_id, range(2000)) == settled


def test_export_takes_the_same_memory_at_any_length(store: Store, lease: Lease, rows: list[Candidate]) -> None:
    """All of 2,000 and of 10,000 trials are read and spelled in the same little memory."""
    peaks = []
    for count in (2000, 10_000):
        record(store, lease, rows[:count])
        design = store.get(lease.slot.job_id)
        tracemalloc.start()
        lines = sum(text.count("\n") for text in ndjson_of(design, store.all_candidates(design.id)))
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert lines == count
    assert max(peaks) < MOST_MEMORY
    assert peaks[1] < 1.3 * peaks[0]


def test_export_while_trials_arrive_has_each_once(store: Store, lease: Lease, rows: list[Candidate]) -> None:
    """Trials that arrive during an export come at its end; none is left out or sent twice."""
    record(store, lease, rows[:1500])
    numbers: list[int] = []
    for place, chunk in enumerate(store.all_candidates(lease.slot.job_id)):
        numbers += [row.number for row in chunk]
        if place == 0:
            record(store, lease, rows[1500:1700])
    assert numbers == list(range(1700))


def test_csv_of_many_trials_has_one_header(store: Store, lease: Lease, rows: list[Candidate]) -> None:
    """A table that is read in several pieces begins with the names of its columns, and has them once."""
    record(store, lease, rows[:1200])
    design = store.get(lease.slot.job_id)
    lines = "".join(csv_of(design, store.all_candidates(design.id))).splitlines()
    assert lines[0].startswith("number,")
    assert [int(line.split(",")[0]) for line in lines[1:]] == list(range(1200))


def test_feasible_pages_of_a_long_design(store: Store, lease: Lease, rows: list[Candidate]) -> None:
    """Filtered pages of any size hold the feasible trials in the order they arrived, each once."""
    record(store, lease, rows[5000:])
    record(store, lease, rows[:5000])
    expected = [row.number for row in (*rows[5000:], *rows[:5000]) if row.feasible]
    found, cursor = [], None
    while True:
        page = store.candidates(lease.slot.job_id, 777, cursor, "feasible")
        found += [row.number for row in page.items]
        cursor = page.next_cursor
        if cursor is None:
            break
    assert found == expected
    assert store.get(lease.slot.job_id).progress.feasible_trials_count == len(expected)
