"""The store on a real server: what must hold whatever order workers, duplicates and deaths come in."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor

import pytest
from redis import Redis

from tests.worker.samples import candidate, miss, request
from worker.errors import (
    CandidateUnknown,
    CursorInvalid,
    DesignGone,
    DesignStillActive,
    DesignUnknown,
    IdempotencyConflict,
)
from worker.plan import islands_of, numbers_of
from worker.records import Candidate, Ending, FinalState, Lease, SlotName
from worker.store import Selection, Store


def leased(store: Store, slot: SlotName) -> Lease:
    lease = store.lease(slot)
    assert lease is not None
    return lease


def ending(state: FinalState | None = "succeeded", front: list[int] | None = None) -> Ending:
    return Ending(front_numbers=front or [], recommended=None, limiting=None, failure=None, state=state)


def fill_round(store: Store, design_id: str) -> None:
    """Lease and fill every island of the round under way with feasible trials."""
    budget = store.get(design_id).request.budget_trials_count
    for slot in store.first_slots(design_id):
        rows = [candidate(number) for number in numbers_of(budget, slot)]
        store.fill(leased(store, slot), rows, [])


def make_ended(store: Store, state: FinalState = "succeeded") -> str:
    design_id = store.create(request()).design_id
    fill_round(store, design_id)
    store.close(leased(store, store.closing_of(design_id)), ending(state), [])
    return design_id


# ---- creating --------------------------------------------------------------------------------------------------------


def test_new_design_is_queued_with_its_request(store: Store) -> None:
    """A new design is queued, first in its queue, with nothing done and the request as it was."""
    design = store.get(store.create(request()).design_id)
    assert design.state == "queued"
    assert design.request == request()
    assert design.progress.queue_place == 1
    assert (design.progress.finished_trials_count, design.progress.budget_trials_count) == (0, 61)
    assert design.expires_at is None


def test_queue_places_count_up_and_move_on(store: Store) -> None:
    """The second design in the queue becomes the first when the first one is started."""
    first, second = (store.create(request()).design_id for _ in range(2))
    assert store.get(second).progress.queue_place == 2
    store.lease(store.first_slots(first)[0])
    assert store.get(first).progress.queue_place is None
    assert store.get(second).progress.queue_place == 1


def test_same_key_and_body_give_the_same_design(store: Store) -> None:
    """Twenty parallel posts with one idempotency key make one design, and exactly one of them made it."""
    with ThreadPoolExecutor(20) as pool:
        found = list(pool.map(lambda _: store.create(request(), "key"), range(20)))
    assert len({submission.design_id for submission in found}) == 1
    assert sum(submission.created for submission in found) == 1
    assert len(store.designs().items) == 1


def test_same_key_with_another_body_is_a_conflict(store: Store) -> None:
    """A key that stands for one body is not taken for another, and nothing is created."""
    store.create(request(), "key")
    with pytest.raises(IdempotencyConflict):
        store.create(request(seed=8), "key")
    assert len(store.designs().items) == 1


def test_idempotency_key_is_forgotten_after_a_day(store: Store, client: Redis) -> None:
    """The record of a key lives one day."""
    store.create(request(), "key")
    (record,) = client.keys("shotwright:idempotency:*")
    assert 86_000 < client.ttl(record) <= 86_400


# ---- leases and counting ---------------------------------------------------------------------------------------------


def test_slot_is_leased_to_one(store: Store) -> None:
    """Of many workers that ask for the same slot at once, one gets it."""
    slot = store.first_slots(store.create(request()).design_id)[0]
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda _: store.lease(slot), range(8)))
    assert sum(lease is not None for lease in found) == 1
    assert store.get(slot.design_id).state == "running"


def test_repeated_trials_are_counted_once(store: Store) -> None:
    """A trial handed in again, by the same or by a later lease, neither counts nor changes what is stored."""
    design_id = store.create(request()).design_id
    lease = leased(store, store.first_slots(design_id)[0])
    store.record(lease, [candidate(0), candidate(1)])
    store.record(lease, [candidate(1, energy_j=1.0), candidate(2)])
    assert store.get(design_id).progress.finished_trials_count == 3
    assert store.candidate(design_id, 1) == candidate(1)


def test_void_lease_changes_nothing(client: Redis) -> None:
    """After its slot went to another worker, an old lease can neither record nor fill."""
    store = Store(client, lease_seconds=0.1)
    design_id = store.create(request()).design_id
    slot = store.first_slots(design_id)[0]
    old = leased(store, slot)
    time.sleep(0.15)
    new = leased(store, slot)
    assert new.attempt == old.attempt + 1
    assert store.record(old, [candidate(0)]) == "lost"
    assert store.fill(old, [candidate(0)], []) == "lost"
    assert store.get(design_id).progress.finished_trials_count == 0
    assert store.fill(new, [candidate(0)], []) == "filled"


def test_island_is_filled_once(store: Store) -> None:
    """The second filling of an island is refused, and no lease on it is given any more."""
    design_id = store.create(request()).design_id
    slot = store.first_slots(design_id)[0]
    lease = leased(store, slot)
    assert store.fill(lease, [candidate(0)], []) == "filled"
    assert store.fill(lease, [candidate(0)], []) == "lost"
    assert store.lease(slot) is None
    assert store.get(design_id).progress.islands_done_count == 1


def test_best_is_the_feasible_one_of_least_energy(store: Store) -> None:
    """Infeasible trials never are the best, however little energy they need, and settling can change the best."""
    design_id = store.create(request()).design_id
    lease = leased(store, store.first_slots(design_id)[0])
    weak = miss(1, 0.5)
    store.record(lease, [candidate(0, energy_j=3000.0), weak, candidate(2, energy_j=2000.0)])
    best = store.get(design_id).best
    assert best is not None
    assert best.number == 2
    store.fill(lease, [], [candidate(2, energy_j=3500.0, fidelity="design")])
    settled = store.get(design_id).best
    assert settled is not None
    assert settled.number == 0


def test_settled_row_takes_the_place_of_the_searched_one(store: Store) -> None:
    """A candidate that turns out infeasible when settled is counted as such, and the finished count stays."""
    design_id = store.create(request()).design_id
    lease = leased(store, store.first_slots(design_id)[0])
    settled = miss(1, 0.02, "current_limit")
    store.fill(lease, [candidate(0), candidate(1)], [settled])
    progress = store.get(design_id).progress
    assert (progress.finished_trials_count, progress.feasible_trials_count) == (2, 1)
    assert store.candidate(design_id, 1) == settled
    assert [(found.reason, found.trials_count) for found in store.misses(design_id)] == [("current_limit", 1)]
    assert store.nearest(design_id) == settled


def test_nearest_miss_is_the_one_of_least_violation(store: Store) -> None:
    """Among many infeasible trials the one that came closest is known, and the reasons are counted."""
    design_id = store.create(request()).design_id
    lease = leased(store, store.first_slots(design_id)[0])
    violations = [0.5, 0.4, 0.03, 0.9, 0.2, 0.7, 0.8, 0.6, 0.35, 0.45, 0.55]
    store.record(lease, [miss(n, v, "current_limit" if n == 2 else "voltage_limit") for n, v in enumerate(violations)])
    nearest = store.nearest(design_id)
    assert nearest is not None
    assert nearest.number == 2
    assert [found.trials_count for found in store.misses(design_id)] == [10, 1]


# ---- rounds ----------------------------------------------------------------------------------------------------------


def test_last_island_opens_the_closing(store: Store) -> None:
    """Only the round's last island reports that the round is full, and only then the closing can be leased."""
    design_id = store.create(request()).design_id
    first, second = store.first_slots(design_id)
    closing = store.closing_of(design_id)
    assert store.fill(leased(store, first), [], []) == "filled"
    assert store.lease(closing) is None
    assert store.fill(leased(store, second), [], []) == "full"
    assert store.lease(closing) is not None


