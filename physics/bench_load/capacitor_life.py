"""How many such shots the capacitors last, by the power laws that their makers publish."""

from __future__ import annotations

from math import log, pi, sqrt

from physics.equipment import CapacitorRating
from physics.facts import Facts
from physics.result import Estimate

#: Exponents of voltage that are published: the smaller counts below the rated voltage, the larger above.
BAND = (6.0, 9.0)
#: A loop without any loss would have no quality factor.
MOST_REVERSAL = 0.999


def expected_shots(rating: CapacitorRating, voltage_v: float, reversal_ratio: float, frequency_hz: float) -> float:
    """Shots at this voltage, reversal and ringing frequency, by power laws.

    Rated life times (V / Vr)^-n, (f / fr)^-k, and of the reversal the smaller of (r / rr)^-m and (Q / Qr)^-m. Less
    voltage than rated lengthens the life; less reversal or frequency than rated is not credited.
    """
    volts = voltage_v / rating.voltage_v
    exponent = rating.voltage_exponent or (BAND[0] if volts < 1.0 else BAND[1])
    life = rating.life_shots_count * volts**-exponent
    quality = quality_of(reversal_ratio) / quality_of(rating.reversal_ratio)
    life *= max(reversal_ratio / rating.reversal_ratio, quality, 1.0) ** -rating.reversal_exponent
    if rating.frequency_hz is not None:
        life *= max(frequency_hz / rating.frequency_hz, 1.0) ** -rating.frequency_exponent
    return float(life)


def quality_of(reversal_ratio: float) -> float:
    """Quality factor of a loop with this voltage reversal: sqrt(1 + (pi / ln r)^2) / 2."""
    if reversal_ratio <= 0.0:
        return 0.5
    return 0.5 * sqrt(1.0 + (pi / log(min(reversal_ratio, MOST_REVERSAL))) ** 2)


def estimates(facts: Facts) -> list[Estimate]:
    """Life, if the capacitors' rating is stated."""
    rating, run = facts.shot.equipment.capacitors, facts.run
    if rating is None or run is None:
        return []
    # A quarter of a period up to the peak: short for a damped loop, so the frequency comes out high.
    frequency = 0.25 / run.summary.time_to_peak_s
    shots = expected_shots(rating, facts.voltage_v, run.summary.voltage_reversal_ratio, frequency)
    return [
        Estimate(
            name="expected_shots",
            unit="1",
            value=shots,
            statement=f"about {shots:.2g} shots like this one from new, each takes {1.0 / shots:.2g} of the life; "
            f"reversal {run.summary.voltage_reversal_ratio:.0%} at {frequency / 1e3:.3g} kHz",
            equation="N (V / Vr)^-n max(r / rr, Q / Qr, 1)^-m max(f / fr, 1)^-k",
            source="life laws of capacitor makers' bulletins: n 6 to 9 and m 1.6 (as read, weak), k 0.5 (memory)",
            validity="film and paper in oil",
            errs="short: less reversal or frequency than rated is not credited; a bank ages faster when hot",
        )
    ]
