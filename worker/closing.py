"""The end of a round: front, recommendation, or what limits the design; then the next round, or the end."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from itertools import chain

from worker.confirmation import MOST_CONFIRMED, Confirmed, confirm
from worker.front import best_fidelity, explain_none, pareto_front, recommend, spread_over
from worker.keepalive import kept_alive
from worker.pace import in_words, next_pace, seconds_of_confirming, why_to_end
from worker.plan import confirming_in, confirming_plan, islands_of, numbers_of
from worker.records import (
    Candidate,
    Confirming,
    Design,
    EndedBecause,
    Ending,
    FinalState,
    Limiting,
    Miss,
    Pace,
    SlotName,
)
from worker.store import Store
from worker.trial import Simulate

#: Points of the final front that one island confirms; a front of so many is confirmed at once.
POINTS = 2


def close_round(store: Store, slot: SlotName, simulate: Simulate | None = None) -> list[SlotName]:
    """Close the round unless someone else does; returns the islands of the next one.

    Without `simulate` nothing is confirmed on the finest mesh: a cancelled design has to end at once.
    """
    lease = store.lease(slot)
    if lease is None:
        return []
    with kept_alive(partial(store.record, lease)) as alive:
        design = store.get(slot.job_id)
        confirming = confirming_in(design.plan, slot.round)
        if confirming is None:
            ending = _ending(store, design, slot, simulate, alive.must_stop)
        else:
            ending = _ending_after_confirming(store, design, confirming, simulate, alive.must_stop)
    plan = confirming_plan(design.plan, slot.round, ending.confirming) if ending.confirming else design.plan
    next_islands = [] if ending.state else islands_of(plan, slot.round + 1)
    outcome = store.close(lease, ending, next_islands, plan)
    return store.first_slots(slot.job_id) if outcome == "next" else []


def _ending(
    store: Store, design: Design, slot: SlotName, simulate: Simulate | None, must_stop: Callable[[], bool]
) -> Ending:
    """What follows a round of trials: the next one, the confirming of the front, or the end."""
    request = design.request
    numbers = numbers_of(design.plan, slot)
    earlier = [number for number in design.front_numbers if number not in numbers]
    front = pareto_front(best_fidelity(store.rows(design.id, [*earlier, *numbers])))
    nearest = None if front else store.nearest(design.id)
    pace = next_pace(design, front, nearest.violation_ratio if nearest else None, store.now())
    if simulate and front and design.progress.deadline_at and pace.confirming_s is None:
        pace = pace.model_copy(update={"confirming_s": seconds_of_confirming(request, front[0], simulate)})
    because = _ended_because(design, why_to_end(design, slot.round, pace, store.now()))
    if because is None or _STATES[because] != "succeeded" or simulate is None:
        return _last_words(store, design, Confirmed(front, []), pace, because)
    points = [candidate.number for candidate in spread_over(front, MOST_CONFIRMED)]
    if len(points) <= POINTS:
        return _last_words(store, design, confirm(request, front, simulate, must_stop), pace, because)
    groups = [points[start : start + POINTS] for start in range(0, len(points), POINTS)]
    going_on = _last_words(store, design, Confirmed(front, []), pace, None)
    return going_on.model_copy(update={"confirming": Confirming(numbers=groups, because=because)})


def _ending_after_confirming(
    store: Store, design: Design, confirming: Confirming, simulate: Simulate | None, must_stop: Callable[[], bool]
) -> Ending:
    """The end: the front is what was confirmed; should nothing of it be left, others are tried in its place."""
    because = _ended_because(design, confirming.because)
    looked_at = list(chain.from_iterable(confirming.numbers))
    rows = store.rows(design.id, looked_at)
    dropped = [candidate for candidate in rows if not candidate.feasible]
    kept = pareto_front([candidate for candidate in rows if candidate.confirmation])
    others = [number for number in design.front_numbers if number not in looked_at]
    front = kept or pareto_front(store.rows(design.id, others))
    final = confirm(design.request, front, simulate, must_stop) if simulate else Confirmed(front, [])
    return _last_words(store, design, final, design.pace, because, dropped)


def _last_words(
    store: Store,
    design: Design,
    final: Confirmed,
    pace: Pace,
    because: EndedBecause | None,
    dropped: Sequence[Candidate] = (),
) -> Ending:
    """What is written down of a round; `because` is None when another follows."""
    state = _STATES[because] if because else None
    last = state == "succeeded"
    return Ending(
        front_numbers=[candidate.number for candidate in final.front],
        revised=final.revised,
        recommended=recommend(design.request, final.front),
        limiting=_limiting(store, design, [*dropped, *final.dropped]) if last and not final.front else None,
        pace=pace,
        ended_because=because,
        ending=in_words(because, design, pace) if because else None,
        state=state,
    )


def _limiting(store: Store, design: Design, dropped: Sequence[Candidate]) -> Limiting:
    """What stands in the way, what the finest mesh contradicts included."""
    misses = [miss for miss in store.misses(design.id) if miss.reason != "not_confirmed"]
    nearest = store.nearest(design.id)
    if dropped:
        misses = [Miss(reason="not_confirmed", trials_count=len(dropped)), *misses]
        nearest = min(dropped, key=lambda candidate: (candidate.violation_ratio, candidate.number))
    return explain_none(design.request, misses, nearest)


_STATES: dict[EndedBecause, FinalState] = {
    "budget": "succeeded",
    "deadline": "succeeded",
    "front_still": "succeeded",
    "cancelled": "cancelled",
    "nothing_finished": "failed",
}


def _ended_because(design: Design, because: EndedBecause | None) -> EndedBecause | None:
    """A cancelled design ends in any case, and one without a finished trial has found nothing, whatever ended it."""
    if design.state == "cancelling":
        return "cancelled"
    if because is not None and not design.progress.finished_trials_count:
        return "nothing_finished"
    return because
