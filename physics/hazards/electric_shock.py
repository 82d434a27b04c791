"""What published thresholds say of the energy on a capacitor bank, and what they demand."""

from __future__ import annotations

from math import sqrt

from physics.facts import Facts
from physics.result import Estimate

LABORATORY = "LBNL Electrical Safety Manual, tables 2.2.13 and 2.3.3"

#: Shock: from this voltage and energy on (inclusive), and arc blast from this energy on.
SHOCK_V, SHOCK_J, ARC_BLAST_J = 100.0, 10.0, 1e4
#: A shock above this energy counts as lethal (a laboratory's high-voltage safety manual, as read).
LETHAL_J = 50.0
#: Involuntary movement: above this voltage and energy (DOE-HDBK-1092; NFPA 70E article 360 has the same numbers).
REFLEX_V, REFLEX_J = 400.0, 0.25


def stored_energy_statement(voltage_v: float, energy_j: float) -> str:
    """What the laboratory's thresholds call this voltage (V) and energy (J): shock, lethal shock, arc blast."""
    if voltage_v < SHOCK_V:
        return "below the 100 V threshold for shock"
    if energy_j >= ARC_BLAST_J:
        return (
            "shock hazard, lethal, and arc-blast hazard (10 kJ and more): stay out of the room while it is charged; "
            "discharge by a fixed resistor, then short and earth before work"
        )
    if energy_j >= LETHAL_J:
        return "shock hazard, lethal (above 50 J): discharge by a resistor, short and earth before anybody touches it"
    if energy_j >= SHOCK_J:
        return "shock hazard (10 J and more): discharge, short and earth before anybody touches it"
    return "below the 10 J threshold for shock at a laboratory; still painful"


def reflex_statement(voltage_v: float, energy_j: float) -> str:
    """Whether a touch throws a person back: a scheme of its own, far below the one for shock."""
    if voltage_v > REFLEX_V and energy_j > REFLEX_J:
        return "a touch throws a person back, which hurts by itself"
    return "below the threshold at which a touch throws a person back"


def estimates(facts: Facts) -> list[Estimate]:
    """Energy on the bank before the shot and after it."""
    found = [
        Estimate(
            name="stored_energy",
            unit="J",
            value=facts.energy_j,
            statement=f"{stored_energy_statement(facts.voltage_v, facts.energy_j)}; "
            f"{reflex_statement(facts.voltage_v, facts.energy_j)}",
            source=f"{LABORATORY}; reflex: DOE-HDBK-1092 (400 V, 0.25 J), as quoted",
            equation="C V^2 / 2",
            validity="any capacitor bank; each threshold belongs to the scheme named beside it",
            errs="exact; the thresholds count as hazard what merely hurts",
        )
    ]
    if facts.run is not None:
        left = facts.run.energy.left_in_bank_j
        found.append(
            Estimate(
                name="left_in_bank",
                unit="J",
                value=left,
                statement=_left_statement(facts.voltage_v * sqrt(left / facts.energy_j), left),
                source=f"this model's energy balance; {LABORATORY}",
                equation="energy balance of the run",
                validity="as the model's arcs after burst, which are its weakest part",
                errs="either way: treat the bank as charged in any case",
            )
        )
    return found


def _left_statement(voltage_v: float, energy_j: float) -> str:
    """The bank after the shot: its loop may have opened before it was empty."""
    if energy_j < 1e-3:
        return "the model leaves nothing in the bank; treat it as charged until it is bled down and shorted"
    danger = stored_energy_statement(voltage_v, energy_j)
    return f"the bank keeps {voltage_v:.0f} V after the shot: {danger}; bleed it down"
