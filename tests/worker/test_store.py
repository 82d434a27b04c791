"""The store on a real server: what must hold whatever order workers, duplicates and deaths come in."""

from __future__ import annotations

import random
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import pytest
from redis import Redis

from api import examples
from physics.shot import Shot
from tests.worker.samples import candidate, miss, request
from worker.budget import Budget
from worker.errors import (
    BudgetRefused,
    CandidateUnknown,
    CursorInvalid,
    DesignGone,
    DesignNotContinuable,
    DesignStillActive,
    DesignUnknown,
    ExpiryRefused,
    IdempotencyConflict,
)
from worker.plan import first_plan, islands_of, numbers_of
from worker.records import Candidate, Ending, FinalState, Lease, SlotName, UnderWay
from worker.request import DesignRequest
from worker.store import SWEEPER_SECONDS, Selection, Store

SHOT = Shot.model_validate(examples.SHOT)


def leased(store: Store, slot: SlotName) -> Lease:
    lease = store.lease(slot)
    assert lease is not None
    return lease


def ending(state: FinalState | None = "succeeded", front: list[int] | None = None) -> Ending:
    return Ending(front_numbers=front or [], recommended=None, limiting=None, ended_because=None, state=state)


def fill_round(store: Store, design_id: str) -> None:
    """Lease and fill every island of the round under way with feasible trials."""
    plan = store.get(design_id).plan
    for slot in store.first_slots(design_id):
        rows = [candidate(number) for number in numbers_of(plan, slot)]
        store.fill(leased(store, slot), rows, [])


def make_ended(store: Store, state: FinalState = "succeeded", front: list[int] | None = None) -> str:
    design_id = store.create(request()).design_id
    fill_round(store, design_id)
    store.close(leased(store, store.closing_of(design_id)), ending(state, front), [])
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
    assert store.get(slot.job_id).state == "running"


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


def test_best_is_right_though_only_the_best_hundred_are_kept_in_order(store: Store) -> None:
    """Whatever is added and settled, in whatever order, the best is the feasible candidate of least energy."""
    design_id = store.create(request(budget_trials_count=100_000)).design_id
    lease = leased(store, store.first_slots(design_id)[0])
    dice = random.Random(1)
    energies = {number: dice.uniform(1000.0, 5000.0) for number in range(600)}
    for start in range(0, 600, 50):
        store.record(lease, [candidate(n, energy_j=energies[n]) for n in range(start, start + 50)])
    in_order = sorted(energies, key=energies.__getitem__)
    assert best_number(store, design_id) == in_order[0]
    store.fill(lease, [], [miss(number, 0.1) for number in in_order[:60]])
    assert best_number(store, design_id) == in_order[60]
    second = leased(store, store.first_slots(design_id)[1])
    store.record(second, [candidate(700, energy_j=4000.0)])
    assert best_number(store, design_id) == in_order[60]
    store.record(second, [candidate(701, energy_j=900.0)])
    assert best_number(store, design_id) == 701
    assert store.get(design_id).progress.feasible_trials_count == 542


def best_number(store: Store, design_id: str) -> int:
    best = store.get(design_id).best
    assert best is not None
    return best.number


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
    assert store.close(leased(store, closing), ending(None, [3]), islands_of(first_plan(budget), 1)) == "next"
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


# ---- raising the budget ----------------------------------------------------------------------------------------------


def trials(count: int) -> Budget:
    return Budget(budget_trials_count=count)


def test_continued_design_goes_on_after_its_last_round(store: Store, client: Redis) -> None:
    """It is queued again without an end or an expiry; its next round has the next numbers, and old ones stay."""
    design_id = make_ended(store, front=[3])
    before = {found.number: found for found in store.candidates(design_id, 1000).items}
    assert store.extend(design_id, trials(100)).created
    design = store.get(design_id)
    assert design.state == "queued"
    assert design.progress.queue_place == 1
    assert (design.finished_at, design.expires_at, design.ended_because) == (None, None, None)
    assert (design.progress.finished_trials_count, design.progress.budget_trials_count) == (61, 100)
    assert (design.progress.round_number, design.progress.rounds_count) == (1, 2)
    assert design.front_numbers == [3]
    assert design.request == request()
    assert design.continuations == [trials(100)]
    assert all(client.ttl(key) == -1 for key in client.keys(f"shotwright:design:{design_id}*"))
    assert not client.exists(f"shotwright:tombstone:{design_id}")
    assert [list(numbers_of(design.plan, slot)) for slot in store.first_slots(design_id)] == [list(range(61, 100))]
    fill_round(store, design_id)
    store.close(leased(store, store.closing_of(design_id)), ending(), [])
    design = store.get(design_id)
    assert design.state == "succeeded"
    assert design.progress.finished_trials_count == 100
    assert design.expires_at is not None
    after = {found.number: found for found in store.candidates(design_id, 1000).items}
    assert sorted(after) == list(range(100))
    assert before.items() <= after.items()


