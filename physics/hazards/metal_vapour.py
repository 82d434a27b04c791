"""Copper that the arcs turn into fume, and how long the room must be aired."""

from __future__ import annotations

from math import log

from physics.facts import Facts
from physics.result import Estimate

#: Limit of copper fume over eight hours, kg/m3 (0.1 mg/m3, 29 CFR 1910.1000 table Z-1, from memory, high).
LIMIT_KG_PER_M3 = 1e-7
#: Heat of vaporisation of copper, J/kg (300 kJ/mol, handbook, from memory); what heats it up first is left out.
_VAPORISATION_J_PER_KG = 4.73e6


def vapour_bound_kg(arc_energy_j: float) -> float:
    """Most copper (kg) that so much energy (J) can turn into vapour."""
    return arc_energy_j / _VAPORISATION_J_PER_KG


def air_changes(concentration_kg_per_m3: float) -> float:
    """Changes of a well-mixed room's air until the limit is reached; 0 below it."""
    return max(log(concentration_kg_per_m3 / LIMIT_KG_PER_M3), 0.0) if concentration_kg_per_m3 > 0.0 else 0.0


def estimates(facts: Facts) -> list[Estimate]:
    """Fume in the room stated."""
    if facts.run is None:
        return []
    fume = vapour_bound_kg(facts.run.summary.arc_energy_j) / facts.surroundings.room_volume_m3
    changes = air_changes(fume)
    aired = f"{changes:.1f} changes of the room's air bring it there" if changes > 0.0 else "air the room all the same"
    return [
        Estimate(
            name="metal_vapour",
            unit="kg/m3",
            value=fume,
            limit=LIMIT_KG_PER_M3,
            limit_source="29 CFR 1910.1000 table Z-1, copper fume over eight hours (from memory, high)",
            exceeded=fume > LIMIT_KG_PER_M3,
            statement=f"at most {1e6 * fume:.2g} mg/m3 of copper in {facts.surroundings.room_volume_m3:g} m3, limit "
            f"0.1 mg/m3 over eight hours; {aired}; burnt enamel and former come on top",
            source="arc energy over the heat of vaporisation of copper; 29 CFR 1910.1000",
            equation="E_arc / h / V; n = ln(c / limit)",
            validity="well-mixed air; smoke of insulation is not in it",
            errs="high: most of an arc's energy goes elsewhere, and vapour settles on walls",
        )
    ]
