"""The final front against the finest mesh: confirmed, solved again, or dropped with the reason."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest

from physics import ShotFigures, shot_figures, simulate_shot
from physics.shot import Shot
from tests.worker.samples import request
from tests.worker.test_trial import COILS
from worker.confirmation import MOST_CONFIRMED, confirm
from worker.front import pareto_front
from worker.records import Candidate
from worker.request import DesignRequest, Spreads
from worker.trial import run_trial, shot_for

ASKED = request()


def settled(asked: DesignRequest, number: int) -> Candidate:
    return run_trial(asked, number, COILS[number], "design", shot_figures)


@pytest.fixture(scope="module")
def front() -> list[Candidate]:
    return pareto_front([settled(ASKED, number) for number in (1, 2, 3)])


def shrunk(result: ShotFigures, by_m: float) -> ShotFigures:
    """The result with a final diameter that is so much smaller."""
    assert result.summary is not None
    size = result.summary.final_outer_diameter_m - by_m
    return replace(result, summary=result.summary.model_copy(update={"final_outer_diameter_m": size}))


def test_confirmed_front_states_the_numerical_error(front: list[Candidate]) -> None:
    """Each point has the finest mesh's own figures and error, its ratings, and a chance; candidates stay as settled."""
    found = confirm(ASKED, front, shot_figures)
    assert [c.number for c in found.front] == [c.number for c in front]
    assert found.revised == found.front
    for one, before in zip(found.front, front, strict=True):
        assert one.charge_voltage_v == before.charge_voltage_v
        assert one.fidelity == "design"
        assert one.confirmation is not None
        assert one.charge_voltage_v is not None
        result = simulate_shot(shot_for(ASKED, one.parameters, one.charge_voltage_v, "reference"))
        assert result.summary is not None
        assert result.numerical_error is not None
        assert one.confirmation.final_outer_diameter_m == result.summary.final_outer_diameter_m
        assert one.confirmation.numerical_error_m == result.numerical_error.final_outer_diameter_m
        assert {rating.name for rating in one.confirmation.ratings} >= {"charge_voltage_v", "peak_current_a"}
        assert one.robustness is not None
        assert 0.0 <= one.robustness.chance_ratio <= 1.0
        assert one.shots_count == before.shots_count + 1 + one.robustness.shots_count


def test_confirming_again_costs_nothing(front: list[Candidate]) -> None:
    """A front that was confirmed before, as when a finished design goes on, is taken as it is."""
    once = confirm(ASKED, front[:1], shot_figures)
    shots: Counter[str] = Counter()

    def counted(shot: Shot) -> ShotFigures:
        shots[shot.solver.fidelity] += 1
        return shot_figures(shot)

    assert confirm(ASKED, once.front, counted) == once
    assert not shots


def test_contradicted_point_is_solved_again(front: list[Candidate]) -> None:
    """Where the finest mesh shrinks the part 0.5 mm more, the voltage is solved there, and the candidate says so."""

    def stronger(shot: Shot) -> ShotFigures:
        result = shot_figures(shot)
        return shrunk(result, 5e-4) if shot.solver.fidelity == "reference" else result

    found = confirm(ASKED, front[:1], stronger)
    (one,) = found.front
    assert one.fidelity == "reference"
    assert one.charge_voltage_v is not None
    assert front[0].charge_voltage_v is not None
    assert 0.9 * front[0].charge_voltage_v < one.charge_voltage_v < front[0].charge_voltage_v
    assert one.confirmation is not None
    assert one.confirmation.within_tolerance
    assert one.confirmation.final_outer_diameter_m == pytest.approx(0.024, abs=1e-4)
    assert one.shots_count - front[0].shots_count < 75


