"""Facts of the trade, common practice, no source: one bench of common size shows them all in one shot."""

from __future__ import annotations

import numpy as np
import pytest

from physics import ShotResult
from physics.result import Series, Summary
from tests.physics.shots import TRADE_SHOT, Fire


@pytest.fixture(scope="module")
def result(fire: Fire) -> ShotResult:
    return fire(TRADE_SHOT)


@pytest.fixture(scope="module")
def summary(result: ShotResult) -> Summary:
    assert result.summary is not None
    return result.summary


@pytest.fixture(scope="module")
def series(result: ShotResult) -> Series:
    assert result.series is not None
    return result.series


def test_bank_is_of_common_size(result: ShotResult) -> None:
    """The bank holds a few kilojoules at about 7 kV."""
    assert result.energy is not None
    assert 2e3 < result.energy.bank_j < 6e3
    assert result.shot.bank.charge_voltage_v == pytest.approx(7e3, rel=0.05)
    assert result.status == "completed"


def test_current_is_of_the_order_of_100_kiloamperes(summary: Summary) -> None:
    """The peak current is 50 to 120 kA."""
    assert 50e3 < summary.peak_current_a < 120e3


def test_half_cycle_takes_some_forty_microseconds(summary: Summary) -> None:
    """The first half-cycle takes 25 to 60 us."""
    assert summary.first_current_zero_s is not None
    assert 25e-6 < summary.first_current_zero_s < 60e-6


def test_disc_of_24_mm_comes_out_at_about_18_mm(summary: Summary) -> None:
    """A copper-alloy disc of 24 mm shrinks to 0.68 to 0.80 of its diameter and gets thicker."""
    assert 0.68 < summary.shrink_ratio < 0.80
    assert summary.final_outer_diameter_m == pytest.approx(18e-3, rel=0.07)
    assert summary.final_centre_thickness_m > 1.5 * 1.75e-3


def test_coil_bursts_with_the_energy_of_small_arms(summary: Summary) -> None:
    """The coil bursts, after the peak of the current, and its debris carries 0.2 to 3.5 kJ."""
    assert summary.burst_time_s is not None
    assert summary.burst_time_s > summary.time_to_peak_s
    assert summary.ruptured_turns_count == 8
    assert 200.0 < summary.debris_energy_j < 3500.0


def test_part_is_too_hot_to_hold(result: ShotResult, summary: Summary) -> None:
    """The part settles above 333 K, and the hazards say that it is not to be touched."""
    assert summary.mean_workpiece_temperature_k > 333.0
    hot = next(hazard for hazard in result.hazards.estimates if hazard.name == "part_temperature")
    assert "too hot to hold" in hot.statement


def test_coil_breaks_by_force_and_not_by_heat(summary: Summary) -> None:
    """The coil is nowhere near its melting point when it breaks."""
    # The rough trial of such shots: some 60-80 K at burst, hottest skin more; copper melts at 1358 K.
    assert summary.peak_coil_temperature_k < 600.0


def test_part_is_pressed_while_the_field_is_on(series: Series) -> None:
    """The part begins to move with the rising field and has its final size soon after the first half-cycle."""
    time, diameter = np.array(series.time_s), np.array(series.outer_diameter_m)
    assert diameter[time < 3e-6][-1] > 0.995 * diameter[0]
    late = diameter[time > 60e-6]
    assert late.max() - late.min() < 0.01 * diameter[0]


def test_hazards_name_stored_energy_and_debris(result: ShotResult) -> None:
    """The hazard block states the stored energy as lethal and the debris in joules, with cautions."""
    named = {hazard.name: hazard for hazard in result.hazards.estimates}
    assert "lethal" in named["stored_energy"].statement
    assert (named["debris_energy"].value or 0.0) > 200.0
    assert len(result.hazards.cautions) >= 5