def test_budget_that_is_no_larger_is_refused(store: Store) -> None:
    """A total of as many trials as there were, or a time that has passed, changes nothing."""
    design_id = make_ended(store)
    before = store.get(design_id)
    with pytest.raises(BudgetRefused, match="61 trials") as little:
        store.extend(design_id, trials(61))
    assert (little.value.field, little.value.minimum) == ("budget_trials_count", 62)
    with pytest.raises(BudgetRefused, match="passed"):
        store.extend(design_id, Budget(finish_by_at=datetime.now(UTC) - timedelta(seconds=1)))
    assert store.get(design_id) == before


def test_only_a_design_that_succeeded_is_continued(store: Store) -> None:
    """One at work has to end first; a failed or cancelled one cannot be continued; a deleted one is gone."""
    active, failed, deleted = store.create(request()).design_id, make_ended(store, "failed"), make_ended(store)
    with pytest.raises(DesignStillActive):
        store.extend(active, trials(100))
    with pytest.raises(DesignNotContinuable, match="failed"):
        store.extend(failed, trials(100))
    store.delete(deleted)
    with pytest.raises(DesignGone):
        store.extend(deleted, trials(100))


def test_continuing_at_once_from_many_sides_adds_one_round(store: Store) -> None:
    """Of twenty parallel calls with one key one continues the design, and the others learn the same."""
    design_id = make_ended(store)
    with ThreadPoolExecutor(20) as pool:
        found = list(pool.map(lambda _: store.extend(design_id, trials(100), "key"), range(20)))
    assert sum(submission.created for submission in found) == 1
    assert len(store.get(design_id).plan) == 2
    with pytest.raises(IdempotencyConflict):
        store.extend(design_id, trials(200), "key")
    with pytest.raises(DesignStillActive):
        store.extend(design_id, trials(200), "another key")


def test_design_can_be_continued_again_and_again(store: Store) -> None:
    """Each continuation takes up where the one before ended, whatever kind of budget it was."""
    design_id = make_ended(store)
    for budget, numbers in ((trials(62), range(61, 62)), (Budget(budget_duration_s=60.0), range(62, 542))):
        store.extend(design_id, budget)
        fill_round(store, design_id)
        closing = store.closing_of(design_id)
        assert numbers_of(store.get(design_id).plan, closing) == numbers
        store.close(leased(store, closing), ending(), [])
    assert store.get(design_id).progress.finished_trials_count == 542
    with pytest.raises(BudgetRefused, match="542"):
        store.extend(design_id, trials(542))


def test_duration_counts_from_the_first_trial(store: Store) -> None:
    """A design does not use its time while it waits; its deadline is set when its first slot is leased."""
    body = request().model_dump(mode="json") | {"budget_trials_count": None, "budget_duration_s": 50.0}
    design_id = store.create(DesignRequest.model_validate(body)).design_id
    assert store.get(design_id).progress.deadline_at is None
    assert store.get(design_id).progress.budget_trials_count is None
    time.sleep(0.2)
    leased(store, store.first_slots(design_id)[0])
    design = store.get(design_id)
    assert design.started_at is not None
    assert design.progress.deadline_at == design.started_at + timedelta(seconds=50)


def test_deadline_that_has_passed_is_refused_but_a_repeated_post_is_not(store: Store) -> None:
    """Nothing is created for a time in the past; a key used before its deadline passed still names its design."""
    at = datetime.now(UTC) + timedelta(seconds=0.5)
    body = request().model_dump(mode="json") | {"budget_trials_count": None, "finish_by_at": at.isoformat()}
    asked = DesignRequest.model_validate(body)
    made = store.create(asked, "key")
    assert store.get(made.design_id).progress.deadline_at == at
    time.sleep(0.6)
    assert store.create(asked, "key").design_id == made.design_id
    with pytest.raises(BudgetRefused, match="passed"):
        store.create(asked, "another key")
    assert len(store.designs().items) == 1


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


def test_message_that_got_lost_in_a_long_queue_is_sent_again_ever_more_rarely(client: Redis) -> None:
    """Behind others it may be waiting or lost, which cannot be told: it is sent again, after twice the time each."""
    store = Store(client, lease_seconds=0.1)
    (slot,) = store.first_slots(store.create(request(budget_trials_count=5)).design_id)
    client.rpush("shotwright", "a message")
    store.sent(slot)
    begun, sent_after = time.monotonic(), []
    while time.monotonic() < begun + 2.2:
        for due in store.sweep():
            assert due.slot == slot
            sent_after.append(time.monotonic() - begun)
            store.sent(slot)
        time.sleep(0.01)
    assert sent_after == pytest.approx([0.2, 0.4, 0.8, 1.6], abs=0.1)


