"""Time and energy to charge the bank."""

from __future__ import annotations

from physics.equipment import Charger
from physics.facts import Facts
from physics.result import Estimate


def charge_time_s(charger: Charger, capacitance_farad: float, voltage_v: float) -> float:
    """Time (s) from empty to a voltage (V): at the current up to where the power limits, at the power from there on."""
    changes_v = voltage_v
    if charger.current_a is not None and charger.power_w is not None:
        changes_v = min(voltage_v, charger.power_w / charger.current_a)
    if charger.current_a is None:
        changes_v = 0.0
    time = capacitance_farad * changes_v / charger.current_a if charger.current_a is not None else 0.0
    if charger.power_w is not None:
        time += 0.5 * capacitance_farad * (voltage_v**2 - changes_v**2) / charger.power_w
    return time


def estimates(facts: Facts) -> list[Estimate]:
    """If the charger is stated."""
    charger = facts.shot.equipment.charger
    if charger is None:
        return []
    time = charge_time_s(charger, facts.shot.bank.capacitance_farad, facts.voltage_v)
    drawn = facts.energy_j / charger.efficiency_ratio
    return [
        Estimate(
            name="charge_time",
            unit="s",
            value=time,
            statement=f"{time:.3g} s from empty to {facts.voltage_v:.0f} V; {drawn:.3g} J are drawn from the mains",
            equation="C V / I up to V = P / I, C V^2 / 2 P from there on",
            source="definition of capacitance and energy",
            validity="a charger that keeps its current or power up to the end",
            errs="short: leakage and a charger that slows down lengthen it",
        )
    ]
