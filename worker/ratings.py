"""Ratings in the words of a search: the reason that an exceeded limit gives a trial, and how it is spelled."""

from __future__ import annotations

from collections.abc import Callable

from physics.ratings import INSULATION
from physics.result import Rating
from worker.records import Reason
from worker.words import charge, current, energy, quantity, share, voltage

#: The reason that each limit gives a trial which exceeds it.
REASONS: dict[str, Reason] = {
    "charge_voltage_v": "voltage_limit",
    "stored_energy_j": "energy_limit",
    "peak_current_a": "current_limit",
    "peak_capacitor_current_a": "capacitor_current_limit",
    "charge_coulomb": "charge_limit",
    "voltage_reversal_ratio": "reversal_limit",
    "action_a2_s": "action_limit",
    "current_rise_a_per_s": "current_rise_limit",
    "hold_off_v": "voltage_limit",
    "expected_shots_count": "life_limit",
    "lead_temperature_k": "leads_limit",
    "lead_force_n_per_m": "leads_limit",
    "charge_time_s": "charger_limit",
    "bleed_time_s": "bleed_limit",
    "debris_energy_j": "debris_limit",
    "worst_piece_energy_j": "debris_limit",
    "peak_sound_pa": "room_limit",
    "stray_field_tesla": "room_limit",
    "left_in_bank_j": "room_limit",
    "induced_voltage_v": "room_limit",
    "implant_distance_m": "room_limit",
    "flash_j_per_m2": "room_limit",
    "metal_vapour_kg_per_m3": "room_limit",
    "coil_temperature_k": "room_limit",
    "part_temperature_k": "room_limit",
    "barrier_mild_steel": "barrier_limit",
    "barrier_concrete": "barrier_limit",
    "barrier_brick": "barrier_limit",
    "box_pressure": "barrier_limit",
    "turn_insulation_margin_ratio": "insulation_limit",
    "gap_insulation_margin_ratio": "insulation_limit",
}
#: What is rated, in words, and how its value is spelled.
WORDS: dict[str, tuple[str, Callable[[float], str]]] = {
    "charge_voltage_v": ("voltage", voltage),
    "stored_energy_j": ("energy", energy),
    "peak_current_a": ("current", current),
    "peak_capacitor_current_a": ("capacitor current", current),
    "charge_coulomb": ("charge", charge),
    "voltage_reversal_ratio": ("reversal", share),
    "action_a2_s": ("action integral", lambda value: quantity(value, "A2.s")),
    "current_rise_a_per_s": ("rise of current", lambda value: quantity(value, "A/s")),
    "hold_off_v": ("voltage on the switch", voltage),
    "expected_shots_count": ("life of the capacitors", lambda value: f"{value:.3g} shots"),
    "lead_temperature_k": ("temperature of the leads", lambda value: quantity(value, "K")),
    "lead_force_n_per_m": ("force between the leads", lambda value: quantity(value, "N/m")),
    "charge_time_s": ("charging time", lambda value: quantity(value, "s")),
    "bleed_time_s": ("bleeding time", lambda value: quantity(value, "s")),
    "debris_energy_j": ("debris energy", energy),
    "worst_piece_energy_j": ("energy of the worst piece", lambda value: quantity(value, "J")),
    "peak_sound_pa": ("peak sound", lambda value: quantity(value, "Pa")),
    "stray_field_tesla": ("stray field", lambda value: quantity(value, "T")),
    "left_in_bank_j": ("energy left in the bank", lambda value: quantity(value, "J")),
    "induced_voltage_v": ("voltage in instrument loops", lambda value: quantity(value, "V")),
    "implant_distance_m": ("reach of the field for implants", lambda value: quantity(value, "m")),
    "flash_j_per_m2": ("light of the arcs", lambda value: quantity(value, "J/m2")),
    "metal_vapour_kg_per_m3": ("copper in the air", lambda value: quantity(value, "kg/m3")),
    "coil_temperature_k": ("temperature of the coil", lambda value: quantity(value, "K")),
    "part_temperature_k": ("temperature of the part", lambda value: quantity(value, "K")),
    "barrier_mild_steel": ("barrier of mild steel", lambda value: quantity(value, "m")),
    "barrier_concrete": ("barrier of concrete", lambda value: quantity(value, "m")),
    "barrier_brick": ("barrier of brickwork", lambda value: quantity(value, "m")),
    "box_pressure": ("pressure in the box", lambda value: quantity(value, "Pa")),
    "turn_insulation_margin_ratio": ("turn insulation", share),
    "gap_insulation_margin_ratio": ("gap insulation", share),
}


def overshoot(rating: Rating) -> str:
    """'its current of 63.0 kA is 5.0% over the limit of 60.0 kA'."""
    name, spell = WORDS[rating.name]
    over = f"{-rating.margin_ratio:.1%}"
    if rating.name in INSULATION:
        return (
            f"its {name} is left a margin of {spell(rating.value)} where {spell(rating.limit)} is asked for, "
            f"{over} too much voltage"
        )
    return f"its {name} of {spell(rating.value)} is {over} over the limit of {spell(rating.limit)}"
