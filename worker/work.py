"""Doing one slot, from lease to result. What a message asks for, free of how it came."""

from __future__ import annotations

import logging
from collections.abc import Callable
from functools import partial

from physics import ShotFigures
from physics.shot import Shot
from worker.app import Send
from worker.bench_store import BenchStore
from worker.closing import close_round
from worker.confirmation import confirm
from worker.fitting import do_fit
from worker.front import evenly
from worker.island import search, settle
from worker.keepalive import KeepAlive, kept_alive
from worker.plan import confirming_in, numbers_of
from worker.records import Candidate, Design, Lease, SlotName, UnderWay, kind_of
from worker.slices import do_slice
from worker.store import Store
from worker.trial import Simulate

log = logging.getLogger(__name__)

#: Candidates of the front that an island is given, so that it starts no slower when the front has grown long.
ARCHIVE_LIMIT = 64


def do_slot(store: Store, slot: SlotName, simulate: Simulate, send: Send) -> None:
    """Run a slice, a fit or an island, or close a round, unless that is done already or in other hands.

    Whoever ends the last island of a round closes it at once, and sends the islands of the next.
    """
    kind = kind_of(slot.job_id)
    if kind == "shot list":
        do_slice(store.shot_lists, slot, simulate)
        return
    if kind == "fit":
        do_fit(store.fits, BenchStore(store.client), slot)
        return
    if slot.island is not None and not _do_island(store, slot, simulate):
        return
    for following in close_round(store, slot.model_copy(update={"island": None}), simulate):
        send(following)
        store.sent(following)


def _do_island(store: Store, slot: SlotName, simulate: Simulate) -> bool:
    """True when this was the last island of its round."""
    lease = store.lease(slot)
    if lease is None:
        log.info("nothing to do: the island is over, or in other hands")
        return False
    log.info("an island is begun, attempt %d", lease.attempt)
    design = store.get(slot.job_id)
    run = _run_island if confirming_in(design.plan, slot.round) is None else _confirm_some
    with kept_alive(partial(store.record, lease)) as alive:
        settled = run(store, design, lease, simulate, alive)
    outcome = "lost" if alive.lost else store.fill(lease, alive.end(), settled)
    log.info("an island has ended: %s", outcome)
    return outcome == "full"


def _run_island(store: Store, design: Design, lease: Lease, simulate: Simulate, alive: KeepAlive) -> list[Candidate]:
    """Search and settle, stopping after the trial under way when the design is cancelled."""
    numbers = numbers_of(design.plan, lease.slot)
    recorded = {candidate.number: candidate for candidate in store.rows(design.id, numbers)}
    archive = store.rows(design.id, evenly(design.front_numbers, ARCHIVE_LIMIT))
    found: list[Candidate] = []
    if lease.attempt > 1:
        simulate = _noting(store, lease, simulate, lambda: numbers[len(found)] if len(found) < len(numbers) else None)
    for candidate in search(design.request, lease.slot, numbers, archive, recorded, simulate):
        found.append(candidate)
        if candidate.number not in recorded:
            alive.add(candidate)
        if alive.must_stop():
            return []
    settled: list[Candidate] = []
    for candidate in settle(design.request, found, simulate):
        settled.append(candidate)
        if alive.must_stop():
            break
    return settled


def _confirm_some(store: Store, design: Design, lease: Lease, simulate: Simulate, alive: KeepAlive) -> list[Candidate]:
    """This island's points of the final front, as the finest mesh sees them."""
    confirming, island = confirming_in(design.plan, lease.slot.round), lease.slot.island
    assert confirming is not None
    assert island is not None
    points = store.rows(design.id, confirming.numbers[island])
    if lease.attempt > 1:
        simulate = _noting(store, lease, simulate, lambda: None)
    return confirm(design.request, points, simulate, alive.must_stop).revised


def _noting(store: Store, lease: Lease, simulate: Simulate, under_way: Callable[[], int | None]) -> Simulate:
    """The model, with each shot noted before it is begun: an island that ended a worker once may do so again."""

    def noted(shot: Shot) -> ShotFigures:
        store.note(lease, UnderWay(trial_number=under_way(), shot=shot))
        return simulate(shot)

    return noted
