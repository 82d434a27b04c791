"""Sound, box and light against published values and closed forms, each in its safe direction."""

from __future__ import annotations

from math import pi, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from physics.hazards.enclosure import AIR_KG_PER_M3, AIR_PA, GAMMA, pressure_rise_pa, vent_area_m2
from physics.hazards.flash import fluence_j_per_m2
from physics.hazards.sound import TNT_J_PER_KG, distance_to_m, level_db, overpressure_pa, peak_sound_pa


@pytest.mark.parametrize(
    ("scaled", "kpa"),
    [(1.0, 1353.70), (2.0, 283.746), (5.0, 43.2300), (10.0, 14.8895), (20.0, 6.10205), (40.0, 2.37458)],
)
def test_blast_over_scaled_distance(scaled: float, kpa: float) -> None:
    """Swisdak, Simplified Kingery airblast calculations, 1994 (coefficients as transcribed), evaluated by hand."""
    assert overpressure_pa(scaled) == pytest.approx(1e3 * kpa, rel=2e-5)


def test_blast_of_the_published_example() -> None:
    """10,000 kg of TNT at 500 m: 5.05496 kPa (worked example after Swisdak 1994, as read)."""
    assert peak_sound_pa(1e4 * TNT_J_PER_KG, 500.0) == pytest.approx(5054.9639655, rel=1e-6)


@pytest.mark.parametrize(("kj", "distance_m", "kpa", "db"), [(5.0, 1.0, 16.16, 178.1), (10.0, 2.0, 8.79, 172.9)])
def test_small_releases(kj: float, distance_m: float, kpa: float, db: float) -> None:
    """5 kJ at 1 m and 10 kJ at 2 m as TNT at 4.184 MJ/kg (convention), by hand; 140 dB are 200 Pa over 20 uPa."""
    pressure = peak_sound_pa(1e3 * kj, distance_m)
    assert pressure == pytest.approx(1e3 * kpa, rel=2e-3)
    assert level_db(pressure) == pytest.approx(db, abs=0.1)
    assert level_db(200.0) == pytest.approx(140.0, abs=1e-9)


@given(energy=st.floats(1.0, 1e6), near=st.floats(0.3, 500.0), further=st.floats(1.0, 10.0), more=st.floats(1.0, 10.0))
def test_sound_falls_with_distance_and_rises_with_energy(
    energy: float, near: float, further: float, more: float
) -> None:
    """Beyond the fit it falls with the distance and no faster, so that it never comes out too quiet."""
    assert peak_sound_pa(energy, further * near) <= peak_sound_pa(energy, near) * 1.01  # the fit jumps by 0.7 % at 23.8
    assert peak_sound_pa(more * energy, near) >= peak_sound_pa(energy, near) * 0.99
    assert overpressure_pa(80.0) == pytest.approx(0.5 * overpressure_pa(40.0))


@given(energy=st.floats(10.0, 1e5), level=st.floats(100.0, 5e4))
def test_the_distance_to_a_level_has_that_level(energy: float, level: float) -> None:
    """And what is further away is quieter."""
    distance = distance_to_m(energy, level)
    assert peak_sound_pa(energy, distance) == pytest.approx(level, rel=0.02)


def test_pressure_of_a_closed_box_is_that_of_heated_air() -> None:
    """First law for an ideal gas at constant volume: 5 kJ into 1 m3 at 293 K raise T by E / m cv and p = rho R T."""
    heat_per_k = AIR_KG_PER_M3 * 287.05 / (GAMMA - 1.0)
    rise_k = 5e3 / heat_per_k
    assert pressure_rise_pa(5e3, 1.0) == pytest.approx(AIR_KG_PER_M3 * 287.05 * rise_k, rel=1e-9)
    assert pressure_rise_pa(5e3, 1.0) == pytest.approx(2000.0)


def test_vents_relieve_the_box_in_the_time_asked_for() -> None:
    """dp/dt = -gamma p0 / V Cd A sqrt(2 p / rho), integrated by a general solver until next to nothing is left."""
    rise, volume, within = 8e3, 0.2, 0.02
    area = vent_area_m2(rise, volume, within)

    def falling(_time: float, pressure: np.ndarray) -> np.ndarray:
        flow = 0.6 * area * np.sqrt(2.0 * np.maximum(pressure, 0.0) / AIR_KG_PER_M3)
        return np.asarray(-GAMMA * AIR_PA / volume * flow)

    run = solve_ivp(falling, (0.0, 0.99 * within), [rise], rtol=1e-8, atol=1e-3)
    # The root falls evenly: a hundredth of the time before the end a ten-thousandth is left.
    assert run.y[0, -1] == pytest.approx(rise * 1e-4, rel=0.02)


@given(rise=st.floats(10.0, 5e4), volume=st.floats(1e-3, 10.0), bigger=st.floats(1.0, 10.0))
def test_more_pressure_or_volume_needs_more_vents(rise: float, volume: float, bigger: float) -> None:
    """And a larger box has less pressure for the same energy."""
    assert vent_area_m2(bigger * rise, volume) >= vent_area_m2(rise, volume)
    assert vent_area_m2(rise, bigger * volume) >= vent_area_m2(rise, volume)
    assert pressure_rise_pa(1e3, bigger * volume) <= pressure_rise_pa(1e3, volume)


def test_light_spreads_over_a_sphere() -> None:
    """All of it goes through the sphere at any distance."""
    assert fluence_j_per_m2(100.0, 3.0) * 4.0 * pi * 9.0 == pytest.approx(100.0)
    assert sqrt(fluence_j_per_m2(100.0, 1.0) / fluence_j_per_m2(100.0, 3.0)) == pytest.approx(3.0)
