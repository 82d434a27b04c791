"""What a design tells of itself: written with each change, bounded, and readable from any place on."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from typing import Any, TypeVar

import pytest
from redis import Redis

from physics.shot import Shot
from tests.physics.shots import TRADE_SHOT
from tests.worker.samples import candidate, miss, request
from tests.worker.test_store import ending, fill_round, leased, make_ended
from worker.budget import Budget
from worker.errors import DesignGone, DesignUnknown, ShotListGone
from worker.event_scripts import MOST_EVENTS, MOST_EVENTS_ENDED
from worker.events import START, Event, EventLog, order
from worker.records import LIST_PREFIX, Candidate, FrontChange, Progress, Status
from worker.shot_list import ShotListProgress, ShotListRequest, ShotOutcome
from worker.store import Store

Ask = Callable[[Callable[[EventLog], Awaitable[Any]]], Any]
Content = TypeVar("Content")


@pytest.fixture
def ask(redis_url: str) -> Ask:
    """Asks an event log something, on connections of its own."""

    def run(question: Callable[[EventLog], Awaitable[Any]]) -> Any:
        async def answer() -> Any:
            log = EventLog(redis_url)
            try:
                return await question(log)
            finally:
                await log.close()

        return asyncio.run(answer())

    return run


async def everything(log: EventLog, design_id: str, after: str = START) -> list[Event]:
    found: list[Event] = []
    while page := await log.after(design_id, after):
        found += page
        after = page[-1].id
    return found


def told(ask: Ask, design_id: str, after: str = START) -> list[Event]:
    found: list[Event] = ask(lambda log: everything(log, design_id, after))
    return found


def only(kind: type[Content], events: list[Event]) -> list[Content]:
    return [event.content for event in events if isinstance(event.content, kind)]


def test_events_tell_a_design_from_its_post_to_its_end(store: Store, ask: Ask) -> None:
    """States in their order, each new best, the front, progress that grows; the last event of all is the end."""
    design_id = store.create(request()).design_id
    first, second = store.first_slots(design_id)
    lease = leased(store, first)
    store.record(lease, [candidate(0, energy_j=3000.0), miss(1, 0.1)])
    store.record(lease, [candidate(2, energy_j=2000.0)])
    store.record(lease, [candidate(3, energy_j=2500.0)])
    store.fill(lease, [], [candidate(2, energy_j=2100.0, fidelity="design")])
    store.fill(leased(store, second), [candidate(40, energy_j=2600.0, voltage_v=4000.0)], [])
    store.close(leased(store, store.closing_of(design_id)), ending(front=[2, 40]), [])
    events = told(ask, design_id)
    assert [status.state for status in only(Status, events)] == ["queued", "running", "succeeded"]
    assert [(found.number, found.fidelity) for found in only(Candidate, events)] == [
        (0, "screen"),
        (2, "screen"),
        (2, "design"),
        (40, "screen"),
    ]
    assert only(FrontChange, events) == [FrontChange(round_number=0, numbers=[2, 40])]
    counts = [progress.finished_trials_count for progress in only(Progress, events)]
    assert counts == sorted(counts)
    assert counts[-1] == 5
    assert [event.last for event in events] == [False] * (len(events) - 1) + [True]
    assert [order(event.id) for event in events] == sorted({order(event.id) for event in events})


def test_last_event_and_design_agree_after_every_change(store: Store, ask: Ask) -> None:
    """Whatever changes the state of a design tells it: the last status told is the design's, with the same words."""

    def agrees(state: str) -> None:
        design = store.get(design_id)
        assert design.state == state
        status = only(Status, told(ask, design_id))[-1]
        shown = {name: getattr(design, name) for name in type(status).model_fields if name != "name"}
        assert status.model_dump(exclude={"name"}) == shown
        assert status.name == design.request.name

    design_id = store.create(request()).design_id
    agrees("queued")
    fill_round(store, design_id)
    agrees("running")
    store.close(leased(store, store.closing_of(design_id)), ending(), [])
    agrees("succeeded")
    store.extend(design_id, Budget(budget_trials_count=100))
    agrees("queued")
    leased(store, store.first_slots(design_id)[0])
    agrees("running")
    store.cancel(design_id)
    agrees("cancelling")


def test_given_up_closing_is_told_as_a_failure(client: Redis, ask: Ask) -> None:
    """A design that a watchdog has to end tells its failure, and an island that is given up before it as well."""
    store = Store(client, lease_seconds=0.05, attempts_limit=1)
    design_id = store.create(request(budget_trials_count=5)).design_id
    for _ in range(2):
        slot = store.first_slots(design_id)[0]
        assert store.lease(slot) or store.lease(store.closing_of(design_id))
        client.zadd("shotwright:due", {str(member): 0 for member in client.zrange("shotwright:due", 0, -1)})
        time.sleep(0.1)
        store.sweep()
    events = told(ask, design_id)
    assert only(Status, events)[-1].state == "failed"
    assert only(Status, events)[-1].failure == store.get(design_id).failure
    assert only(Progress, events)[-1].lost_trials_count == 5


def test_progress_is_told_about_once_a_second(store: Store, ask: Ask) -> None:
    """Forty reports within a moment are told once; the end of the round tells the rest."""
    design_id = store.create(request()).design_id
    lease = leased(store, store.first_slots(design_id)[0])
    begun = store.now()
    for number in range(40):
        store.record(lease, [miss(number, 0.1)])
    passed_s = (store.now() - begun).total_seconds()
    assert 1 <= len(only(Progress, told(ask, design_id))) <= 1 + passed_s / 0.9


