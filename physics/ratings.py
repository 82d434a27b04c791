"""How a shot stands against every limit that is stated: those of the bench, and those of the room."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from physics.facts import Facts
from physics.result import Estimate, InsulationCheck, Rating
from physics.schema import unit_of
from physics.shot import Shot

#: A limit may be used up to the last digit of a double.
_LAST_DIGIT = 1e-12

#: Margins of insulation, by which pairs of conductors have them; of a margin more is safer.
INSULATION = {"turn_insulation_margin_ratio": ("turns", "layers"), "gap_insulation_margin_ratio": ("gap",)}
#: Limits from below.
LOWEST = frozenset({*INSULATION, "expected_shots_count"})
#: Limits on an estimate, by its name.
_OF_ESTIMATES = {
    "expected_shots_count": "expected_shots",
    "lead_temperature_k": "lead_temperature",
    "lead_force_n_per_m": "lead_force",
    "charge_time_s": "charge_time",
    "bleed_time_s": "bleed_time",
    "worst_piece_energy_j": "worst_piece_energy",
    "peak_sound_pa": "peak_sound",
    "stray_field_tesla": "stray_field",
    "left_in_bank_j": "left_in_bank",
    "induced_voltage_v": "induced_voltage",
    "implant_distance_m": "implant_distance",
    "flash_j_per_m2": "flash",
    "metal_vapour_kg_per_m3": "metal_vapour",
    "coil_temperature_k": "coil_temperature",
    "part_temperature_k": "part_temperature",
}
#: Limits on a figure of the summary, which has the same name.
_OF_SUMMARY = (
    "peak_current_a",
    "peak_capacitor_current_a",
    "charge_coulomb",
    "action_a2_s",
    "current_rise_a_per_s",
    "voltage_reversal_ratio",
    "debris_energy_j",
)


def asks_for_estimates(shot: Shot) -> bool:
    """True where a limit is stated that is one on an estimate, or surroundings that have something to bear."""
    limits, around = shot.limits, shot.surroundings
    return bool(around.barrier or around.box) or any(getattr(limits, name) is not None for name in _OF_ESTIMATES)


def rate(facts: Facts, estimates: Sequence[Estimate], insulation: Sequence[InsulationCheck]) -> list[Rating]:
    """A rating for each limit that is stated and that the shot has a value for.

    A limit on insulation is rated by the voltage over what may be used of the breakdown voltage, so that its
    `margin_ratio` is 0 at the limit and 1 without any voltage, like those of the others. What the stated surroundings
    have to bear is rated as well, by the name of the estimate.
    """
    by_name = {estimate.name: estimate for estimate in estimates}
    values = _values(facts, by_name, insulation)
    limits = facts.shot.limits
    found = [
        _rating(name, value, limit)
        for name in type(limits).model_fields
        if (limit := getattr(limits, name)) is not None and (value := values.get(name)) is not None
    ]
    return [*found, *_of_surroundings(estimates)]


def insulation_margin(checks: Sequence[InsulationCheck], between: Sequence[str]) -> float | None:
    """The least margin of the checks between such pairs; None when none is known."""
    known = [c.margin_ratio for c in checks if c.between in between and c.margin_ratio is not None]
    return min(known, default=None)


def _values(
    facts: Facts, estimates: Mapping[str, Estimate], insulation: Sequence[InsulationCheck]
) -> dict[str, float | None]:
    volts = facts.voltage_v
    values: dict[str, float | None] = {
        "charge_voltage_v": volts,
        "hold_off_v": volts,
        "stored_energy_j": facts.energy_j,
    }
    if facts.run is not None:
        values |= {name: getattr(facts.run.summary, name) for name in _OF_SUMMARY}
    values |= {name: estimates[of].value for name, of in _OF_ESTIMATES.items() if of in estimates}
    return values | {name: insulation_margin(insulation, between) for name, between in INSULATION.items()}


def _rating(name: str, value: float, limit: float) -> Rating:
    if name in INSULATION:
        margin = 1.0 - (1.0 - value) / (1.0 - limit)
    elif name in LOWEST:
        margin = 1.0 - limit / value
    else:
        margin = 1.0 - value / limit
    unit = unit_of(name) or "1"
    shown = "" if unit == "1" else f" {unit}"
    return Rating(
        name=name,
        unit=unit,
        value=value,
        limit=limit,
        margin_ratio=margin,
        exceeded=margin < -_LAST_DIGIT,
        statement=f"{name} is {value:.4g}{shown} where the limit is {limit:.4g}{shown}",
    )


def _of_surroundings(estimates: Sequence[Estimate]) -> Iterator[Rating]:
    """What barrier and box have to bear; a published limit for people asks for protection instead."""
    for estimate in estimates:
        if estimate.value is None or estimate.limit is None or estimate.name not in _BORNE:
            continue
        margin = 1.0 - estimate.value / estimate.limit
        yield Rating(
            name=estimate.name,
            unit=estimate.unit,
            value=estimate.value,
            limit=estimate.limit,
            margin_ratio=margin,
            exceeded=margin < -_LAST_DIGIT,
            statement=estimate.statement,
        )


#: Estimates whose limit is stated in the surroundings.
_BORNE = ("barrier_mild_steel", "barrier_concrete", "barrier_brick", "box_pressure")