def test_round_leads_to_the_next_and_then_to_the_end(store: Store) -> None:
    """A budget of two rounds runs both, keeps the numbers apart, and ends with all trials counted."""
    budget = 500
    design_id = store.create(request(budget_trials_count=budget)).design_id
    fill_round(store, design_id)
    closing = store.closing_of(design_id)
    assert store.close(leased(store, closing), ending(None, [3]), islands_of(budget, 1)) == "next"
    assert store.get(design_id).progress.round_number == 1
    assert store.get(design_id).front_numbers == [3]
    fill_round(store, design_id)
    assert store.close(leased(store, store.closing_of(design_id)), ending(), []) == "succeeded"
    design = store.get(design_id)
    assert design.ended
    assert design.progress.finished_trials_count == budget
    assert design.expires_at is not None


def test_repeated_closing_message_does_nothing(store: Store) -> None:
    """Once a round is closed, neither its closing nor its islands can be leased again."""
    design_id = store.create(request()).design_id
    slots = [*store.first_slots(design_id), store.closing_of(design_id)]
    fill_round(store, design_id)
    store.close(leased(store, slots[-1]), ending(), [])
    assert [store.lease(slot) for slot in slots] == [None, None, None]


# ---- sweeping --------------------------------------------------------------------------------------------------------


