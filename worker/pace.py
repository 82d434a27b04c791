"""When a search ends: its budget is used up, its time is too short for another round, or its front stands still."""

from __future__ import annotations

import time
from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime
from statistics import median

import numpy as np

from physics.shot import Fidelity
from worker.confirmation import MOST_CONFIRMED, MOST_TRIED
from worker.plan import rounds_in
from worker.records import Candidate, Design, EndedBecause, Pace
from worker.request import DesignRequest
from worker.robustness import SAMPLE
from worker.trial import Simulate, shot_for

#: The front has moved when its dominated share or its least stored energy changed by more than this, relatively.
STILL_RATIO = 0.002
#: Rounds whose length is remembered.
LENGTHS = 5
#: The next round is taken to last so much longer than the middle one of those.
LENGTH_FACTOR = 1.2


def next_pace(design: Design, front: Sequence[Candidate], violation: float | None, now: datetime) -> Pace:
    """The pace after a round that ends `now` with this front, or with a nearest miss of this violation."""
    began = design.round_began_at or now
    lengths = [*design.pace.round_lengths_s, (now - began).total_seconds()][-LENGTHS:]
    share, least = dominated_ratio(design.request, front), min(map(_energy, front), default=None)
    seen = Pace(
        round_lengths_s=lengths,
        confirming_s=design.pace.confirming_s,
        dominated_ratio=share,
        least_energy_j=least,
        least_violation_ratio=None if front else violation,
    )
    if _has_moved(design.pace, seen):
        return seen
    # compared with what it was when it last moved, so that creeping is noticed
    still = design.pace.still_rounds_count + 1
    return design.pace.model_copy(update={"round_lengths_s": lengths, "still_rounds_count": still})


def seconds_of_confirming(request: DesignRequest, candidate: Candidate, simulate: Simulate) -> float:
    """How long it may take to confirm a front and to see how it stands deviations, from one shot of each kind."""
    assert candidate.charge_voltage_v is not None, "a candidate on the front has a voltage"
    seconds = 0.0
    kinds: list[tuple[Fidelity, int]] = [("reference", MOST_TRIED), ("screen", MOST_CONFIRMED * SAMPLE)]
    for fidelity, shots in kinds:
        shot = shot_for(request, candidate.parameters, candidate.charge_voltage_v, fidelity)
        begun = time.monotonic()
        with suppress(Exception):  # what a faulty shot means is for the confirming to say
            simulate(shot)
        seconds += shots * (time.monotonic() - begun)
    return seconds


def _has_moved(before: Pace, now: Pace) -> bool:
    return (
        _differs(before.dominated_ratio, now.dominated_ratio)
        or _differs(before.least_energy_j, now.least_energy_j)
        or _differs(before.least_violation_ratio, now.least_violation_ratio)
    )


def _differs(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is not other
    return abs(one - other) > STILL_RATIO * max(abs(one), abs(other))


def why_to_end(design: Design, round_number: int, pace: Pace, now: datetime) -> EndedBecause | None:
    """Why no round follows the one that ends now; None when one does."""
    still = design.request.stop_after_still_rounds_count
    rounds, deadline = rounds_in(design.plan), design.progress.deadline_at
    if rounds is not None and round_number + 1 >= rounds:
        return "budget"
    if deadline is not None and (deadline - now).total_seconds() < seconds_to_the_end(pace):
        return "deadline"
    return "front_still" if still is not None and pace.still_rounds_count >= still else None


def seconds_to_the_end(pace: Pace) -> float:
    """How long the next round and the end of the design after it may take, going by the last rounds."""
    return LENGTH_FACTOR * (median(pace.round_lengths_s) + (pace.confirming_s or 0.0))


def in_words(because: EndedBecause, design: Design, pace: Pace) -> str:
    """Why a design has ended, for people."""
    if because == "front_still":
        return (
            f"It ended early: in {pace.still_rounds_count} rounds one after the other neither the share of the limits "
            f"that the front dominates nor its least stored energy moved by more than {STILL_RATIO:.1%}."
        )
    if because == "deadline":
        return (
            f"The time was used up: another round and what follows, about {seconds_to_the_end(pace):.0f} s, "
            "would not have been over in time."
        )
    words: dict[EndedBecause, str] = {
        "budget": f"Its budget of {design.progress.budget_trials_count} trials is used up.",
        "cancelled": "It was cancelled; what was finished by then is kept.",
        "nothing_finished": "Not a single trial was finished.",
    }
    return words[because]


def dominated_ratio(request: DesignRequest, front: Sequence[Candidate]) -> float:
    """Share of the box below the limits of energy and voltage and above a margin of 0 that the front dominates."""
    limits = request.limits
    found = [candidate.objectives for candidate in front if candidate.objectives is not None]
    points = np.array(
        [
            (o.stored_energy_j / limits.stored_energy_j, o.charge_voltage_v / limits.charge_voltage_v, o.margin_ratio)
            for o in found
        ]
    ).reshape(-1, 3)
    return dominated_volume(np.column_stack((points[:, :2], 1.0 - points[:, 2])))


def dominated_volume(points: np.ndarray) -> float:
    """Volume of the unit cube that `points` (n x 3, smaller is better) dominate: slices between their third values."""
    inside = points[np.all(points < 1.0, axis=1)]
    inside = inside[np.argsort(inside[:, 2], kind="stable")]
    heights = np.append(inside[:, 2], 1.0)
    return float(sum((heights[n] - heights[n - 1]) * _area(inside[:n, :2]) for n in range(1, len(heights))))


def _area(points: np.ndarray) -> float:
    """Area of the unit square that `points` (n x 2) dominate."""
    ordered = points[np.lexsort((points[:, 1], points[:, 0]))]
    floors = np.minimum.accumulate(np.append(1.0, ordered[:, 1]))
    return float(np.sum((floors[:-1] - floors[1:]) * (1.0 - ordered[:, 0])))


def _energy(candidate: Candidate) -> float:
    assert candidate.objectives is not None, "on the front every candidate has been weighed"
    return candidate.objectives.stored_energy_j
