"""Adiabatic heating of coil and part against the closed form for constant specific heat."""

from __future__ import annotations

from math import exp, pi
from typing import Any

import pytest

from physics import simulate_shot
from tests.physics.shots import Fire

AMBIENT_K = 293.15
DENSITY, SPECIFIC_HEAT = 8960.0, 385.0
WIRE_M, TURNS, BORE_M, GAP_M = 6e-4, 10, 0.020, 0.010


def metal(conductivity: float, coefficient: float) -> dict[str, float]:
    """A metal of our own with a linear resistivity and a constant specific heat."""
    return {
        "conductivity_s_per_m": conductivity,
        "resistivity_coefficient_per_k": coefficient,
        "density_kg_per_m3": DENSITY,
        "specific_heat_j_per_kg_k": SPECIFIC_HEAT,
        "melting_temperature_k": 1358.0,
    }


def wire_heater(voltage_v: float, conductivity: float, coefficient: float) -> dict[str, Any]:
    """A bank that empties into a coil of wire much thinner than the skin, round a part that hardly conducts."""
    return {
        "bank": {"capacitance_farad": 2e-4, "charge_voltage_v": voltage_v, "inductance_henry": 2e-7},
        "coil": {
            "turns_count": TURNS,
            "wire_diameter_m": WIRE_M,
            "pitch_m": 2e-3,
            "material": metal(conductivity, coefficient),
        },
        "gap_m": GAP_M,
        "workpiece": {
            "shape": "disc",
            "outer_diameter_m": BORE_M,
            "thickness_m": 1e-3,
            "layers": [{"material": metal(1e3, 0.0)}],
        },
        "solver": {"motion": False, "heating": True},
    }


@pytest.mark.parametrize(
    ("voltage_v", "conductivity", "coefficient"),
    [(1500.0, 5e6, 0.00393), (3000.0, 5e6, 0.00393), (2000.0, 2e7, 0.00393), (3000.0, 5e6, 0.0)],
)
@pytest.mark.usefixtures("fine_steps")
def test_wire_heats_as_its_action_says(voltage_v: float, conductivity: float, coefficient: float) -> None:
    """A wire without skin effect gets as hot as the action through it asks, and so takes up the bank's energy."""
    result = simulate_shot(wire_heater(voltage_v, conductivity, coefficient))
    assert result.summary is not None
    assert result.energy is not None
    # rho = rho0 (1 + alpha T), no heat lost: T = (exp(alpha rho0 g / (density cp)) - 1) / alpha, g = action / area^2.
    area = 0.25 * pi * WIRE_M**2
    cold_rise = result.summary.action_a2_s / area**2 / (conductivity * DENSITY * SPECIFIC_HEAT)
    rise = (exp(coefficient * cold_rise) - 1.0) / coefficient if coefficient else cold_rise
    mass = DENSITY * area * TURNS * pi * (BORE_M + 2.0 * GAP_M + WIRE_M)
    assert result.energy.coil_heat_j == pytest.approx(mass * SPECIFIC_HEAT * rise, rel=1e-4)
    # The inner side of a turn is shorter and takes more current: up to 2 % more rise there.
    assert rise < result.summary.peak_coil_temperature_k - AMBIENT_K < 1.02 * rise
    # Without resistance outside, the bank's energy is in the wire, all but the thousandth where the run ends.
    assert result.energy.coil_heat_j == pytest.approx(result.energy.bank_j, rel=1.1e-3)


CORE_HEAT = 900.0


@pytest.mark.parametrize("core_share", [1.0, 0.6], ids=["one metal", "clad"])
def test_part_settles_at_the_temperature_of_its_heat(fire: Fire, core_share: float) -> None:
    """A part that does not move ends as hot as its ohmic heat makes it: the rise is the heat over the sum of m c."""
    shot = wire_heater(3000.0, 5e7, 0.0)
    shot["gap_m"] = 5e-4
    core, face = metal(2e7, 0.00393) | {"specific_heat_j_per_kg_k": CORE_HEAT}, metal(1e7, 0.00393)
    faces = [{"material": face, "fraction_ratio": 0.5 * (1.0 - core_share)}] if core_share < 1.0 else []
    shot["workpiece"]["layers"] = [*faces, {"material": core, "fraction_ratio": core_share}, *faces]
    result = fire(shot)
    assert result.summary is not None
    assert result.energy is not None
    mass = DENSITY * 0.25 * pi * BORE_M**2 * 1e-3
    held = mass * (core_share * CORE_HEAT + (1.0 - core_share) * SPECIFIC_HEAT)
    rise = result.summary.mean_workpiece_temperature_k - AMBIENT_K
    assert rise > 10.0
    assert rise == pytest.approx(result.energy.workpiece_heat_j / held, rel=1e-6)
    assert result.summary.peak_workpiece_temperature_k > result.summary.mean_workpiece_temperature_k
