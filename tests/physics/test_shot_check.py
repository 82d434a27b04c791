"""What is said about a shot before it is run, against the run itself."""

from __future__ import annotations

from math import pi, sqrt
from typing import Any

import pytest

from physics import simulate_shot
from physics.constants import MU_0
from physics.materials import resolve
from physics.shot_check import inspect_shot

Json = dict[str, Any]


@pytest.fixture
def shot() -> Json:
    """A shot on a well-described bench, about which nothing is to be warned of."""
    return {
        "bank": {
            "capacitance_farad": 1.5e-4,
            "charge_voltage_v": 6000.0,
            "inductance_henry": 6e-8,
            "resistance_ohm": 2e-3,
            "damping_resistance_ohm": 1e-3,
        },
        "switch": {"kind": "ignitron", "inductance_henry": 4e-8, "resistance_ohm": 1e-3},
        "leads": {"inductance_henry": 1e-7, "resistance_ohm": 2e-3},
        "coil": {"turns_count": 8, "wire_diameter_m": 2.05e-3, "pitch_m": 2.3e-3},
        "gap_m": 1e-3,
        "insulation": {
            "former_wall_m": 8e-4,
            "former_strength_v_per_m": 2e7,
            "enamel_thickness_m": 4e-5,
            "enamel_pair_breakdown_v": 5000.0,
        },
        "workpiece": {
            "shape": "disc",
            "outer_diameter_m": 0.03,
            "thickness_m": 2e-3,
            "layers": [{"material": "copper"}],
        },
        "solver": {"fidelity": "screen"},
    }


def names(shot: Json) -> list[str]:
    return [warning.name for warning in inspect_shot(shot).warnings]


def test_figures_are_those_of_the_input(shot: Json) -> None:
    """Energy and strays are sums of what was stated; skin depth is that of the textbook at the rough quarter period."""
    figures = inspect_shot(shot).figures
    assert figures.stored_energy_j == pytest.approx(0.5 * 1.5e-4 * 6000.0**2)
    assert figures.stray_inductance_henry == pytest.approx(2e-7)
    assert figures.stray_resistance_ohm == pytest.approx(6e-3)
    whole = figures.stray_inductance_henry + figures.rough_coil_inductance_henry
    assert figures.rough_time_to_peak_s == pytest.approx(0.5 * pi * sqrt(whole * 1.5e-4))
    resistivity = float(resolve("copper").resistivity.at(293.15))
    omega = 0.5 * pi / figures.rough_time_to_peak_s
    assert figures.coil_skin_depth_m == pytest.approx(sqrt(2.0 * resistivity / (omega * MU_0)), rel=1e-3)
    assert figures.workpiece_skin_depth_m == figures.coil_skin_depth_m


@pytest.mark.parametrize(("turns", "gap_m"), [(4, 1e-3), (8, 1e-3), (8, 3e-3), (12, 6e-3)])
def test_rough_time_to_peak_is_near_the_run(shot: Json, turns: int, gap_m: float) -> None:
    """The closed formula comes within a third of the time to peak of parts that are held still."""
    shot["coil"]["turns_count"], shot["gap_m"] = turns, gap_m
    shot["solver"] |= {"motion": False, "heating": False}
    summary = simulate_shot(shot).summary
    assert summary is not None
    assert inspect_shot(shot).figures.rough_time_to_peak_s == pytest.approx(summary.time_to_peak_s, rel=0.35)


def test_nothing_is_warned_of_without_cause(shot: Json) -> None:
    """A shot that is described in full and stays inside its limits has no warnings."""
    shot["limits"] = {"charge_voltage_v": 10_000.0, "stored_energy_j": 8000.0, "peak_current_a": 120_000.0}
    found = inspect_shot(shot)
    assert found.warnings == []
    assert [rating.name for rating in found.ratings] == ["charge_voltage_v", "stored_energy_j"]


def test_exceeded_limit_is_told_before_the_run(shot: Json) -> None:
    """More energy than the limit is warned of with both numbers, and its rating is the one that a run gives."""
    shot["limits"] = {"stored_energy_j": 2000.0}
    found = inspect_shot(shot)
    assert [warning.name for warning in found.warnings] == ["limit_exceeded"]
    assert "2700 J" in found.warnings[0].statement
    assert "2000 J" in found.warnings[0].statement
    assert found.ratings == simulate_shot(shot).ratings


def test_unrated_insulation_is_named_as_the_run_leaves_it_out(shot: Json) -> None:
    """Of insulation that is not stated the check warns, and the run has no breakdown voltage for it."""
    del shot["insulation"]
    (warning,) = inspect_shot(shot).warnings
    assert warning.name == "insulation_not_stated"
    assert "enamel_pair_breakdown_v" in warning.statement
    assert "former_strength_v_per_m" in warning.statement
    assert all(check.breakdown_voltage_v is None for check in simulate_shot(shot).insulation)


def test_bench_without_strays_is_doubted(shot: Json) -> None:
    """Nobody's bench is free of inductance, so leaving it out is warned of."""
    for part in ("bank", "switch", "leads"):
        shot[part]["inductance_henry"] = 0.0
    assert names(shot) == ["no_stray_inductance"]


def test_solver_that_cuts_the_shot_short_is_told(shot: Json) -> None:
    """A stop time before the peak and a part held still are warned of."""
    shot["solver"] |= {"stop_time_s": 2e-6, "motion": False}
    assert names(shot) == ["stops_before_peak", "held_still"]


def test_what_the_library_says_of_a_metal_is_passed_on(shot: Json) -> None:
    """The warning of a metal of one's own comes with the part that is made of it."""
    shot["coil"]["material"] = {
        **own_constants(),
        "warning": "measured on one sample",
    }
    (warning,) = inspect_shot(shot).warnings
    assert (warning.name, warning.statement) == ("metal", "coil, your own metal: measured on one sample")


def own_constants() -> Json:
    """Constants that suffice for a run with motion and heating."""
    return {
        "conductivity_s_per_m": 5.8e7,
        "resistivity_coefficient_per_k": 0.00393,
        "density_kg_per_m3": 8960.0,
        "specific_heat_j_per_kg_k": 385.0,
        "melting_temperature_k": 1358.0,
        "youngs_modulus_pa": 1.2e11,
        "poisson_ratio": 0.34,
        "flow_stress": {"a_pa": 9e7, "b_pa": 2.92e8, "n_ratio": 0.31, "c_ratio": 0.025, "m_ratio": 1.09},
    }
