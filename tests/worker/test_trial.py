"""The charge voltage of one trial, solved with the real model."""

from __future__ import annotations

import statistics

import pytest

from physics import ShotResult, simulate_shot
from physics.shot import Shot
from physics.wires import wire
from tests.worker.samples import request
from worker.records import Candidate, Parameters, Reason
from worker.request import DesignRequest
from worker.trial import TOLERANCE_SHARE, highest_voltage, run_trial, shot_for, shot_of


def coil(name: str = "awg_12", turns: int = 7, gap_m: float = 1e-3, capacitance_farad: float = 1.5e-4) -> Parameters:
    found = wire(name)
    return Parameters(
        turns_count=turns,
        wire=found.name,
        wire_diameter_m=found.diameter_m,
        pitch_m=found.pitch_m,
        enamel_thickness_m=0.5 * found.enamel_increase_m,
        enamel_pair_breakdown_v=found.pair_breakdown_v,
        gap_m=gap_m,
        capacitance_farad=capacitance_farad,
    )


def solve(asked: DesignRequest, parameters: Parameters, guess_v: float | None = None) -> Candidate:
    return run_trial(asked, 0, parameters, "screen", simulate_shot, guess_v)


COILS = [
    coil("awg_12", 5, 8e-4, 1.0e-4),
    coil("awg_12", 7, 1.0e-3, 1.5e-4),
    coil("awg_10", 6, 1.5e-3, 2.0e-4),
    coil("awg_10", 9, 1.0e-3, 3.0e-4),
    coil("awg_14", 8, 1.2e-3, 1.2e-4),
]


@pytest.fixture(scope="module")
def solved() -> list[Candidate]:
    return [solve(request(), parameters) for parameters in COILS]


def test_feasible_trial_hits_the_target(solved: list[Candidate]) -> None:
    """Every solved voltage lands on the target within the share of the tolerance that the search allows itself."""
    for found in solved:
        assert found.feasible, found
        assert found.final_outer_diameter_m == pytest.approx(0.024, abs=TOLERANCE_SHARE * 1e-4)
        assert found.violation_ratio == 0.0


def test_voltage_takes_few_shots(solved: list[Candidate]) -> None:
    """Without any earlier trial to learn from, a voltage takes six shots or less in the median."""
    assert statistics.median(found.shots_count for found in solved) <= 6


def test_voltage_is_the_least(solved: list[Candidate]) -> None:
    """Half a per cent less voltage misses the target on the large side: there is no cheaper way with this coil."""
    for found in solved:
        assert found.charge_voltage_v is not None
        result = simulate_shot(shot_for(request(), found.parameters, 0.995 * found.charge_voltage_v, "screen"))
        assert result.summary is not None
        assert found.final_outer_diameter_m is not None
        assert result.summary.final_outer_diameter_m > found.final_outer_diameter_m


def test_guess_does_not_change_the_answer(solved: list[Candidate]) -> None:
    """A poor first guess, too low or too high, leads to the same voltage within what the tolerance leaves open."""
    expected = solved[1].charge_voltage_v
    for guess_v in (500.0, 3000.0, 9900.0):
        assert solve(request(), COILS[1], guess_v).charge_voltage_v == pytest.approx(expected, rel=0.01)


def test_candidate_is_replayed_bit_for_bit(solved: list[Candidate]) -> None:
    """The shot made from a candidate gives the figures that the candidate states."""
    found = solved[2]
    shot = shot_of(request(), found)
    assert shot is not None
    result = simulate_shot(shot.model_dump())
    assert result.summary is not None
    assert result.summary.final_outer_diameter_m == found.final_outer_diameter_m
    assert result.summary.peak_current_a == found.peak_current_a
    assert found.objectives is not None
    assert min(rating.margin_ratio for rating in result.ratings) == found.objectives.margin_ratio