def test_message_that_was_never_sent_is_found(store: Store) -> None:
    """A design whose messages got lost between row and queue is sent within about a second, by one sweep only."""
    design_id = store.create(request()).design_id
    assert store.sweep() == []
    time.sleep(1.1)
    assert [due.slot for due in store.sweep()] == store.first_slots(design_id)
    assert store.sweep() == []


def test_sent_message_is_not_sent_again_while_the_queue_has_some(client: Redis) -> None:
    """A slot that waits in a long queue is left alone; once the queue is empty its message must have got lost."""
    store = Store(client, lease_seconds=0.1)
    design_id = store.create(request(budget_trials_count=5)).design_id
    (slot,) = store.first_slots(design_id)
    client.rpush("shotwright", "a message")
    store.sent(slot)
    time.sleep(0.15)
    assert store.sweep() == []
    client.delete("shotwright")
    time.sleep(0.15)
    assert [due.slot for due in store.sweep()] == [slot]


def test_lease_that_ran_out_is_given_back(client: Redis) -> None:
    """A dead worker's slot is sent again, and its design waits in the queue instead of seeming to run."""
    store = Store(client, lease_seconds=0.1)
    design_id = store.create(request(budget_trials_count=5)).design_id
    (slot,) = store.first_slots(design_id)
    leased(store, slot)
    assert store.get(design_id).state == "running"
    time.sleep(0.15)
    assert [due.slot for due in store.sweep()] == [slot]
    assert store.get(design_id).state == "queued"
    assert leased(store, slot).attempt == 2
    assert store.get(design_id).state == "running"


def test_live_lease_is_left_alone(client: Redis) -> None:
    """A slow worker that gives signs of life keeps its slot."""
    store = Store(client, lease_seconds=0.3)
    (slot,) = store.first_slots(store.create(request(budget_trials_count=5)).design_id)
    lease = leased(store, slot)
    for _ in range(5):
        time.sleep(0.15)
        assert store.record(lease) == "running"
        assert store.sweep() == []


def test_island_that_kills_its_workers_is_given_up(client: Redis) -> None:
    """After three leases without a result an island is given up, its missing trials are lost; the design goes on."""
    store = Store(client, lease_seconds=0.1, attempts_limit=3)
    design_id = store.create(request(budget_trials_count=5)).design_id
    (slot,) = store.first_slots(design_id)
    for attempt in (1, 2, 3):
        lease = leased(store, slot)
        assert lease.attempt == attempt
        store.record(lease, [candidate(0), candidate(1)])
        time.sleep(0.15)
        store.sweep()
    assert store.lease(slot) is None
    design = store.get(design_id)
    assert design.progress.lost_trials_count == 3
    assert design.failure is not None
    assert "3 attempts" in design.failure
    assert store.lease(store.closing_of(design_id)) is not None


# ---- cancelling ------------------------------------------------------------------------------------------------------


def test_cancelled_design_gives_no_lease(store: Store) -> None:
    """A design cancelled before it started has its closing ready at once and gives out no island."""
    design_id = store.create(request()).design_id
    closing = store.cancel(design_id)
    assert closing == store.closing_of(design_id)
    assert [store.lease(slot) for slot in store.first_slots(design_id)] == [None, None]
    assert store.close(leased(store, closing), ending(None), [1]) == "cancelled"
    assert store.get(design_id).state == "cancelled"


