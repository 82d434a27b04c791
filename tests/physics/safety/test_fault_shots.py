"""Fault shots against the closed form of a series circuit, published rows of it, and the coupled model itself."""

from __future__ import annotations

from math import e, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from physics import check_shot
from physics.estimates import rough_coil_inductance
from physics.faults.ringing import action_a2_s, peak_current_a
from physics.result import FaultShot, ShotResult
from tests.physics.shots import TRADE_SHOT, Fire, changed


def faults(result: ShotResult) -> dict[str, FaultShot]:
    return {fault.name: fault for fault in result.faults}


def amperes(fault: FaultShot) -> float:
    assert fault.peak_current_a is not None
    return fault.peak_current_a


@pytest.mark.parametrize(
    ("volts", "farad", "henry", "ohm", "peak_a", "action"),
    [
        (1e4, 1e-4, 2e-6, 2e-2, 63577.684, 2.5e5),
        (6e3, 5e-5, 1e-6, 5e-2, 33034.927, 1.8e4),
        (8e3, 2e-4, 8e-7, 1e-2, 112378.869, 6.4e5),
    ],
)
def test_series_circuit(volts: float, farad: float, henry: float, ohm: float, peak_a: float, action: float) -> None:
    """Peak and action C V^2 / 2 R of a series RLC circuit in closed form, evaluated to eight digits."""
    assert peak_current_a(volts, farad, henry, ohm) == pytest.approx(peak_a, rel=1e-7)
    assert action_a2_s(volts, farad, ohm) == pytest.approx(action)


def test_critical_and_creeping_discharges() -> None:
    """Critical 2 V / (e R); beyond it against a general solver of the same equation."""
    critical = 2.0 * sqrt(1e-6 / 1e-4)
    assert peak_current_a(5e3, 1e-4, 1e-6, critical) == pytest.approx(2.0 * 5e3 / (e * critical))
    assert peak_current_a(5e3, 1e-4, 1e-6, critical * (1 + 1e-9)) == pytest.approx(2.0 * 5e3 / (e * critical), rel=1e-6)
    run = solve_ivp(
        lambda _t, y: np.array([y[1], (-y[0] / 1e-4 - 1.0 * y[1]) / 1e-6]),
        (0.0, 2e-5),
        [1e-4 * 5e3, 0.0],
        rtol=1e-10,
        atol=1e-12,
        max_step=1e-8,
    )
    assert peak_current_a(5e3, 1e-4, 1e-6, 1.0) == pytest.approx(np.abs(run.y[1]).max(), rel=1e-4)


@given(ohm=st.floats(0.0, 5.0), more=st.floats(1.0, 5.0))
def test_resistance_never_raises_the_peak(ohm: float, more: float) -> None:
    """So that leaving out a resistance errs high."""
    assert peak_current_a(5e3, 1e-4, 1e-6, more * ohm) <= peak_current_a(5e3, 1e-4, 1e-6, ohm) * (1 + 1e-9)


def test_every_fault_is_worse_than_the_shot(fire: Fire) -> None:
    """Bridged terminals carry more than a bridged turn, that more than the shot; what stays charged is all of it."""
    result = fire(TRADE_SHOT)
    found = faults(result)
    assert set(found) == {
        "terminals_shorted",
        "coil_open",
        "misfire",
        "prefire",
        "turn_shorted",
        "capacitor_shorted",
    }
    assert result.summary is not None
    shot_a = result.summary.peak_current_a
    assert amperes(found["terminals_shorted"]) > amperes(found["turn_shorted"]) > shot_a
    # Stray 0.2 uH and 5 mohm, by the closed form above.
    assert amperes(found["terminals_shorted"]) == pytest.approx(peak_current_a(7e3, 1.5e-4, 2e-7, 5e-3))
    assert found["coil_open"].energy_j == found["misfire"].energy_j == pytest.approx(3675.0)
    for fault in found.values():
        assert min(map(len, (fault.statement, fault.demands, fault.equation, fault.source, fault.errs))) > 5