def test_stream_is_bounded_and_goes_with_its_design(store: Store, client: Redis, ask: Ask) -> None:
    """A long design keeps its latest events only, an ended one few until it expires, a deleted one none."""
    design_id = store.create(request()).design_id
    lease = leased(store, store.first_slots(design_id)[0])
    for number in range(MOST_EVENTS + 300):
        store.record(lease, [candidate(number, energy_j=5000.0 - number)])
    key = f"shotwright:design:{design_id}:events"
    assert MOST_EVENTS <= client.xlen(key) < MOST_EVENTS + 200
    assert client.ttl(key) == -1
    store.fill(lease, [], [])
    store.fill(leased(store, store.first_slots(design_id)[1]), [], [])
    store.close(leased(store, store.closing_of(design_id)), ending(), [])
    assert client.xlen(key) == MOST_EVENTS_ENDED
    assert client.ttl(key) == pytest.approx(client.ttl(f"shotwright:design:{design_id}"), abs=2)
    assert told(ask, design_id)[-1].last
    store.delete(design_id)
    assert client.exists(key) == 0


def test_snapshot_is_the_design_at_its_last_event(store: Store, ask: Ask) -> None:
    """State and progress of a snapshot are the design's, and its id is that of the last event."""
    design_id = store.create(request()).design_id
    store.record(leased(store, store.first_slots(design_id)[0]), [candidate(0)])

    async def look(log: EventLog) -> None:
        snapshot = await log.snapshot(design_id)
        assert snapshot.id == (await everything(log, design_id))[-1].id
        assert snapshot.progress == store.get(design_id).progress
        assert snapshot.status.state == "running"

    ask(look)


def list_of_two(store: Store) -> str:
    """A list of two shots, each a slice, that nobody works on."""
    shot = Shot.model_validate(TRADE_SHOT)
    return store.shot_lists.create(ShotListRequest(name="two", shots=[shot, shot]), [shot, shot])[0]


def test_events_tell_a_list_of_shots_from_its_post_to_its_end(store: Store, ask: Ask) -> None:
    """Its states in their order, progress that grows, and as the last event the end; a snapshot shows the same."""
    lists, list_id = store.shot_lists, list_of_two(store)
    for slot in lists.slots(list_id):
        lease = lists.lease(slot)
        assert lease is not None
        number = slot.island or 0
        lists.step(lease, number, [])
        lists.end_slice(lease, [ShotOutcome(number=number, state="failed", attempts_count=1, failure="as a test")])
    events = told(ask, f"{LIST_PREFIX}{list_id}")
    assert [status.state for status in only(Status, events)] == ["queued", "running", "failed"]
    assert [event.last for event in events] == [False] * (len(events) - 1) + [True]
    counts = [progress.failed_shots_count for progress in only(ShotListProgress, events)]
    assert counts == sorted(counts)
    assert counts[-1] == 2
    ended, snapshot = lists.get(list_id), ask(lambda log: log.snapshot(f"{LIST_PREFIX}{list_id}"))
    assert snapshot.id == events[-1].id
    assert snapshot.progress == ended.progress
    assert snapshot.status == only(Status, events)[-1]
    assert (snapshot.status.name, snapshot.status.failure) == ("two", ended.failure)


def test_cancelled_list_tells_its_end_last(store: Store, client: Redis, ask: Ask) -> None:
    """A list that nobody works on is cancelled at once: no other status is told after its last one."""
    lists, list_id = store.shot_lists, list_of_two(store)
    lists.cancel(list_id)
    events = told(ask, f"{LIST_PREFIX}{list_id}")
    assert [status.state for status in only(Status, events)] == ["queued", "cancelling", "cancelled"]
    assert events[-1].last
    key = f"shotwright:shot-list:{list_id}:events"
    assert client.ttl(key) == pytest.approx(client.ttl(f"shotwright:shot-list:{list_id}"), abs=2)
    lists.delete(list_id)
    assert client.exists(key) == 0
    with pytest.raises(ShotListGone):
        ask(lambda log: log.snapshot(f"{LIST_PREFIX}{list_id}"))


def test_missing_designs_are_told_apart(store: Store, ask: Ask) -> None:
    """An unknown id and a deleted one are different errors."""
    gone = make_ended(store)
    store.delete(gone)
    with pytest.raises(DesignUnknown):
        ask(lambda log: log.snapshot("01890a5d-ac96-774b-bcce-b302099a8057"))
    with pytest.raises(DesignGone):
        ask(lambda log: log.snapshot(gone))


def test_lost_events_are_noticed(store: Store, client: Redis, ask: Ask) -> None:
    """A place before the first event that is kept, or beyond the last, cannot be gone on from; any other can."""
    design_id = store.create(request()).design_id
    lease = leased(store, store.first_slots(design_id)[0])
    for number in range(5):
        store.record(lease, [candidate(number, energy_j=5000.0 - number)])
    ids = [event.id for event in told(ask, design_id)]

    def whole(place: str) -> bool:
        return bool(ask(lambda log: log.is_whole_after(design_id, place)))

    assert all(whole(place) for place in (START, *ids))
    assert not whole("9999999999999-0")
    client.xtrim(f"shotwright:design:{design_id}:events", 3, approximate=False)
    assert [place for place in ids if whole(place)] == ids[-3:]
    assert not whole(START)
    client.delete(f"shotwright:design:{design_id}:events")
    assert not whole(ids[-1])