def test_running_island_learns_of_the_cancelling_and_keeps_its_trials(store: Store) -> None:
    """The next sign of life answers 'cancelling'; what was finished by then is kept."""
    design_id = store.create(request()).design_id
    lease = leased(store, store.first_slots(design_id)[0])
    assert store.cancel(design_id) is None
    assert store.cancel(design_id) is None
    assert store.record(lease, [candidate(0)]) == "cancelling"
    assert store.fill(lease, [candidate(1)], []) == "full"
    assert store.get(design_id).progress.finished_trials_count == 2


def test_cancelling_does_not_wait_for_a_dead_worker(client: Redis) -> None:
    """The slot of a worker that died is skipped once its lease has run out, and the closing becomes due."""
    store = Store(client, lease_seconds=0.1)
    design_id = store.create(request(budget_trials_count=5)).design_id
    leased(store, store.first_slots(design_id)[0])
    store.cancel(design_id)
    time.sleep(0.15)
    store.sweep()
    time.sleep(1.1)
    (due,) = store.sweep()
    assert due.slot == store.closing_of(design_id)
    assert due.state == "cancelling"


def test_ended_design_stays_as_it_is_when_cancelled(store: Store) -> None:
    """Cancelling a design that has ended changes nothing."""
    design_id = make_ended(store)
    before = store.get(design_id)
    assert store.cancel(design_id) is None
    assert store.get(design_id) == before


# ---- lists and ends --------------------------------------------------------------------------------------------------


def pages(store: Store, design_id: str, only: Selection, limit: int) -> list[int]:
    numbers: list[int] = []
    cursor = None
    while True:
        page = store.candidates(design_id, limit, cursor, only)
        numbers += [found.number for found in page.items]
        cursor = page.next_cursor
        if cursor is None:
            return numbers


@pytest.mark.parametrize("limit", [1, 3, 10, 100])
def test_pages_show_every_candidate_once(store: Store, limit: int) -> None:
    """Whatever the page size, all candidates come in the order they arrived, and the last page says so."""
    design_id = store.create(request()).design_id
    second, first = (leased(store, slot) for slot in store.first_slots(design_id))
    arrived = [candidate(31), miss(32, 0.1), candidate(0), candidate(33), candidate(1)]
    for row in arrived:
        store.record(first if row.number > 30 else second, [row])
    assert pages(store, design_id, "all", limit) == [31, 32, 0, 33, 1]
    assert pages(store, design_id, "feasible", limit) == [31, 0, 33, 1]


def test_pages_are_stable_while_rows_arrive(store: Store) -> None:
    """Rows that arrive between two pages come at the end; none is shown twice or left out."""
    design_id = store.create(request()).design_id
    lease = leased(store, store.first_slots(design_id)[0])
    store.record(lease, [candidate(n) for n in (5, 6, 7)])
    page = store.candidates(design_id, 2)
    store.record(lease, [candidate(n) for n in (1, 2)])
    rest = store.candidates(design_id, 10, page.next_cursor)
    assert [found.number for found in (*page.items, *rest.items)] == [5, 6, 7, 1, 2]
    assert rest.next_cursor is None


def test_front_pages_follow_the_front(store: Store) -> None:
    """The front is paged in its own order."""
    design_id = store.create(request()).design_id
    fill_round(store, design_id)
    store.close(leased(store, store.closing_of(design_id)), ending(front=[9, 4, 30]), [])
    assert pages(store, design_id, "front", 2) == [9, 4, 30]


def test_designs_are_listed_newest_first(store: Store) -> None:
    """Designs are paged from the newest to the oldest."""
    made = []
    for _ in range(5):
        made.append(store.create(request()).design_id)
        time.sleep(0.002)
    page = store.designs(limit=3)
    rest = store.designs(3, page.next_cursor)
    assert [found.id for found in (*page.items, *rest.items)] == made[::-1]
    assert rest.next_cursor is None


