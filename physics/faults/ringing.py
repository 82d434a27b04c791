"""A charged capacitor through constant inductance and resistance, in closed form."""

from __future__ import annotations

from math import atan2, atanh, exp, sqrt


def peak_current_a(voltage_v: float, capacitance_farad: float, inductance_henry: float, resistance_ohm: float) -> float:
    """Largest current (A): V sqrt(C / L) e^(-a t) at tan(w t) = w / a, and its limits without ringing (textbook)."""
    undamped = voltage_v * sqrt(capacitance_farad / inductance_henry)
    # Damping over the undamped angular frequency.
    ratio = 0.5 * resistance_ohm * sqrt(capacitance_farad / inductance_henry)
    if ratio == 0.0:
        return undamped
    if ratio < 1.0:
        ringing = sqrt(1.0 - ratio**2)
        return undamped * exp(-ratio / ringing * atan2(ringing, ratio))
    if ratio == 1.0:
        return undamped * exp(-1.0)
    creeping = sqrt(ratio**2 - 1.0)
    return undamped * exp(-ratio / creeping * atanh(creeping / ratio))


def action_a2_s(voltage_v: float, capacitance_farad: float, resistance_ohm: float) -> float | None:
    """Action (A^2 s) of the whole discharge, all energy in the resistance: C V^2 / 2 R; None without any."""
    return 0.5 * capacitance_farad * voltage_v**2 / resistance_ohm if resistance_ohm > 0.0 else None