def test_message_whose_sender_died_is_sent_by_another(client: Redis) -> None:
    """Who found a slot may end before the message is sent; as nobody noted it, the slot is found again."""
    store = Store(client, lease_seconds=0.3)
    (slot,) = store.first_slots(store.create(request(budget_trials_count=5)).design_id)
    client.rpush("shotwright", "a message")
    time.sleep(1.05)
    assert [due.slot for due in store.sweep()] == [slot]
    assert store.sweep() == []
    time.sleep(0.35)
    assert [due.slot for due in store.sweep()] == [slot]


def test_one_sweeps_for_all_until_it_falls_silent(client: Redis) -> None:
    """While one store sweeps, others find nothing; two seconds after its last sweep another takes over."""
    first, second = Store(client), Store(client)
    design_id = first.create(request()).design_id
    assert first.sweep() == []
    time.sleep(1.1)
    assert second.sweep() == []
    assert first.sweep() != []
    design_id = first.create(request()).design_id
    time.sleep(SWEEPER_SECONDS + 0.1)
    assert [due.slot for due in second.sweep()] == second.first_slots(design_id)
    assert first.sweep() == []


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
    """After three leases without a result an island is given up, its missing trials are lost; the design goes on.

    The design tells which island it was, how often it was tried, and at which trial and shot.
    """
    store = Store(client, lease_seconds=0.1, attempts_limit=3)
    design_id = store.create(request(budget_trials_count=5)).design_id
    (slot,) = store.first_slots(design_id)
    for attempt in (1, 2, 3):
        lease = leased(store, slot)
        assert lease.attempt == attempt
        store.record(lease, [candidate(0), candidate(1)])
        store.note(lease, UnderWay(trial_number=attempt, shot=SHOT))
        time.sleep(0.15)
        store.sweep()
    store.note(lease, UnderWay(trial_number=4, shot=SHOT))  # too late to be taken down
    assert store.lease(slot) is None
    design = store.get(design_id)
    assert design.progress.lost_trials_count == 3
    assert design.failure is not None
    assert "3 of 5 trials" in design.failure
    assert "3 attempts" in design.failure
    (given_up,) = design.given_up
    assert (given_up.round_number, given_up.island_number, given_up.attempts_count) == (0, 0, 3)
    assert given_up.lost_trials_count == 3
    assert given_up.under_way == UnderWay(trial_number=3, shot=SHOT)
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


def test_design_of_an_older_version_is_gone(store: Store, client: Redis) -> None:
    """What cannot be read any more is told as gone, and taken off the list."""
    design_id = store.create(request()).design_id
    client.hdel(f"shotwright:design:{design_id}", "plan")
    with pytest.raises(DesignGone, match="older version"):
        store.get(design_id)
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


# ---- keeping ---------------------------------------------------------------------------------------------------------


def test_expiry_of_an_ended_design_can_be_moved(store: Store, client: Redis) -> None:
    """A later time, an earlier one and none are shown, and every key of the design goes by them."""
    design_id = make_ended(store)
    keys = list(client.scan_iter(match=f"*design:{design_id}*"))
    for days in (400, 2):
        at = (store.now() + timedelta(days=days)).replace(microsecond=0)
        store.keep(design_id, at)
        assert store.get(design_id).expires_at == at
        assert {client.expiretime(key) for key in keys} == {int(at.timestamp())}
    store.keep(design_id, None)
    assert store.get(design_id).expires_at is None
    assert {client.ttl(key) for key in keys} == {-1}


def test_design_that_expired_at_a_moved_time_is_gone(store: Store) -> None:
    """Once the new time has come the design is gone, not unknown."""
    design_id = make_ended(store)
    store.keep(design_id, store.now() + timedelta(milliseconds=50))
    time.sleep(0.1)
    with pytest.raises(DesignGone, match="expired"):
        store.get(design_id)


def test_expiry_that_cannot_be_set(store: Store) -> None:
    """A design at work, a time that has passed, an unknown and a deleted design are refused."""
    active, ended, deleted = store.create(request()).design_id, make_ended(store), make_ended(store)
    store.delete(deleted)
    later = store.now() + timedelta(days=1)
    with pytest.raises(DesignStillActive):
        store.keep(active, later)
    with pytest.raises(ExpiryRefused):
        store.keep(ended, store.now() - timedelta(seconds=1))
    with pytest.raises(DesignUnknown):
        store.keep("nothing", later)
    with pytest.raises(DesignGone):
        store.keep(deleted, later)
