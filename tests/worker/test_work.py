"""Doing slots with the real store and the real model: islands, closings, duplicates, cancelling, the watchdog."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from itertools import starmap

import pytest
from redis import Redis
from redis.exceptions import ConnectionError as RedisConnectionError

from physics import ShotFigures, shot_figures, simulate_shot
from physics.shot import Shot
from tests.worker.samples import candidate, loose_request, miss, request
from worker.budget import Budget
from worker.closing import close_round
from worker.plan import numbers_of
from worker.records import Candidate, Confirmation, Robustness, SlotName
from worker.request import DesignRequest, Spreads
from worker.service import DesignService
from worker.store import Store
from worker.trial import Simulate, shot_of
from worker.watchdog import Watchdog
from worker.work import do_slot


def with_nothing_straying(asked: DesignRequest) -> DesignRequest:
    """The request with all spreads 0, so that its end takes few shots."""
    still = dict.fromkeys(Spreads.model_fields, 0.0)
    return DesignRequest.model_validate(asked.model_dump(mode="json") | {"spreads": still})


SMALL = with_nothing_straying(request(budget_trials_count=5))


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
    plan = store.get(design_id).plan
    for slot in store.first_slots(design_id):
        lease = store.lease(slot)
        assert lease is not None
        store.fill(lease, [row for row in rows if row.number in numbers_of(plan, slot)], [])
    return store.closing_of(design_id)


def test_slot_delivered_to_two_at_once_is_done_once(store: Store, outbox: Outbox) -> None:
    """A small design from request to recommendation: every message comes twice at once, and once more afterwards.

    Its trials are counted once, and the recommended shot does what it says.
    """
    design_id = DesignService(store, outbox).submit(SMALL).design_id
    assert outbox.sent == store.first_slots(design_id)
    with ThreadPoolExecutor(2) as pool:
        list(starmap(pool.submit, [(do_slot, store, outbox.sent[0], shot_figures, outbox)] * 2))
    do_slot(store, outbox.sent[0], shot_figures, outbox)
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
    asked = with_nothing_straying(request(budget_trials_count=485))
    design_id = store.create(asked).design_id
    first = [candidate(7, energy_j=1000.0, fidelity="design"), candidate(8, energy_j=4000.0, fidelity="design")]
    following = close_round(store, fill_with(store, design_id, first), shot_figures)
    assert following == store.first_slots(design_id)
    assert [slot.key for slot in following] == ["1/0"]
    assert store.get(design_id).front_numbers == [7]
    assert store.get(design_id).state == "running"
    second = [candidate(481, energy_j=900.0, voltage_v=5900.0, fidelity="design")]
    assert close_round(store, fill_with(store, design_id, second), shot_figures) == []
    design = store.get(design_id)
    assert design.state == "succeeded"
    assert design.front_numbers == [481, 7]
    assert design.recommended is not None
    assert design.recommended.candidate.number == 481


def timed_request(**budget: object) -> DesignRequest:
    """The sample request with a time for its budget."""
    return DesignRequest.model_validate(request().model_dump(mode="json") | {"budget_trials_count": None} | budget)


def settled_rows(*numbers: int, energy_j: float = 1000.0) -> list[Candidate]:
    return [candidate(number, energy_j=energy_j, fidelity="design") for number in numbers]


def test_design_with_a_duration_goes_on_in_full_rounds_until_it_is_used_up(store: Store) -> None:
    """Round follows round while one more would be over in time; the last one is closed before the deadline."""
    design_id = store.create(timed_request(budget_duration_s=4.0)).design_id
    rounds, ended = 0, False
    while not ended:
        assert len(store.first_slots(design_id)) == 8
        closing = fill_with(store, design_id, settled_rows(480 * rounds + 1, energy_j=1000.0 - rounds))
        time.sleep(1.0)
        ended = close_round(store, closing) == []
        rounds += 1
    design = store.get(design_id)
    assert design.state == "succeeded"
    assert design.ended_because == "deadline"
    assert design.finished_at is not None
    assert design.progress.deadline_at is not None
    assert design.finished_at <= design.progress.deadline_at
    # 4 s hold three rounds of a good second, and not a fourth that is taken to last a fifth longer
    assert rounds == 3
    assert design.progress.rounds_count is None
    assert design.ending is not None
    assert "in time" in design.ending


def test_one_round_is_run_whatever_the_time(store: Store) -> None:
    """A deadline that passes during the first round leaves its results, and no second round."""
    at = datetime.now(UTC) + timedelta(seconds=0.3)
    design_id = store.create(timed_request(finish_by_at=at.isoformat())).design_id
    time.sleep(0.4)
    assert close_round(store, fill_with(store, design_id, settled_rows(5))) == []
    design = store.get(design_id)
    assert (design.state, design.ended_because, design.front_numbers) == ("succeeded", "deadline", [5])


def test_front_that_stands_still_ends_the_design_early(store: Store) -> None:
    """After the stated number of rounds that changed nothing the design succeeds, says why, and can be continued."""
    design_id = store.create(request(budget_trials_count=480 * 20, stop_after_still_rounds_count=2)).design_id
    energies = [2000.0, 1000.0, 1000.0, 1001.0]  # found, bettered, still, still
    for number, energy in enumerate(energies):
        assert store.get(design_id).progress.still_rounds_count == 0 or number == 3
        following = close_round(store, fill_with(store, design_id, settled_rows(480 * number, energy_j=energy)))
        assert bool(following) == (number < 3)
    design = store.get(design_id)
    assert (design.state, design.ended_because) == ("succeeded", "front_still")
    assert design.front_numbers == [480]
    assert design.ending is not None
    assert "2 rounds" in design.ending
    store.extend(design_id, Budget(budget_trials_count=480 * 20))
    design = store.get(design_id)
    assert design.progress.still_rounds_count == 0
    assert design.progress.rounds_count == 20
    assert close_round(store, fill_with(store, design_id, settled_rows(480 * 4, energy_j=1000.0))) != []


def test_continued_design_keeps_its_front_and_weighs_new_trials_against_it(store: Store) -> None:
    """The rounds after continuing start from the front as it was, and the recommendation is made anew at the end."""
    design_id = store.create(request(budget_trials_count=240)).design_id
    close_round(store, fill_with(store, design_id, settled_rows(7, energy_j=1000.0)))
    first = store.get(design_id)
    assert (first.ended_because, first.front_numbers) == ("budget", [7])
    store.extend(design_id, Budget(budget_trials_count=480))
    assert store.get(design_id).recommended is None
    second = [candidate(300, energy_j=900.0, voltage_v=6000.0, fidelity="design")]
    close_round(store, fill_with(store, design_id, second))
    design = store.get(design_id)
    assert design.state == "succeeded"
    assert design.front_numbers == [300, 7]
    assert design.recommended is not None


def run_all(store: Store, outbox: Outbox, simulate: Simulate = shot_figures) -> list[SlotName]:
    """Do every message that is sent, twice, until none is left; returns them."""
    done = 0
    while done < len(outbox.sent):
        for _ in range(2):
            do_slot(store, outbox.sent[done], simulate, outbox)
        done += 1
    return outbox.sent


def test_longer_front_is_confirmed_by_several(store: Store, outbox: Outbox) -> None:
    """A front of more than two points is confirmed in a round of islands, each of which has two; then the design ends.

    Raising the budget afterwards goes on with the next number, and what is confirmed is not confirmed again.
    """
    reference: list[Shot] = []

    def counted(shot: Shot) -> ShotFigures:
        if shot.solver.fidelity == "reference":
            reference.append(shot)
        return shot_figures(shot)

    service = DesignService(store, outbox)
    design_id = service.submit(with_nothing_straying(loose_request(budget_trials_count=20))).design_id
    slots = run_all(store, outbox, counted)
    design = store.get(design_id)
    assert (design.state, design.ended_because) == ("succeeded", "budget")
    confirming = design.plan[-1].confirming
    assert confirming is not None
    assert [slot.key for slot in slots] == ["0/0", *(f"1/{island}" for island in range(len(confirming.numbers)))]
    points = [number for island in confirming.numbers for number in island]
    assert len(points) > 2
    assert set(design.front_numbers) <= set(points)
    rows = store.rows(design_id, points)
    assert all(row.confirmation or row.reason == "not_confirmed" for row in rows)
    assert all(row.confirmation for row in rows if row.number in design.front_numbers)
    assert len(reference) >= len(points)
    assert design.recommended is not None
    assert design.recommended.candidate.number in design.front_numbers
    assert design.progress.finished_trials_count == 20
    assert (design.progress.budget_trials_count, design.progress.rounds_count) == (20, 1)

    confirmed_before = {row.number for row in rows if row.confirmation}
    reference.clear()
    service.extend(design_id, Budget(budget_trials_count=24))
    run_all(store, outbox, counted)
    design = store.get(design_id)
    assert design.state == "succeeded"
    assert sorted(row.number for row in store.candidates(design_id, 100).items) == list(range(24))
    known = [row.parameters for row in store.rows(design_id, sorted(confirmed_before))]
    coils = {(chosen.gap_m, chosen.turns_count, chosen.capacitance_farad) for chosen in known}
    again = {(shot.gap_m, shot.coil.turns_count, shot.bank.capacitance_farad) for shot in reference}
    assert coils
    assert not coils & again


def test_island_of_the_confirming_that_kills_its_worker_leaves_its_points_out(client: Redis, outbox: Outbox) -> None:
    """Points that could not be confirmed are not on the final front; the others are, and no trial is lost."""
    store = Store(client, lease_seconds=0.1, attempts_limit=1)
    design_id = store.create(request(budget_trials_count=5)).design_id
    rows = [candidate(n, energy_j=1000.0 + n, voltage_v=6000.0 - n, fidelity="design") for n in range(5)]
    closing = fill_with(store, design_id, rows)
    slots = close_round(store, closing, shot_figures)
    assert [slot.key for slot in slots] == ["1/0", "1/1", "1/2"]
    confirming = store.get(design_id).plan[-1].confirming
    assert confirming is not None
    for slot, numbers in zip(slots, confirming.numbers, strict=True):
        lease = store.lease(slot)
        assert lease is not None
        if slot.island != 1:
            store.fill(lease, [], [confirmed(rows[number]) for number in numbers])
    time.sleep(0.15)
    watchdog = Watchdog(store, outbox)
    watchdog.sweep()
    close_round(store, store.closing_of(design_id), shot_figures)
    design = store.get(design_id)
    assert design.state == "succeeded"
    assert design.front_numbers == sorted({0, 1, 2, 3, 4} - set(confirming.numbers[1]))
    assert design.progress.lost_trials_count == 0
    assert design.failure is not None
    assert design.failure.startswith("an island was given up")


def confirmed(row: Candidate) -> Candidate:
    """As the finest mesh would leave it that finds no fault, with nothing stray."""
    confirmation = Confirmation(
        final_outer_diameter_m=0.024,
        difference_m=0.0,
        numerical_error_m=1e-6,
        peak_current_a=5e4,
        within_tolerance=True,
        ratings=[],
    )
    robustness = Robustness(
        chance_ratio=1.0,
        chance_error_ratio=0.0,
        spread_m=1e-5,
        voltage_trim_ratio=0.0,
        trimmed_chance_ratio=1.0,
        ranking=[],
        unexplained_ratio=0.0,
        shots_count=0,
    )
    return row.model_copy(update={"confirmation": confirmation, "robustness": robustness})


def test_nothing_feasible_names_what_limits(store: Store) -> None:
    """A design without a feasible candidate succeeds, recommends nothing and says what would have to give."""
    design_id = store.create(SMALL).design_id
    close_round(store, fill_with(store, design_id, [miss(0, 0.4), miss(1, 0.1)]), shot_figures)
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
    do_slot(store, outbox.sent[-1], shot_figures, outbox)
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
