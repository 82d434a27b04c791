"""A shot over a stated limit is computed, but the first thing that its answer says is that it is not to be fired."""

from __future__ import annotations

import json

import pytest

from physics.shot_check import inspect_shot
from tests.physics.shots import TRADE_SHOT, Fire, changed

#: The trade shot is charged to 7 kV and stores half C V^2 = 3675 J.
ENERGY_J = 0.5 * 1.5e-4 * 7000.0**2


@pytest.mark.parametrize(
    ("limits", "names"),
    [
        ({"charge_voltage_v": 6900.0}, ["charge_voltage_v"]),
        ({"charge_voltage_v": 7100.0, "stored_energy_j": ENERGY_J - 1.0}, ["stored_energy_j"]),
        ({"charge_voltage_v": 6900.0, "stored_energy_j": ENERGY_J - 1.0}, ["charge_voltage_v", "stored_energy_j"]),
        ({"peak_current_a": 3e4}, ["peak_current_a"]),
    ],
)
def test_an_exceeded_limit_comes_first_with_its_number(fire: Fire, limits: dict[str, float], names: list[str]) -> None:
    """Verdict before everything else, each ground with value and limit; the figures are there all the same."""
    result = fire(changed(TRADE_SHOT, limits=limits))
    assert next(iter(json.loads(result.model_dump_json()))) == "verdict"
    assert result.verdict.not_to_be_fired
    assert result.verdict.statement.startswith("Not to be fired")
    assert [ground.name for ground in result.verdict.grounds] == names
    for ground in result.verdict.grounds:
        assert ground.limit == limits[ground.name]
        assert ground.value is not None
        assert ground.value > ground.limit
        assert f"{ground.limit:.4g}" in result.verdict.statement
    assert result.summary is not None


def test_nothing_exceeded_is_not_called_permission(fire: Fire) -> None:
    """Limits up to their last digit may be used; the words leave the decision where it belongs."""
    verdict = fire(changed(TRADE_SHOT, limits={"charge_voltage_v": 7000.0, "stored_energy_j": ENERGY_J})).verdict
    assert not verdict.not_to_be_fired
    assert verdict.grounds == []
    assert "not permission" in verdict.statement


def test_a_run_that_does_not_tell_the_whole_shot_speaks_against_firing(fire: Fire) -> None:
    """Stopped at 10 us, before anything has burst: debris and heat of the shot are not known."""
    result = fire(changed(TRADE_SHOT, solver={"stop_time_s": 1e-5}))
    assert result.status == "stopped_early"
    assert result.verdict.not_to_be_fired
    assert [ground.name for ground in result.verdict.grounds] == ["stopped_early"]


def test_the_check_without_a_run_judges_what_it_can() -> None:
    """Voltage and energy need no run; a current does."""
    found = inspect_shot(changed(TRADE_SHOT, limits={"charge_voltage_v": 6900.0, "peak_current_a": 1.0}))
    assert next(iter(json.loads(found.model_dump_json()))) == "verdict"
    assert [ground.name for ground in found.verdict.grounds] == ["charge_voltage_v"]