@pytest.mark.parametrize("cursor", ["", "x", "nonsense!", "YWxsOi0x", "\u00e9"])
def test_foreign_cursor_is_refused(store: Store, cursor: str) -> None:
    """A cursor that this list did not give out is an error, not an empty page."""
    design_id = store.create(request()).design_id
    with pytest.raises(CursorInvalid):
        store.candidates(design_id, cursor=cursor)
    with pytest.raises(CursorInvalid):
        store.designs(cursor=cursor)


def test_unknown_deleted_and_expired_are_told_apart(store: Store, client: Redis) -> None:
    """An id never given is unknown; a deleted or expired design is gone, on every way to it."""
    with pytest.raises(DesignUnknown):
        store.get("0197a3b0-0000-7000-8000-000000000000")
    deleted, expired = make_ended(store), make_ended(store)
    store.delete(deleted)
    client.delete(f"shotwright:design:{expired}")  # what the server does by itself when the time has come
    for design_id, how in ((deleted, "deleted"), (expired, "expired")):
        with pytest.raises(DesignGone, match=how):
            store.get(design_id)
        with pytest.raises(DesignGone, match=how):
            store.candidates(design_id)
        with pytest.raises(DesignGone, match=how):
            store.cancel(design_id)
        with pytest.raises(DesignGone, match=how):
            store.delete(design_id)
    assert store.designs().items == []


def test_active_design_is_not_deleted(store: Store) -> None:
    """A design has to end before it can be deleted."""
    design_id = store.create(request()).design_id
    with pytest.raises(DesignStillActive):
        store.delete(design_id)


def test_unknown_candidate_is_an_error(store: Store) -> None:
    """Asking for a number that was not tried (yet) is an error of its own."""
    design_id = store.create(request()).design_id
    with pytest.raises(CandidateUnknown):
        store.candidate(design_id, 3)


def test_ended_design_lives_until_the_date_it_shows(client: Redis) -> None:
    """All keys of an ended design expire at `expires_at`; its tombstone stays longer; nothing else is left behind."""
    store = Store(client, result_days=2.0)
    design_id = make_ended(store)
    design = store.get(design_id)
    assert design.finished_at is not None
    assert design.expires_at is not None
    assert (design.expires_at - design.finished_at).total_seconds() == pytest.approx(2 * 86_400, abs=1e-3)
    for key in client.keys(f"shotwright:design:{design_id}*"):
        assert abs(client.ttl(key) - 2 * 86_400) <= 1
    assert client.ttl(f"shotwright:tombstone:{design_id}") > 30 * 86_400
    assert client.keys("shotwright:design:*slot*") == []
    assert client.zcard("shotwright:due") == 0
    assert client.zcard("shotwright:queued") == 0


def test_live_workers_are_those_heard_of_lately(store: Store, client: Redis) -> None:
    """A worker is alive from its sign of life until it says goodbye or falls silent."""
    store.worker_alive("one")
    store.worker_alive("two")
    client.zadd("shotwright:workers", {"silent": time.time() - 60})
    assert store.live_workers() == ["one", "two"]
    store.worker_gone("one")
    assert store.live_workers() == ["two"]


def test_fifty_thousand_candidates_page_quickly(store: Store) -> None:
    """A page from the middle of 50,000 candidates comes in well under a second."""
    design_id = store.create(request(budget_trials_count=100_000)).design_id
    lease = leased(store, store.first_slots(design_id)[0])
    sample = candidate(0)
    rows = [sample.model_copy(update={"number": number}) for number in range(50_000)]
    for start in range(0, len(rows), 5_000):
        store.record(lease, rows[start : start + 5_000])
    cursor = None
    begun = time.perf_counter()
    for _ in range(5):
        page = store.candidates(design_id, 100, cursor)
        cursor = page.next_cursor
    assert (time.perf_counter() - begun) / 5 < 1.0
    assert [found.number for found in page.items] == list(range(400, 500))


def test_numbers_come_back_bit_for_bit(store: Store) -> None:
    """Floating point numbers survive the store unchanged."""
    design_id = store.create(request()).design_id
    row: Candidate = candidate(0, energy_j=0.1 + 0.2, voltage_v=6516.116507586597)
    store.record(leased(store, store.first_slots(design_id)[0]), [row])
    assert store.candidate(design_id, 0) == row
