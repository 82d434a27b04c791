"""What a shot can do to people, as estimates for planning, and the cautions that go with every shot.

Each estimate names its source and errs towards the safe side.
"""

from __future__ import annotations

from math import sqrt

from physics.result import Hazard, Hazards, Summary

CAUTIONS: tuple[str, ...] = (
    "Stored energy kills: only qualified persons, never alone, work on or near the bank.",
    "Interlocks on every access; charge and fire remotely, with nobody inside the barrier.",
    "After every shot or charge without a shot: bleed down, check, and fit a visible short before approach.",
    "A barrier that stops the coil's debris encloses the coil on all sides; nobody looks past it.",
    "Eye and ear protection for everybody within hearing; strong field: keep implants, cards and loose iron away.",
    "The part and the coil's remains are hot and sharp; ventilate copper vapour and smoke.",
    "These figures are estimates for planning and no substitute for a safety review.",
    "Local codes and licensed practice decide.",
)

#: Debris energy to compare with: common handbook values, from memory (high).
_PISTOL_J = 500.0
_RIFLE_J = 3300.0


def stored_energy_statement(voltage_v: float, energy_j: float) -> str:
    """What the published thresholds for capacitors demand at this voltage and energy.

    Shock: >= 100 V and >= 10 J; arc blast: >= 100 V and >= 10 kJ (LBNL Electrical Safety Manual,
    tables 2.2.13 and 2.3.3, as read); > 50 J counts as lethal.
    """
    if voltage_v < 100.0:
        return "below the 100 V threshold for shock"
    if energy_j >= 1e4:
        return "shock hazard, lethal, and arc-blast hazard (10 kJ and more)"
    if energy_j >= 50.0:
        return "shock hazard, lethal (above 50 J)"
    if energy_j >= 10.0:
        return "shock hazard (10 J and more)"
    return "below the 10 J threshold for shock at a laboratory; still painful"


def _debris_statement(energy_j: float) -> str:
    if energy_j <= 0.0:
        return "no turn is expected to rupture; contain it all the same"
    if energy_j < _PISTOL_J:
        return "less than a 9 mm pistol bullet (500 J), in many pieces; contain it all the same"
    pistol, rifle = energy_j / _PISTOL_J, energy_j / _RIFLE_J
    return f"as much as {pistol:.1f} pistol bullets (9 mm, 500 J) or {rifle:.2f} rifle bullets (3.3 kJ)"


def _heat_statement(temperature_k: float) -> str:
    # 333 K: metal burns skin within seconds (order of the limit in ISO 13732-1; from memory, med).
    if temperature_k >= 333.15:
        return "too hot to hold: do not touch, let it cool"
    return "warm; check before touching"


def _left_statement(voltage_v: float, energy_j: float) -> str:
    """The bank after the shot: its loop may have opened before it was empty."""
    if energy_j < 1e-3:
        return "the model leaves nothing in the bank; treat it as charged until it is bled down and shorted"
    danger = stored_energy_statement(voltage_v, energy_j)
    return f"the bank keeps {voltage_v:.0f} V after the shot: {danger}; bleed it down"


def assess(voltage_v: float, energy_j: float, summary: Summary | None, left_in_bank_j: float = 0.0) -> Hazards:
    """The hazard block of a shot charged to `voltage_v` (V) with `energy_j` (J) stored, `left_in_bank_j` after it."""
    estimates = [
        Hazard(
            name="stored_energy",
            unit="J",
            value=energy_j,
            statement=stored_energy_statement(voltage_v, energy_j),
            source="LBNL Electrical Safety Manual, tables 2.2.13 and 2.3.3",
        )
    ]
    if summary is not None:
        estimates += [
            Hazard(
                name="left_in_bank",
                unit="J",
                value=left_in_bank_j,
                statement=_left_statement(voltage_v * sqrt(left_in_bank_j / energy_j), left_in_bank_j),
                source="this model's energy balance; LBNL Electrical Safety Manual, tables 2.2.13 and 2.3.3",
            ),
            Hazard(
                name="debris_energy",
                unit="J",
                value=summary.debris_energy_j,
                statement=_debris_statement(summary.debris_energy_j),
                source="kinetic energy of the ruptured turns in this model; bullets: common handbook values",
            ),
            Hazard(
                name="debris_velocity",
                unit="m/s",
                value=summary.debris_velocity_m_per_s,
                statement="speed of the fastest ruptured turn",
                source="this model",
            ),
            Hazard(
                name="part_temperature",
                unit="K",
                value=summary.mean_workpiece_temperature_k,
                statement=_heat_statement(summary.mean_workpiece_temperature_k),
                source="this model; burn threshold of the order of ISO 13732-1, from memory",
            ),
        ]
    return Hazards(estimates=estimates, cautions=list(CAUTIONS))
