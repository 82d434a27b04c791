"""Doing one slice of a list of shots: each shot once, its outcome in the store before the next one is begun."""

from __future__ import annotations

import logging

from physics.shot import Shot
from worker.keepalive import kept_alive
from worker.records import SlotName
from worker.shot_list import ShotOutcome
from worker.shot_list_store import ShotListStore
from worker.trial import Simulate

log = logging.getLogger(__name__)

_GOING = ("queued", "running")


def do_slice(lists: ShotListStore, slot: SlotName, simulate: Simulate) -> None:
    """Run the shots of a slice that have no outcome yet, unless it is over or in other hands.

    It stops after the shot under way when the list is cancelled or the lease is void.
    """
    lease = lists.lease(slot)
    if lease is None:
        return

    def record(_: object) -> str:
        return lists.beat(lease)

    outcomes: list[ShotOutcome] = []
    with kept_alive(record) as alive:
        for number, shot in lists.open_shots(slot).items():
            state, tries = lists.step(lease, number, outcomes)
            outcomes = []
            if state not in _GOING or alive.must_stop():
                break
            outcomes = [_outcome(number, shot, tries, simulate)]
    lists.end_slice(lease, outcomes)


def _outcome(number: int, shot: Shot, tries: int, simulate: Simulate) -> ShotOutcome:
    """A run's figures without its series. An error of the model is told of that shot, and does not end the list."""
    try:
        result = simulate(shot)
    except Exception as problem:
        log.exception("model error in shot %d", number)
        words = f"the model failed at this shot ({type(problem).__name__}); it is not a statement about the shot"
        return ShotOutcome(number=number, state="failed", attempts_count=tries, failure=words)
    return ShotOutcome(
        number=number,
        state="finished",
        status=result.status,
        advice=result.advice,
        summary=result.summary,
        ratings=result.ratings,
        attempts_count=tries,
    )
