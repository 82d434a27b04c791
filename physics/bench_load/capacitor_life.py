"""How many such shots the capacitors last, by the power laws that their makers publish."""

from __future__ import annotations

from physics.equipment import CapacitorRating
from physics.facts import Facts
from physics.result import Estimate


def expected_shots(rating: CapacitorRating, voltage_v: float, reversal_ratio: float, frequency_hz: float) -> float:
    """Shots at this voltage, reversal and ringing frequency: rated life times (V / Vr)^-n, (r / rr)^-m, (f / fr)^-k.

    Less voltage than rated lengthens the life; less reversal or frequency than rated is not credited.
    """
    life = rating.life_shots_count * (voltage_v / rating.voltage_v) ** -rating.voltage_exponent
    life *= max(reversal_ratio / rating.reversal_ratio, 1.0) ** -rating.reversal_exponent
    if rating.frequency_hz is not None:
        life *= max(frequency_hz / rating.frequency_hz, 1.0) ** -rating.frequency_exponent
    return float(life)


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
            equation="N (V / Vr)^-n max(r / rr, 1)^-m max(f / fr, 1)^-k",
            source="life laws of capacitor makers' bulletins, exponents 7.5 and 1.6 from memory (med), 0.5 (low)",
            validity="film and paper in oil; the exponent of voltage lies between 6 and 9",
            errs="short: less reversal or frequency than rated is not credited; a bank ages faster when hot",
        )
    ]
