"""Doing slots with the real store and the real model: islands, closings, duplicates, cancelling, the watchdog."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from itertools import starmap

import pytest
from redis import Redis
from redis.exceptions import ConnectionError as RedisConnectionError

from physics import simulate_shot
from tests.worker.samples import candidate, miss, request
from worker.closing import close_round
from worker.plan import numbers_of
from worker.records import Candidate, SlotName
from worker.service import DesignService
from worker.store import Store
from worker.trial import shot_of
from worker.watchdog import Watchdog
from worker.work import do_slot

SMALL = request(budget_trials_count=5)


class Outbox:
    """Stands in for the message queue where a test wants to see what is sent."""

    def __init__(self) -> None:
        self.sent: list[SlotName] = []

    def __call__(self, slot: SlotName) -> None:
        self.sent.append(slot)


@pytest.fixture
def outbox() -> Outbox:
    return Outbox()


def fill_with(store: Store, design_id: str, rows: list[Candidate]) -> SlotName:
    """Fill the islands of the round with given rows; returns the closing."""
    budget = store.get(design_id).request.budget_trials_count
    for slot in store.first_slots(design_id):
        lease = store.lease(slot)
        assert lease is not None
        store.fill(lease, [row for row in rows if row.number in numbers_of(budget, slot)], [])
    return store.closing_of(design_id)


def test_slot_delivered_to_two_at_once_is_done_once(store: Store, outbox: Outbox) -> None:
    """A small design from request to recommendation: every message comes twice at once, and once more afterwards.

    Its trials are counted once, and the recommended shot does what it says.
    """
    design_id = DesignService(store, outbox).submit(SMALL).design_id
    assert outbox.sent == store.first_slots(design_id)
    with ThreadPoolExecutor(2) as pool:
        list(starmap(pool.submit, [(do_slot, store, outbox.sent[0], simulate_shot, outbox)] * 2))
    do_slot(store, outbox.sent[0], simulate_shot, outbox)
    design = store.get(design_id)
    assert design.state == "succeeded"
    assert design.progress.finished_trials_count == 5
    assert len(store.candidates(design_id, 100).items) == 5
    assert design.recommended is not None
    found = design.recommended
    assert found.candidate.number in design.front_numbers
    shot = shot_of(SMALL, found.candidate)
    assert shot is not None
    summary = simulate_shot(shot).summary
    assert summary is not None
    assert summary.final_outer_diameter_m == found.candidate.final_outer_diameter_m
    assert summary.final_outer_diameter_m == pytest.approx(0.024, abs=1e-4)
    assert found.confirmation is not None
    assert found.confirmation.difference_m == pytest.approx(
        found.confirmation.final_outer_diameter_m - summary.final_outer_diameter_m
    )


def test_next_round_is_sent_and_keeps_the_front(store: Store) -> None:
    """Closing a round that is not the last sends the islands of the next, whose closing weighs both rounds."""
    asked = request(budget_trials_count=485)
    design_id = store.create(asked).design_id
    first = [candidate(7, energy_j=1000.0, fidelity="design"), candidate(8, energy_j=4000.0, fidelity="design")]
    following = close_round(store, fill_with(store, design_id, first), simulate_shot)
    assert following == store.first_slots(design_id)
    assert [slot.key for slot in following] == ["1/0"]
    assert store.get(design_id).front_numbers == [7]
    assert store.get(design_id).state == "running"
    second = [candidate(481, energy_j=900.0, voltage_v=6000.0, fidelity="design")]
    assert close_round(store, fill_with(store, design_id, second), simulate_shot) == []
    design = store.get(design_id)
    assert design.state == "succeeded"
    assert design.front_numbers == [481, 7]
    assert design.recommended is not None
    assert design.recommended.candidate.number == 481


def test_nothing_feasible_names_what_limits(store: Store) -> None:
    """A design without a feasible candidate succeeds, recommends nothing and says what would have to give."""
    design_id = store.create(SMALL).design_id
    close_round(store, fill_with(store, design_id, [miss(0, 0.4), miss(1, 0.1)]), simulate_shot)
    design = store.get(design_id)
    assert design.state == "succeeded"
    assert design.recommended is None
    assert design.limiting is not None
    assert design.limiting.nearest == miss(1, 0.1)
    assert design.limiting.misses[0].trials_count == 2


def test_design_without_a_single_trial_has_failed(client: Redis, outbox: Outbox) -> None:
    """When every island killed its workers the design fails, tells how often it was tried, and never shows 100 %."""
    store = Store(client, lease_seconds=0.1, attempts_limit=2)
    design_id = store.create(SMALL).design_id
    watchdog = Watchdog(store, outbox)
    for _ in range(2):
        store.lease(store.first_slots(design_id)[0])
        time.sleep(0.15)
        watchdog.sweep()
    time.sleep(1.1)
    watchdog.sweep()
    assert outbox.sent[-1] == store.closing_of(design_id)
    do_slot(store, outbox.sent[-1], simulate_shot, outbox)
    design = store.get(design_id)
    assert design.state == "failed"
    assert design.failure is not None
    assert "5 of 5 trials were lost" in design.failure
    assert "2 attempts" in design.failure
    assert design.progress.finished_trials_count == 0


def test_design_is_accepted_even_if_its_messages_cannot_be_sent(client: Redis, outbox: Outbox) -> None:
    """A queue that fails between row and message does not fail the request; a watchdog sends what is missing."""

    def fails(_: SlotName) -> None:
        raise RedisConnectionError("away")

    store = Store(client)
    design_id = DesignService(store, fails).submit(SMALL).design_id
    time.sleep(1.1)
    Watchdog(store, outbox).sweep()
    assert outbox.sent == store.first_slots(design_id)


def test_cancelling_ends_without_any_worker(client: Redis, outbox: Outbox) -> None:
    """A design whose only worker died is cancelled by the watchdog alone, with the trials it had."""
    store = Store(client, lease_seconds=0.1)
    design_id = store.create(SMALL).design_id
    lease = store.lease(store.first_slots(design_id)[0])
    assert lease is not None
    store.record(lease, [candidate(0), candidate(1, energy_j=1500.0)])
    assert DesignService(store, outbox).cancel(design_id).state == "cancelling"
    watchdog = Watchdog(store, outbox)
    time.sleep(0.15)
    watchdog.sweep()
    time.sleep(1.1)
    watchdog.sweep()
    design = store.get(design_id)
    assert design.state == "cancelled"
    assert design.progress.finished_trials_count == 2
    assert design.front_numbers == [1]
    assert design.recommended is None


def test_watchdog_gives_its_workers_sign_of_life(store: Store, outbox: Outbox) -> None:
    """While the watchdog runs its worker counts as alive; after its goodbye it does not."""
    watchdog = Watchdog(store, outbox, "this one")
    watchdog.start()
    time.sleep(1.3)
    assert store.live_workers() == ["this one"]
    watchdog.say_goodbye()
    watchdog.stop()
    assert store.live_workers() == []
