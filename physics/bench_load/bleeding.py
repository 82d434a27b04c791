"""How the bank empties through its bleed resistors, all of them or with one failed open."""

from __future__ import annotations

from math import exp, inf, log

from physics.equipment import Bleed
from physics.facts import Facts
from physics.result import Estimate

#: A bank has to fall to 50 V: above 600 V within 5 min (California Title 8, section 2893), else 1 min (NEC 460.6).
RULE_V, LOW_BANK_V = 50.0, 600.0
_RULE = "50 V or less within 5 min (California Title 8 section 2893), 1 min up to 600 V (NEC 460.6)"


def rule_s(voltage_v: float) -> float:
    """Time (s) in which a bank charged to this voltage (V) has to be down to 50 V."""
    return 300.0 if voltage_v > LOW_BANK_V else 60.0


def bleed_time_s(bleed: Bleed, capacitance_farad: float, voltage_v: float, failed_count: int = 0) -> float:
    """Time (s) to the safe voltage with so many resistors failed open; infinite with none left."""
    left = bleed.resistors_count - failed_count
    if left <= 0:
        return inf
    return bleed.resistance_ohm / left * capacitance_farad * max(log(voltage_v / bleed.safe_voltage_v), 0.0)


def peak_power_w(bleed: Bleed, voltage_v: float) -> float:
    """Power (W) of each resistor at the start."""
    return voltage_v**2 / bleed.resistance_ohm


def heat_each_j(bleed: Bleed, energy_j: float, failed_count: int = 0) -> float:
    """Energy (J) that each resistor takes up in a dump of the whole bank."""
    return energy_j / max(bleed.resistors_count - failed_count, 1)


def voltage_after_v(bleed: Bleed, capacitance_farad: float, voltage_v: float, time_s: float) -> float:
    """Voltage (V) left after a time (s)."""
    return voltage_v * exp(-time_s * bleed.resistors_count / (bleed.resistance_ohm * capacitance_farad))


def estimates(facts: Facts) -> list[Estimate]:
    """If the resistors are stated."""
    bleed = facts.shot.equipment.bleed
    if bleed is None:
        return []
    # A safe voltage above that of the rule does not shorten the time.
    bleed = bleed.model_copy(update={"safe_voltage_v": min(bleed.safe_voltage_v, RULE_V)})
    capacitance, volts = facts.shot.bank.capacitance_farad, facts.voltage_v
    time, slow = (bleed_time_s(bleed, capacitance, volts, failed) for failed in (0, 1))
    tau = bleed.resistance_ohm / bleed.resistors_count * capacitance
    shared = {"source": f"exponential discharge, textbook; {_RULE}", "equation": "R C ln(V0 / V)"}
    found = [
        Estimate.model_validate(
            {
                **shared,
                "name": "bleed_time",
                "unit": "s",
                "value": time,
                "limit": rule_s(volts),
                "limit_source": _RULE,
                "exceeded": time > rule_s(volts),
                "statement": f"{time:.3g} s down to {bleed.safe_voltage_v:g} V (time constant {tau:.3g} s); a "
                "meter and a visible short decide, not the clock",
                "validity": "resistors in order and joined to every capacitor",
                "errs": "exact for the stated values; dielectric absorption brings voltage back",
            }
        ),
        _one_failed(bleed, slow, volts, shared),
        Estimate(
            name="bleed_power",
            unit="W",
            value=peak_power_w(bleed, volts),
            statement=f"of each resistor at the start; a dump of the whole bank leaves "
            f"{heat_each_j(bleed, facts.energy_j):.3g} J in each",
            equation="V^2 / R; E / n",
            source="Joule's law",
            validity="pulse rating of the resistor to be compared by the user",
            errs="exact for the stated values",
        ),
    ]
    if bleed.heat_j_per_k is not None:
        rise = heat_each_j(bleed, facts.energy_j, 1) / bleed.heat_j_per_k
        found.append(
            Estimate(
                name="bleed_temperature_rise",
                unit="K",
                value=rise,
                statement=f"each resistor gets {rise:.3g} K warmer in a dump with one of them failed open",
                equation="E / (n - 1) / heat capacity",
                source="first law",
                validity="evenly through the resistor",
                errs="high: nothing is given off, and one resistor counts as failed",
            )
        )
    return found


def _one_failed(bleed: Bleed, slow: float, volts: float, shared: dict[str, str]) -> Estimate:
    lasting = slow == inf
    return Estimate.model_validate(
        {
            **shared,
            "name": "bleed_time_one_failed",
            "unit": "s",
            "value": None if lasting else slow,
            "limit": None if lasting else rule_s(volts),
            "limit_source": None if lasting else _RULE,
            "exceeded": None if lasting else slow > rule_s(volts),
            "statement": f"the only resistor failed open: the bank keeps its {volts:.0f} V for hours; fit a second one"
            if lasting
            else f"{slow:.3g} s with one of {bleed.resistors_count} resistors failed open",
            "validity": "one resistor failed open, nobody noticed",
            "errs": "exact for the stated values; treat every bank as charged until it is shorted",
        }
    )
