"""The last word on a front: each of its points on the finest mesh, and what is left of it when things stray.

Candidates are found at `screen` and settled at `design`. When a design ends, a dozen of the front at most, spread
over it, are run again at `reference`, and only they stay on the front. `reference` contradicts a point when the shot
does not complete, exceeds a limit, or misses the tolerance by more than the numerical error that the finest mesh
states for itself. Such a point is solved again there; if that fails it is no longer feasible, and says why.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from physics import ShotFigures
from physics.shot import Shot
from worker.front import pareto_front, spread_over
from worker.ratings import overshoot
from worker.records import Candidate, Confirmation
from worker.request import DesignRequest
from worker.robustness import robustness
from worker.trial import Simulate, run_trial, shot_for
from worker.words import length

log = logging.getLogger(__name__)

#: Points of a final front.
MOST_CONFIRMED = 12
#: Points that are looked at for them.
MOST_TRIED = 18
#: Shots for solving one of them again; they are dear on the finest mesh.
MOST_SHOTS = 5


@dataclass(frozen=True)
class Confirmed:
    """The final front, and the candidates that took the place of earlier ones: those of the front and the dropped."""

    front: list[Candidate]
    revised: list[Candidate]

    @property
    def dropped(self) -> list[Candidate]:
        """Candidates that the finest mesh contradicts, the nearest miss first."""
        found = [candidate for candidate in self.revised if not candidate.feasible]
        return sorted(found, key=lambda candidate: (candidate.violation_ratio, candidate.number))


def confirm(
    request: DesignRequest,
    front: Sequence[Candidate],
    simulate: Simulate,
    must_stop: Callable[[], bool] = lambda: False,
) -> Confirmed:
    """Confirm a settled front, and give each point that stays the chance that it lands within the tolerance.

    Between two points it may be told to stop, as when the design is cancelled; what is confirmed by then is returned.
    """
    looked_at: list[Candidate] = []
    for candidate in spread_over(front, MOST_TRIED):
        if must_stop() or sum(found.feasible for found in looked_at) == MOST_CONFIRMED:
            break
        looked_at.append(candidate if candidate.confirmation else _looked_at(request, candidate, simulate))
    final = pareto_front(looked_at)
    rated = [found if must_stop() else _with_robustness(request, found, simulate) for found in final]
    return Confirmed(rated, rated + [found for found in looked_at if found not in final])


def _looked_at(request: DesignRequest, candidate: Candidate, simulate: Simulate) -> Candidate:
    """The candidate as the finest mesh sees it: confirmed, solved again, or no longer feasible."""
    shots = _Kept(simulate)
    assert candidate.charge_voltage_v is not None, "a candidate on the front has a voltage"
    try:
        result = shots(shot_for(request, candidate.parameters, candidate.charge_voltage_v, "reference"))
        objection = _objection(request, result)
        if objection is None:
            return _more_shots(candidate, 1, confirmation=_confirmation(request, candidate, result))
        return _solved_again(request, candidate, objection, result, shots)
    except Exception as problem:
        log.exception("model error while confirming candidate %d", candidate.number)
        words = f"the finest mesh failed ({type(problem).__name__})"
        return _dropped(candidate, words, 1.0, len(shots.results))


def _solved_again(
    request: DesignRequest, candidate: Candidate, objection: str, result: ShotFigures, shots: _Kept
) -> Candidate:
    """The voltage solved on the finest mesh, starting where the first shot there points."""
    found = run_trial(
        request,
        candidate.number,
        candidate.parameters,
        "reference",
        shots,
        _better_voltage(request, candidate, result),
        candidate.shrink_slope_ratio,
        MOST_SHOTS,
    )
    spent = len(shots.results)
    if not found.feasible or found.charge_voltage_v is None:
        words = f"on the finest mesh {objection}; solved there again, {found.explanation}"
        return _dropped(candidate, words, max(found.violation_ratio, 1e-6), spent)
    again = shots.results[found.charge_voltage_v]
    kept = found.model_copy(update={"shots_count": candidate.shots_count})
    return _more_shots(kept, spent, confirmation=_confirmation(request, found, again))


def _better_voltage(request: DesignRequest, candidate: Candidate, result: ShotFigures) -> float | None:
    slope, summary = candidate.shrink_slope_ratio, result.summary
    assert candidate.charge_voltage_v is not None, "a candidate on the front has a voltage"
    if slope is None or summary is None:
        return candidate.charge_voltage_v
    first = request.workpiece.outer_diameter_m
    shrink = first - summary.final_outer_diameter_m
    if shrink <= 0.0:
        return candidate.charge_voltage_v
    return candidate.charge_voltage_v * float(((first - request.target_diameter_m) / shrink) ** (1.0 / slope))


class _Kept:
    """Runs shots and keeps their results by voltage."""

    def __init__(self, simulate: Simulate) -> None:
        self._simulate = simulate
        self.results: dict[float, ShotFigures] = {}

    def __call__(self, shot: Shot) -> ShotFigures:
        result = self._simulate(shot)
        self.results[shot.bank.charge_voltage_v] = result
        return result


def _objection(request: DesignRequest, result: ShotFigures) -> str | None:
    """Why the finest mesh contradicts a shot, or None when it does not."""
    summary, error = result.summary, result.numerical_error
    if summary is None or result.status != "completed":
        return f"the shot ends as {result.status}: {result.advice}"
    exceeded = [rating for rating in result.ratings if rating.exceeded]
    if exceeded:
        return overshoot(min(exceeded, key=lambda rating: rating.margin_ratio))
    off = abs(summary.final_outer_diameter_m - request.target_diameter_m) - request.target.tolerance_m
    leeway = error.final_outer_diameter_m if error and error.final_outer_diameter_m else 0.0
    if off > leeway:
        return (
            f"the part ends at {length(summary.final_outer_diameter_m)}, outside the tolerance and the numerical error"
        )
    return None


def _confirmation(request: DesignRequest, candidate: Candidate, result: ShotFigures) -> Confirmation:
    summary, error = result.summary, result.numerical_error
    assert summary is not None, "only a shot with figures confirms"
    assert candidate.final_outer_diameter_m is not None, "a feasible candidate has a size"
    diameter = summary.final_outer_diameter_m
    return Confirmation(
        final_outer_diameter_m=diameter,
        difference_m=diameter - candidate.final_outer_diameter_m,
        numerical_error_m=error.final_outer_diameter_m if error and error.final_outer_diameter_m else 0.0,
        peak_current_a=summary.peak_current_a,
        within_tolerance=abs(diameter - request.target_diameter_m) <= request.target.tolerance_m,
        ratings=result.ratings,
    )


def _dropped(candidate: Candidate, words: str, violation_ratio: float, shots: int) -> Candidate:
    return _more_shots(
        candidate,
        shots,
        feasible=False,
        reason="not_confirmed",
        explanation=words,
        violation_ratio=violation_ratio,
    )


def _with_robustness(request: DesignRequest, candidate: Candidate, simulate: Simulate) -> Candidate:
    assert candidate.confirmation is not None, "the front is confirmed"
    if candidate.robustness is not None:
        return candidate
    try:
        found = robustness(request, candidate, candidate.confirmation.final_outer_diameter_m, simulate)
    except Exception:
        log.exception("model error while straying from candidate %d", candidate.number)
        return candidate
    return candidate if found is None else _more_shots(candidate, found.shots_count, robustness=found)


def _more_shots(candidate: Candidate, shots: int, **changes: object) -> Candidate:
    return candidate.model_copy(update={**changes, "shots_count": candidate.shots_count + shots})
