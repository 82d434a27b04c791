"""Doing one slot, from lease to result. What a message asks for, free of how it came."""

from __future__ import annotations

from worker.app import Send
from worker.closing import close_round
from worker.island import search, settle
from worker.keepalive import KeepAlive, kept_alive
from worker.plan import numbers_of
from worker.records import Candidate, Design, Lease, SlotName
from worker.store import Store
from worker.trial import Simulate


def do_slot(store: Store, slot: SlotName, simulate: Simulate, send: Send) -> None:
    """Run an island or close a round, unless that is done already or in other hands.

    Whoever ends the last island of a round closes it at once, and sends the islands of the next.
    """
    if slot.island is not None and not _do_island(store, slot, simulate):
        return
    for following in close_round(store, slot.model_copy(update={"island": None}), simulate):
        send(following)
        store.sent(following)


def _do_island(store: Store, slot: SlotName, simulate: Simulate) -> bool:
    """True when this was the last island of its round."""
    lease = store.lease(slot)
    if lease is None:
        return False
    design = store.get(slot.design_id)
    with kept_alive(store, lease) as alive:
        settled = _run_island(store, design, lease, simulate, alive)
    return not alive.lost and store.fill(lease, alive.end(), settled) == "full"


def _run_island(store: Store, design: Design, lease: Lease, simulate: Simulate, alive: KeepAlive) -> list[Candidate]:
    """Search and settle, stopping after the trial under way when the design is cancelled."""
    numbers = numbers_of(design.request.budget_trials_count, lease.slot)
    recorded = {candidate.number: candidate for candidate in store.rows(design.id, numbers)}
    archive = [candidate.parameters for candidate in store.rows(design.id, design.front_numbers)]
    found: list[Candidate] = []
    for candidate in search(design.request, lease.slot, archive, recorded, simulate):
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
