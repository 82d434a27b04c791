"""How a shot stands against the limits of a design: one rating a limit, by the names that limits and summary share."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from physics.result import InsulationCheck, Rating, ShotResult
from physics.schema import unit_of
from worker.records import Reason
from worker.request import DesignLimits
from worker.words import charge, current, energy, share, voltage

#: A limit may be used up to the last digit of a double.
_LAST_DIGIT = 1e-12

#: The reason that each limit gives a trial which exceeds it.
REASONS: dict[str, Reason] = {
    "charge_voltage_v": "voltage_limit",
    "stored_energy_j": "energy_limit",
    "peak_current_a": "current_limit",
    "peak_capacitor_current_a": "capacitor_current_limit",
    "charge_coulomb": "charge_limit",
    "voltage_reversal_ratio": "reversal_limit",
    "debris_energy_j": "debris_limit",
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
    "debris_energy_j": ("debris energy", energy),
    "turn_insulation_margin_ratio": ("turn insulation", share),
    "gap_insulation_margin_ratio": ("gap insulation", share),
}
#: Which checks of the result belong to a limit on insulation.
_BETWEEN = {"turn_insulation_margin_ratio": ("turns", "layers"), "gap_insulation_margin_ratio": ("gap",)}


def rate(limits: DesignLimits, result: ShotResult) -> list[Rating]:
    """A rating for each limit that is stated and that the shot has a value for.

    A limit on insulation is rated by the voltage over what may be used of the breakdown voltage, so that its
    `margin_ratio` is 0 at the limit and 1 without any voltage, like those of the others.
    """
    bank = result.shot.bank
    values: dict[str, float | None] = {
        "charge_voltage_v": bank.charge_voltage_v,
        "stored_energy_j": result.shot.stored_energy_j,
    }
    if result.summary is not None:
        values |= {name: getattr(result.summary, name) for name in REASONS if hasattr(result.summary, name)}
    values |= {name: insulation_margin(result.insulation, between) for name, between in _BETWEEN.items()}
    found = []
    for name, value in values.items():
        limit = getattr(limits, name)
        if limit is not None and value is not None:
            found.append(_rating(name, value, limit))
    return found


def insulation_margin(checks: Sequence[InsulationCheck], between: Sequence[str]) -> float | None:
    """The least margin of the checks between such pairs; None when none is known."""
    known = [c.margin_ratio for c in checks if c.between in between and c.margin_ratio is not None]
    return min(known, default=None)


def _rating(name: str, value: float, limit: float) -> Rating:
    margin = 1.0 - (1.0 - value) / (1.0 - limit) if name in _BETWEEN else 1.0 - value / limit
    return Rating(
        name=name,
        unit=unit_of(name) or "1",
        value=value,
        limit=limit,
        margin_ratio=margin,
        exceeded=margin < -_LAST_DIGIT,
    )


def overshoot(rating: Rating) -> str:
    """'its current of 63.0 kA is 5.0% over the limit of 60.0 kA'."""
    name, spell = WORDS[rating.name]
    over = f"{-rating.margin_ratio:.1%}"
    if rating.name in _BETWEEN:
        return (
            f"its {name} is left a margin of {spell(rating.value)} where {spell(rating.limit)} is asked for, "
            f"{over} too much voltage"
        )
    return f"its {name} of {spell(rating.value)} is {over} over the limit of {spell(rating.limit)}"