def check_refusal(found: Candidate, reason: Reason, *words: str) -> None:
    assert not found.feasible
    assert found.reason == reason, found
    assert found.violation_ratio > 0.0
    assert found.explanation is not None
    for word in words:
        assert word in found.explanation


def test_voltage_limit_is_named(solved: list[Candidate]) -> None:
    """A trial that needs more than the voltage limit says so, with the size reached, and never exceeds the limit."""
    needed = solved[1].charge_voltage_v
    assert needed is not None
    found = solve(request(limits={"charge_voltage_v": 0.9 * needed}), COILS[1])
    check_refusal(found, "voltage_limit", "kV", "mm")
    assert found.charge_voltage_v == 0.9 * needed
    assert found.final_outer_diameter_m is not None
    assert found.final_outer_diameter_m > 0.024


def test_energy_limit_is_named(solved: list[Candidate]) -> None:
    """A trial that needs more than the energy limit says so, and its last shot stays inside the limit."""
    assert solved[1].objectives is not None
    limit = 0.8 * solved[1].objectives.stored_energy_j
    found = solve(request(limits={"stored_energy_j": limit}), COILS[1])
    check_refusal(found, "energy_limit", "kJ")
    assert found.objectives is not None
    assert found.objectives.stored_energy_j <= limit


def test_current_limit_is_judged_on_the_solved_shot(solved: list[Candidate]) -> None:
    """A shot on target with too much current is refused, and the violation is the overshoot."""
    peak = solved[1].peak_current_a
    assert peak is not None
    found = solve(request(limits={"peak_current_a": peak / 1.25}), COILS[1])
    check_refusal(found, "current_limit", "kA")
    assert found.violation_ratio == pytest.approx(0.25, abs=0.01)
    assert found.final_outer_diameter_m == pytest.approx(0.024, abs=1e-4)


def test_coil_that_bursts_first_is_named() -> None:
    """A few turns of thin wire burst before a thick part has moved; more voltage would not help, and that is said."""
    asked = request(
        workpiece={"outer_diameter_m": 0.05, "thickness_m": 0.012},
        target={"final_outer_diameter_m": 0.035},
        limits={"charge_voltage_v": 8_000.0, "stored_energy_j": 100_000.0, "peak_current_a": 1e7},
    )
    found = solve(asked, coil("awg_20", 3, 1e-3, 1e-4))
    check_refusal(found, "coil_bursts_first", "bursts")


def test_margin_is_that_of_the_tightest_limit(solved: list[Candidate]) -> None:
    """The margin is one minus the largest use of any limit, computed here from voltage, energy and current."""
    for found in solved:
        assert found.objectives is not None
        assert found.peak_current_a is not None
        uses = (
            found.objectives.charge_voltage_v / 10_000.0,
            found.objectives.stored_energy_j / 8_000.0,
            found.peak_current_a / 120_000.0,
        )
        assert found.objectives.margin_ratio == pytest.approx(1.0 - max(uses), rel=1e-9)


def test_highest_voltage_is_inside_both_limits() -> None:
    """The highest voltage obeys the voltage limit with a small bank and E = C V^2 / 2 with a large one."""
    asked = request()
    assert highest_voltage(asked, 8e-5) == 10_000.0
    voltage = highest_voltage(asked, 3e-4)
    assert 0.5 * 3e-4 * voltage**2 <= 8_000.0
    assert 0.5 * 3e-4 * voltage**2 == pytest.approx(8_000.0)


def test_fault_of_the_model_ends_the_trial_only() -> None:
    """An exception from the model becomes a reason that tells it from a bad design, without a traceback."""

    def fails(_: Shot) -> ShotResult:
        raise ZeroDivisionError("inside")

    found = run_trial(request(), 4, COILS[0], "screen", fails)
    check_refusal(found, "model_fault", "ZeroDivisionError")
    assert found.number == 4
    assert found.objectives is None
    assert shot_of(request(), found) is None
