"""Handbook inductance of coils, and a bank that discharges through one round a part that hardly conducts."""

from __future__ import annotations

from dataclasses import dataclass
from math import atan, atanh, exp, log, pi, sin, sinh, sqrt
from typing import Any

from scipy.special import ellipe, ellipk

from physics.constants import MU_0

GAP_M, PART_RADIUS_M, CAPACITANCE_FARAD, VOLTAGE_V = 1.2e-2, 1e-3, 1e-3, 100.0


def current_sheet(radius: float, length: float, turns: int) -> float:
    """Inductance (H) of a cylindrical current sheet (Lorenz 1879; Nagaoka's coefficient in closed form)."""
    modulus = 4.0 * radius**2 / (4.0 * radius**2 + length**2)
    k = sqrt(modulus)
    bracket = (2.0 * modulus - 1.0) / k**3 * ellipe(modulus) + (1.0 - modulus) / k**3 * ellipk(modulus) - 1.0
    return float(8.0 / 3.0 * MU_0 * turns**2 * radius**3 / length**2 * bracket)


def round_wire_coil(radius: float, pitch: float, wire: float, turns: int) -> float:
    """Inductance (H) with Rosa's corrections for round wire (Rosa & Grover 1912; series for B from memory, high)."""
    own = 1.25 - log(2.0 * pitch / wire)
    others = log(2.0 * pi) - 1.5 - log(turns) / (6.0 * turns) - 0.33084236 / turns
    others += -1.0 / (120.0 * turns**3) + 1.0 / (504.0 * turns**5)
    return current_sheet(radius, turns * pitch, turns) - MU_0 * radius * turns * (own + others)


def coil_shot(turns: int, wire: float, pitch: float, conductivity: float) -> dict[str, Any]:
    """A bank on a coil of thin wire; the part is a speck that hardly conducts."""
    return {
        "bank": {"capacitance_farad": CAPACITANCE_FARAD, "charge_voltage_v": VOLTAGE_V},
        "coil": {
            "turns_count": turns,
            "wire_diameter_m": wire,
            "pitch_m": pitch,
            "material": {"conductivity_s_per_m": conductivity},
        },
        "gap_m": GAP_M,
        "workpiece": {
            "shape": "disc",
            "outer_diameter_m": 2.0 * PART_RADIUS_M,
            "thickness_m": 2e-4,
            "layers": [{"material": {"conductivity_s_per_m": 1e3}}],
        },
        "solver": {"motion": False, "heating": False, "stop_time_s": 4e-4},
    }


@dataclass(frozen=True)
class Peak:
    """Largest current (A) and when it is reached (s)."""

    current_a: float
    time_s: float


def peak_through(inductance: float, resistance: float) -> Peak:
    """Peak of the bank of :func:`coil_shot` through constant inductance (H) and resistance (ohm), closed form."""
    damping = resistance / (2.0 * inductance)
    square = 1.0 / (inductance * CAPACITANCE_FARAD) - damping**2
    rate = sqrt(abs(square))
    when = atan(rate / damping) / rate if square > 0 else atanh(rate / damping) / rate
    shape = sin(rate * when) if square > 0 else sinh(rate * when)
    return Peak(VOLTAGE_V / (inductance * rate) * exp(-damping * when) * shape, when)
