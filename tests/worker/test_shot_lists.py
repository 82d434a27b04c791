"""Lists of shots on a real server with the real model: what is asked, and what must hold whoever dies."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from itertools import starmap
from typing import Any

import pytest
from redis import Redis

from physics import ShotFigures, shot_figures, simulate_shot
from physics.shot import Shot
from tests.worker.samples import request as design_request
from worker.bench import BenchRevision, NamedBench
from worker.errors import IdempotencyConflict, InputRefused, ShotListGone, ShotListStillActive, ShotListUnknown
from worker.records import Due, Lease, SlotName
from worker.shot_list import ShotListRequest, ShotOutcome, combinations, shots_of, slice_size, values_of
from worker.shot_list_store import ShotListStore
from worker.slices import do_slice
from worker.store import Store
from worker.watchdog import Watchdog

SHOT: dict[str, Any] = {
    "bank": {"capacitance_farad": 1e-4, "charge_voltage_v": 5000.0, "inductance_henry": 2e-7},
    "coil": {"turns_count": 6, "wire_diameter_m": 2e-3, "pitch_m": 2.2e-3},
    "gap_m": 1e-3,
    "workpiece": {"shape": "disc", "outer_diameter_m": 0.03, "thickness_m": 2e-3, "layers": [{"material": "copper"}]},
    "solver": {"fidelity": "screen"},
}


def no_bench(_: NamedBench) -> BenchRevision:
    raise AssertionError("no bench is named here")


def sweep(*vary: tuple[str, list[Any]], **shot: Any) -> ShotListRequest:
    return ShotListRequest.model_validate(
        {"shot": {**SHOT, **shot}, "vary": [{"pointer": pointer, "values": values} for pointer, values in vary]}
    )


def voltages(count: int) -> ShotListRequest:
    return sweep(("/bank/charge_voltage_v", [4000.0 + 10.0 * n for n in range(count)]))


def refused(request: ShotListRequest) -> InputRefused:
    with pytest.raises(InputRefused) as found:
        shots_of(request, no_bench)
    return found.value


@pytest.fixture
def lists(store: Store) -> ShotListStore:
    return store.shot_lists


def made(lists: ShotListStore, request: ShotListRequest) -> str:
    return lists.create(request, shots_of(request, no_bench))[0]


def leased(lists: ShotListStore, slot: SlotName) -> Lease:
    lease = lists.lease(slot)
    assert lease is not None
    return lease


def outcome(number: int, **changes: Any) -> ShotOutcome:
    body = {"number": number, "state": "finished", "status": "completed", "attempts_count": 1, **changes}
    return ShotOutcome.model_validate(body)


def all_outcomes(lists: ShotListStore, list_id: str) -> dict[int, ShotOutcome]:
    return lists.outcomes(lists.get(list_id), 1000).outcomes


# ---- what is asked ---------------------------------------------------------------------------------------------------


def test_sweep_is_the_full_product_in_order() -> None:
    """Every combination is a shot; the last one named changes fastest, and each tells what it has."""
    request = sweep(("/gap_m", [1e-3, 2e-3]), ("/bank/charge_voltage_v", [4000.0, 5000.0, 6000.0]))
    shots = shots_of(request, no_bench)
    assert len(shots) == combinations(request.vary) == 6
    assert [(shot.gap_m, shot.bank.charge_voltage_v) for shot in shots] == [
        (gap, voltage) for gap in (1e-3, 2e-3) for voltage in (4000.0, 5000.0, 6000.0)
    ]
    for number, shot in enumerate(shots):
        told = values_of(request.vary, number)
        assert list(told) == ["/gap_m", "/bank/charge_voltage_v"]
        assert list(told.values()) == [shot.gap_m, shot.bank.charge_voltage_v]


def test_counts_names_and_defaults_can_be_varied() -> None:
    """Whole numbers stay whole, names stay names, and a place that only a default has fills is a place."""
    request = sweep(
        ("/coil/turns_count", [5, 6]),
        ("/workpiece/layers/0/material", ["copper", "aluminium_1050_o"]),
        ("/solver/motion", [True]),
    )
    shots = shots_of(request, no_bench)
    assert [shot.coil.turns_count for shot in shots] == [5, 5, 6, 6]
    assert [shot.workpiece.layers[0].material for shot in shots] == ["copper", "aluminium_1050_o"] * 2


def test_wrong_value_of_a_sweep_is_told_at_its_place() -> None:
    """A value outside its range is told once, with the range and the hint, however many combinations it is in."""
    (problem,) = refused(sweep(("/gap_m", [1e-3, 2e-3]), ("/bank/capacitance_farad", [1e-4, 140.0]))).problems
    assert problem.pointer == "/vary/1/values/1"
    assert (problem.unit, problem.maximum) == ("F", 2e-2)
    assert problem.hint is not None


def test_combination_that_contradicts_is_told_with_its_values() -> None:
    """Values that are good one by one but not together are told at `vary`, with all of them."""
    (problem,) = refused(sweep(("/coil/wire_diameter_m", [2e-3, 4e-3]), ("/coil/pitch_m", [2.2e-3]))).problems
    assert problem.pointer == "/vary"
    for word in ("0.004", "0.0022", "turns overlap"):
        assert word in problem.detail


@pytest.mark.parametrize("pointer", ["/bank/voltage_v", "/workpiece/layers/1/material", "/gap_m/0", "/crowbar/across"])
def test_pointer_to_nowhere_is_refused(pointer: str) -> None:
    """A pointer has to lead to something that the shot has."""
    (problem,) = refused(sweep((pointer, [1.0]))).problems
    assert problem.pointer == "/vary/0/pointer"
    assert pointer in problem.detail


def test_more_than_a_thousand_are_refused() -> None:
    """The product is counted before anything is made of it."""
    many = [1000.0 + n for n in range(1000)]
    with pytest.raises(ValueError, match="1000000 combinations"):
        sweep(("/bank/charge_voltage_v", many), ("/gap_m", many))


@pytest.mark.parametrize("count", [1, 7, 8, 9, 100, 199, 200, 201, 1000])
def test_slices_are_small_and_hold_all(count: int) -> None:
    """A short list is shared by several workers, a long one is cut into slices of 25."""
    each = slice_size(count)
    slices = -(-count // each)
    assert 1 <= each <= 25
    assert slices >= min(count, 5)


# ---- the store -------------------------------------------------------------------------------------------------------


def test_list_and_design_share_a_queue(store: Store, lists: ShotListStore) -> None:
    """Places in the queue are counted over all jobs, and a lease moves them on."""
    first, second = made(lists, voltages(3)), store.create(design_request()).design_id
    assert (lists.get(first).progress.queue_place, store.get(second).progress.queue_place) == (1, 2)
    leased(lists, lists.slots(first)[0])
    assert (lists.get(first).state, store.get(second).progress.queue_place) == ("running", 1)


def test_outcomes_are_kept_bit_for_bit_and_counted_once(lists: ShotListStore) -> None:
    """An outcome comes back with all its numbers; one handed in again changes nothing."""
    list_id = made(lists, voltages(16))
    lease = leased(lists, lists.slots(list_id)[0])
    result = simulate_shot(SHOT)
    kept = outcome(0, summary=result.summary, ratings=result.ratings, advice=result.advice)
    lists.step(lease, 0, [])
    lists.step(lease, 1, [kept])
    lists.step(lease, 1, [outcome(0, attempts_count=9)])
    assert all_outcomes(lists, list_id) == {0: kept}
    assert lists.get(list_id).progress.finished_shots_count == 1


def test_void_lease_changes_nothing(client: Redis) -> None:
    """After its slice went to another worker, an old lease can neither hand in nor end."""
    lists = Store(client, lease_seconds=0.1).shot_lists
    list_id = made(lists, voltages(1))
    (slot,) = lists.slots(list_id)
    old = leased(lists, slot)
    time.sleep(0.15)
    new = leased(lists, slot)
    assert lists.step(old, 0, [outcome(0)])[0] == "lost"
    lists.end_slice(old, [outcome(0)])
    assert lists.get(list_id).progress.finished_shots_count == 0
    lists.end_slice(new, [outcome(0)])
    found = lists.get(list_id)
    assert (found.state, found.progress.finished_shots_count) == ("succeeded", 1)
    assert found.progress.repeats_count == 1


def test_same_key_makes_one_list(lists: ShotListStore) -> None:
    """Twenty parallel posts with one key make one list; another body is refused."""
    request = voltages(3)
    shots = shots_of(request, no_bench)
    with ThreadPoolExecutor(20) as pool:
        found = list(pool.map(lambda _: lists.create(request, shots, "key"), range(20)))
    assert len({list_id for list_id, _ in found}) == 1
    assert sum(created for _, created in found) == 1
    assert lists.made_from(request, "key") == found[0][0]
    with pytest.raises(IdempotencyConflict):
        lists.made_from(voltages(4), "key")


def test_ended_list_expires_and_leaves_a_tombstone(client: Redis) -> None:
    """An ended list says when it expires, and nothing of it is without a time to live; then it is gone, not unknown."""
    lists = Store(client, result_days=1e-5).shot_lists
    list_id = made(lists, voltages(1))
    with pytest.raises(ShotListStillActive):
        lists.delete(list_id)
    do_slice(lists, lists.slots(list_id)[0], shot_figures)
    assert lists.get(list_id).expires_at is not None
    assert all(client.ttl(key) >= 0 for key in client.keys(f"shotwright:shot-list:{list_id}*"))
    assert not client.zcard("shotwright:due")
    time.sleep(1.2)
    with pytest.raises(ShotListGone, match="expired"):
        lists.get(list_id)
    assert lists.page().items == []
    with pytest.raises(ShotListUnknown):
        lists.get("never")


def test_thousand_shots_take_little_room(client: Redis, lists: ShotListStore) -> None:
    """With results the list takes less than 1.5 kB a shot on the server, input included."""
    request = voltages(1000)
    before = client.info("memory")["used_memory"]
    list_id = made(lists, request)
    result = simulate_shot(SHOT)
    for slot in lists.slots(list_id):
        lease = leased(lists, slot)
        rows = [outcome(n, summary=result.summary, advice=result.advice) for n in lists.open_shots(slot)]
        lists.end_slice(lease, rows)
    assert lists.get(list_id).state == "succeeded"
    assert client.info("memory")["used_memory"] - before < 1.5e6


# ---- doing -----------------------------------------------------------------------------------------------------------


class Counted:
    """The model, noting what it is asked; a shot at one voltage ends whoever runs it, like a killed process."""

    def __init__(self, deadly_v: float | None = None) -> None:
        self.asked: list[float] = []
        self._deadly_v = deadly_v

    def __call__(self, shot: Shot) -> ShotFigures:
        self.asked.append(shot.bank.charge_voltage_v)
        if shot.bank.charge_voltage_v == self._deadly_v:
            raise Killed
        return shot_figures(shot)


class Killed(BaseException):
    """Stands in for a signal that ends the process: nothing in the code catches it."""


def run_until_ended(store: Store, list_id: str, simulate: Counted) -> None:
    """Play workers that die at deadly shots, and the watchdog that finds what they leave."""
    sent: list[SlotName] = list(store.shot_lists.slots(list_id))
    watchdog = Watchdog(store, sent.append)
    deadline = time.monotonic() + 60.0
    while not store.shot_lists.get(list_id).ended:
        assert time.monotonic() < deadline
        while sent:
            try:
                do_slice(store.shot_lists, sent.pop(0), simulate)
            except Killed:
                continue
        time.sleep(0.1)
        watchdog.sweep()


def test_slice_delivered_twice_at_once_is_done_once(lists: ShotListStore) -> None:
    """Every message comes twice at once and once more afterwards; each shot is run once, and its figures are right."""
    request, simulate = voltages(6), Counted()
    list_id = made(lists, request)
    with ThreadPoolExecutor(2) as pool:
        list(starmap(pool.submit, [(do_slice, lists, slot, simulate) for slot in lists.slots(list_id) for _ in "12"]))
    for slot in lists.slots(list_id):
        do_slice(lists, slot, simulate)
    shots = shots_of(request, no_bench)
    assert sorted(simulate.asked) == [shot.bank.charge_voltage_v for shot in shots]
    found = lists.get(list_id)
    assert (found.state, found.progress.finished_shots_count) == ("succeeded", 6)
    for number, kept in all_outcomes(lists, list_id).items():
        assert kept.summary == simulate_shot(shots[number]).summary
        assert lists.shot(found, number)[0] == shots[number]


def test_deadly_shot_fails_alone_and_nothing_finished_is_run_again(client: Redis) -> None:
    """A shot that ends its worker each time is given up after N attempts with the count; all others have results."""
    store = Store(client, lease_seconds=0.2, attempts_limit=3)
    simulate = Counted(deadly_v=4030.0)
    list_id = made(store.shot_lists, voltages(50))
    run_until_ended(store, list_id, simulate)
    found = store.shot_lists.get(list_id)
    assert (found.state, found.progress.finished_shots_count, found.progress.failed_shots_count) == ("succeeded", 49, 1)
    given_up = all_outcomes(store.shot_lists, list_id)[3]
    assert (given_up.state, given_up.attempts_count, given_up.summary) == ("failed", 3, None)
    assert given_up.failure is not None
    assert "3 attempts" in given_up.failure
    assert simulate.asked.count(4030.0) == 3
    assert len(simulate.asked) == 49 + 3
    assert found.progress.repeats_count == 3
    assert found.failure is not None


def test_slice_that_never_comes_to_a_shot_is_given_up(client: Redis) -> None:
    """Workers that die before their first shot do not repeat a slice for ever: its shots fail, and the list ends."""
    store = Store(client, lease_seconds=0.1, attempts_limit=2)
    list_id = made(store.shot_lists, voltages(1))
    due: list[Due] = []
    for _ in range(2):
        leased(store.shot_lists, store.shot_lists.slots(list_id)[0])
        time.sleep(0.15)
        due = store.sweep()
    assert [found.slot for found in due] == store.shot_lists.slots(list_id)
    do_slice(store.shot_lists, due[0].slot, shot_figures)
    found = store.shot_lists.get(list_id)
    assert (found.state, found.progress.failed_shots_count, found.progress.finished_shots_count) == ("failed", 1, 0)


def test_error_of_the_model_is_told_of_its_shot(lists: ShotListStore) -> None:
    """An exception in one shot is that shot's failure; the others go on, and no inner text gets out."""

    def broken(shot: Shot) -> ShotFigures:
        if shot.bank.charge_voltage_v == 4010.0:
            raise ZeroDivisionError("an inner detail")
        return shot_figures(shot)

    list_id = made(lists, voltages(3))
    for slot in lists.slots(list_id):
        do_slice(lists, slot, broken)
    found = all_outcomes(lists, list_id)
    assert [found[number].state for number in range(3)] == ["finished", "failed", "finished"]
    assert found[1].failure is not None
    assert "ZeroDivisionError" in found[1].failure
    assert "inner detail" not in found[1].failure
    assert lists.get(list_id).state == "succeeded"