def test_point_over_a_limit_on_the_finest_mesh_is_dropped(front: list[Candidate]) -> None:
    """A peak current inside the limit at `design` and over it at `reference` cannot be cured by the voltage."""
    limit = front[0].peak_current_a
    assert limit is not None
    asked = request(limits={"peak_current_a": 1.001 * limit})

    def more_current(shot: Shot) -> ShotFigures:
        result = shot_figures(shot)
        if shot.solver.fidelity != "reference":
            return result
        assert result.summary is not None
        peak = 1.05 * result.summary.peak_current_a
        summary = result.summary.model_copy(update={"peak_current_a": peak})
        margin = 1.0 - peak / (1.001 * limit)
        rated = {"value": peak, "margin_ratio": margin, "exceeded": margin < 0.0}
        ratings = [r.model_copy(update=rated) if r.name == "peak_current_a" else r for r in result.ratings]
        return replace(result, summary=summary, ratings=ratings)

    found = confirm(asked, front[:1], more_current)
    assert found.front == []
    (one,) = found.dropped
    assert not one.feasible
    assert one.reason == "not_confirmed"
    assert one.violation_ratio > 0.0
    assert one.explanation is not None
    for word in ("finest mesh", "current", "over the limit"):
        assert word in one.explanation


def test_shot_that_does_not_complete_is_dropped(front: list[Candidate]) -> None:
    """A point whose shot ends in another state on the finest mesh, at any voltage, does not stay on the front."""

    def crushed(shot: Shot) -> ShotFigures:
        result = shot_figures(shot)
        fine = shot.solver.fidelity == "reference"
        return replace(result, status="over_crushed") if fine else result

    found = confirm(ASKED, front[:1], crushed)
    assert found.front == []
    assert "over_crushed" in (found.dropped[0].explanation or "")


def test_fault_on_the_finest_mesh_drops_the_point_only(front: list[Candidate]) -> None:
    """An exception while confirming one point leaves the others as they are."""
    spoilt = front[0].charge_voltage_v

    def fails(shot: Shot) -> ShotFigures:
        if shot.solver.fidelity == "reference" and shot.bank.charge_voltage_v == spoilt:
            raise ZeroDivisionError("inside")
        return shot_figures(shot)

    found = confirm(ASKED, front[:2], fails)
    assert [c.number for c in found.front] == [front[1].number]
    assert [c.number for c in found.dropped] == [front[0].number]


def test_long_front_is_thinned_to_what_is_confirmed(front: list[Candidate]) -> None:
    """Of forty points a dozen stay, the ends of the front among them, each confirmed; the rest is left as it was."""
    base = front[0]
    assert base.objectives is not None
    assert base.charge_voltage_v is not None
    many = []
    for number in range(40):
        objectives = base.objectives.model_copy(
            update={"stored_energy_j": 2000.0 + 10.0 * number, "charge_voltage_v": 7000.0 - 10.0 * number}
        )
        many.append(base.model_copy(update={"number": number, "objectives": objectives}))
    alike = shot_figures(shot_for(ASKED, base.parameters, base.charge_voltage_v, "reference"))
    asked = request(spreads=dict.fromkeys(Spreads.model_fields, 0.0))

    def remembered(shot: Shot) -> ShotFigures:
        return alike if shot.solver.fidelity == "reference" else shot_figures(shot)

    found = confirm(asked, many, remembered)
    assert len(found.front) == MOST_CONFIRMED
    assert {0, 39} <= {c.number for c in found.front}
    assert all(c.confirmation for c in found.front)
    assert len(found.revised) == MOST_CONFIRMED


def test_confirming_stops_when_told(front: list[Candidate]) -> None:
    """Told to stop, as when the design is cancelled, no further point is begun."""
    shots: Counter[str] = Counter()

    def counted(shot: Shot) -> ShotFigures:
        shots[shot.solver.fidelity] += 1
        return shot_figures(shot)

    found = confirm(ASKED, front, counted, lambda: bool(shots))
    assert [c.robustness for c in found.front] == [None]
    assert shots["reference"] == 1
    assert shots["screen"] == 0
