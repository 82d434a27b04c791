"""What comes back on a capacitor that was emptied: dielectric absorption."""

from __future__ import annotations

from physics.facts import Facts
from physics.hazards.electric_shock import stored_energy_statement
from physics.result import Estimate

#: Share of the charge voltage that may come back after a short has been taken off: impregnated paper at its worst, film
#: far less (handbook range 0.1 to 10 %, from memory, med).
RECOVERED_RATIO = 0.1


def recovered_energy_j(capacitance_farad: float, charge_voltage_v: float) -> float:
    """Energy (J) of a bank that has come back to the largest share of its charge voltage (V)."""
    return 0.5 * capacitance_farad * (RECOVERED_RATIO * charge_voltage_v) ** 2


def estimates(facts: Facts) -> list[Estimate]:
    """The voltage that may come back once the short is off."""
    volts = RECOVERED_RATIO * facts.voltage_v
    energy = recovered_energy_j(facts.shot.bank.capacitance_farad, facts.voltage_v)
    return [
        Estimate(
            name="recovery_voltage",
            unit="V",
            value=volts,
            statement=f"up to {volts:.0f} V and {energy:.2g} J may come back within minutes to hours once the short is "
            f"off: {stored_energy_statement(volts, energy)}; leave the short on until the next charge",
            source="dielectric absorption, handbook range 0.1 to 10 % of the charge voltage, from memory",
            equation="V = 0.1 V0, E = C V^2 / 2",
            validity="film and impregnated paper after a short dump; electrolytics can recover more",
            errs="high: 10 % is paper at its worst, film gives a hundredth of it",
        )
    ]