def test_cancelled_list_keeps_what_is_finished(lists: ShotListStore) -> None:
    """Cancelled in the middle of a slice, the list ends after the shot under way, which is kept like those before."""
    list_id = made(lists, voltages(50))

    def cancelling(shot: Shot) -> ShotFigures:
        if shot.bank.charge_voltage_v == 4020.0:
            assert lists.cancel(list_id).state == "cancelling"
        return shot_figures(shot)

    do_slice(lists, lists.slots(list_id)[0], cancelling)
    found = lists.get(list_id)
    assert (found.state, found.progress.finished_shots_count) == ("cancelled", 3)
    assert lists.cancel(list_id) == found
    assert sorted(all_outcomes(lists, list_id)) == [0, 1, 2]


def test_queued_list_is_cancelled_at_once(lists: ShotListStore, client: Redis) -> None:
    """Without a worker on it a list ends with the call, and nothing of it is left to be looked after."""
    list_id = made(lists, voltages(50))
    assert lists.cancel(list_id).state == "cancelled"
    assert not client.zcard("shotwright:due")
    assert not client.zcard("shotwright:queued")


def test_cancelling_ends_without_any_worker(client: Redis) -> None:
    """A list whose only worker died while it was being cancelled is ended by the watchdog alone."""
    store = Store(client, lease_seconds=0.1)
    list_id = made(store.shot_lists, voltages(1))
    leased(store.shot_lists, store.shot_lists.slots(list_id)[0])
    assert store.shot_lists.cancel(list_id).state == "cancelling"
    time.sleep(0.15)
    assert store.sweep() == []
    assert store.shot_lists.get(list_id).state == "cancelled"
