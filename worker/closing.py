"""The end of a round: front, recommendation, or what limits the design; then the next round, or the end."""

from __future__ import annotations

import logging
from collections.abc import Sequence

from worker.front import best_fidelity, choose, explain_none, pareto_front, recommend
from worker.keepalive import kept_alive
from worker.plan import islands_of, numbers_of, rounds_in
from worker.records import Candidate, Confirmation, Design, Ending, FinalState, SlotName
from worker.request import DesignRequest
from worker.store import Store
from worker.trial import Simulate, shot_for

log = logging.getLogger(__name__)


def close_round(store: Store, slot: SlotName, simulate: Simulate | None = None) -> list[SlotName]:
    """Close the round unless someone else does; returns the islands of the next one.

    Without `simulate` nothing is confirmed on the finest mesh: a cancelled design has to end at once.
    """
    lease = store.lease(slot)
    if lease is None:
        return []
    with kept_alive(store, lease):
        design = store.get(slot.design_id)
        ending = _ending(store, design, slot, simulate)
    next_islands = [] if ending.state else islands_of(design.request.budget_trials_count, slot.round + 1)
    outcome = store.close(lease, ending, next_islands)
    return store.first_slots(slot.design_id) if outcome == "next" else []


def _ending(store: Store, design: Design, slot: SlotName, simulate: Simulate | None) -> Ending:
    request = design.request
    numbers = numbers_of(request.budget_trials_count, slot)
    earlier = [number for number in design.front_numbers if number not in numbers]
    front = pareto_front(best_fidelity(store.rows(design.id, [*earlier, *numbers])))
    state = _final_state(design, slot)
    last = state == "succeeded"
    return Ending(
        front_numbers=[candidate.number for candidate in front],
        recommended=recommend(request, front, _confirm(request, front, simulate) if last else None),
        limiting=explain_none(request, store.misses(design.id), store.nearest(design.id))
        if last and not front
        else None,
        failure=_failure(design, state),
        state=state,
    )


def _final_state(design: Design, slot: SlotName) -> FinalState | None:
    if design.state == "cancelling":
        return "cancelled"
    if slot.round + 1 < rounds_in(design.request.budget_trials_count):
        return None
    return "succeeded" if design.progress.finished_trials_count else "failed"


def _failure(design: Design, state: FinalState | None) -> str | None:
    """Islands that were given up are told even when the rest suffices."""
    lost = design.progress.lost_trials_count
    if not lost or state is None:
        return None
    words = f"{lost} of {design.progress.budget_trials_count} trials were lost: {design.failure}"
    return f"{words}; nothing usable is left" if state == "failed" else words


def _confirm(request: DesignRequest, front: Sequence[Candidate], simulate: Simulate | None) -> Confirmation | None:
    """The chosen candidate on the finest mesh: what the numbers are worth."""
    chosen = choose(front)
    if chosen is None or simulate is None or chosen.charge_voltage_v is None or chosen.final_outer_diameter_m is None:
        return None
    try:
        result = simulate(shot_for(request, chosen.parameters, chosen.charge_voltage_v, "reference"))
    except Exception:
        log.exception("model error while confirming candidate %d", chosen.number)
        return None
    if result.summary is None or result.status != "completed":
        return None
    diameter = result.summary.final_outer_diameter_m
    return Confirmation(
        final_outer_diameter_m=diameter,
        difference_m=diameter - chosen.final_outer_diameter_m,
        peak_current_a=result.summary.peak_current_a,
        within_tolerance=abs(diameter - request.target_diameter_m) <= request.target.tolerance_m,
    )