@pytest.mark.parametrize("turns", [4, 8, 12])
def test_a_bridged_turn_draws_more_than_a_coil_without_it(fire: Fire, turns: int) -> None:
    """The coupled model of n - 1 turns, part held, is a lower bound: the bridged turn only takes more field away."""
    held = {"motion": False, "heating": False, "stop_time_s": 4e-5, "fidelity": "screen"}
    whole = fire(changed(TRADE_SHOT, coil={"turns_count": turns}, solver=held))
    fewer = fire(changed(TRADE_SHOT, coil={"turns_count": turns - 1}, solver=held))
    assert fewer.summary is not None
    assert amperes(faults(whole)["turn_shorted"]) > fewer.summary.peak_current_a


def test_a_capacitor_that_fails_gets_its_neighbours_charge(fire: Fire) -> None:
    """Five of 30 uF with 60 nH and 10 mohm each: four in parallel and the failed one's strays in series."""
    bank = {"capacitors_count": 5, "capacitor_inductance_henry": 6e-8, "capacitor_resistance_ohm": 1e-2}
    result = fire(changed(TRADE_SHOT, bank=bank))
    fault = faults(result)["capacitor_shorted"]
    assert amperes(fault) == pytest.approx(peak_current_a(7e3, 1.2e-4, 6e-8 * 1.25, 1e-2 * 1.25))
    assert fault.action_a2_s == pytest.approx(0.5 * 1.2e-4 * 7e3**2 / 1.25e-2)
    assert fault.energy_j == pytest.approx(3675.0)
    assert result.summary is not None
    assert f"{result.summary.action_a2_s / 25:.2g} A2s" in fault.demands
    alone = faults(fire(TRADE_SHOT))["capacitor_shorted"]
    assert alone.peak_current_a is None
    assert "capacitors_count" in alone.demands


def test_a_fault_over_a_stated_limit_says_so(fire: Fire) -> None:
    """The shot keeps 60 kA, the bridged terminals do not; that does not forbid the shot."""
    result = fire(changed(TRADE_SHOT, limits={"peak_current_a": 6e4}))
    assert not result.verdict.not_to_be_fired
    assert faults(result)["terminals_shorted"].over_limits == ["peak_current_a"]
    assert faults(result)["misfire"].over_limits == []


def test_a_crowbar_leaves_the_energy_to_the_line(fire: Fire) -> None:
    """Past the bank's own resistance, so that the action is that of the line alone: C V^2 / 2 R of switch and leads."""
    crowbar = {"across": "bank", "resistance_ohm": 5e-4}
    fault = faults(fire(changed(TRADE_SHOT, crowbar=crowbar)))["terminals_shorted"]
    assert fault.action_a2_s == pytest.approx(3675.0 / 3e-3)


def test_stated_strays_count_however_small(fire: Fire) -> None:
    """10 nH in all and no resistance: V sqrt(C / L)."""
    bare = {"inductance_henry": 1e-8, "resistance_ohm": 0.0}
    none = {"inductance_henry": 0.0, "resistance_ohm": 0.0}
    result = fire(changed(TRADE_SHOT, bank=bare, switch=none, leads=none))
    assert amperes(faults(result)["terminals_shorted"]) == pytest.approx(7e3 * sqrt(1.5e-4 / 1e-8))


def test_a_bridged_turn_lowers_the_others_by_its_own_current(fire: Fire) -> None:
    """More than n - 1 turns by themselves draw, by the closed form with the same rough inductance of the coil."""
    shot = check_shot(TRADE_SHOT)
    alone = peak_current_a(7e3, 1.5e-4, 2e-7 + rough_coil_inductance(shot) * (7 / 8) ** 2, 5e-3)
    assert amperes(faults(fire(TRADE_SHOT))["turn_shorted"]) > 1.05 * alone
