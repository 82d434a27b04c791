"""Pressure in a closed box from the heat of the shot, and the vents that let it out."""

from __future__ import annotations

from math import sqrt

from physics.facts import Facts
from physics.result import Estimate

#: Ratio of specific heats, density (kg/m3) and pressure (Pa) of air at 20 degrees C.
GAMMA, AIR_KG_PER_M3, AIR_PA = 1.4, 1.204, 101325.0
#: Discharge coefficient of a sharp-edged opening (textbook value), and the time in which a box is to be relieved, s.
_DISCHARGE, RELIEF_S = 0.6, 0.02


def pressure_rise_pa(energy_j: float, volume_m3: float) -> float:
    """Rise (Pa) in a closed volume (m3) whose air takes up the whole energy (J): (gamma - 1) E / V."""
    return (GAMMA - 1.0) * energy_j / volume_m3


def vent_area_m2(rise_pa: float, volume_m3: float, within_s: float = RELIEF_S) -> float:
    """Free openings (m2) that relieve a box of `rise_pa` in that time (s).

    Flow through an orifice, Cd A sqrt(2 p rho), against dp/dt = -gamma p0 / (rho V) of that flow: the root of the
    pressure falls evenly, so t = V sqrt(2 rho p) / (gamma p0 Cd A).
    """
    return volume_m3 * sqrt(2.0 * AIR_KG_PER_M3 * rise_pa) / (GAMMA * AIR_PA * _DISCHARGE * within_s)


def estimates(facts: Facts) -> list[Estimate]:
    """Of a box, if one is stated."""
    box = facts.surroundings.box
    if box is None:
        return []
    rise = pressure_rise_pa(facts.energy_j, box.volume_m3)
    vents = vent_area_m2(rise, box.volume_m3)
    return [
        Estimate(
            name="box_pressure",
            unit="Pa",
            value=rise,
            limit=box.strength_pa,
            limit_source=None if box.strength_pa is None else "surroundings.box.strength_pa",
            exceeded=None if box.strength_pa is None else rise > box.strength_pa,
            statement=f"{rise / 1e3:.2g} kPa above outside, {rise:.3g} N on each square metre of a wall; vents do not "
            f"lower this, they end it",
            source="heat into air at constant volume, textbook",
            equation="(gamma - 1) E / V, gamma = 1.4, E all that is stored",
            validity="quasi-static: the blast near the coil is higher for a moment, see peak_sound",
            errs="high: most of the energy stays in metal as heat",
        ),
        Estimate(
            name="box_vents",
            unit="m2",
            value=vents,
            limit=box.vent_area_m2 or None,
            limit_source="surroundings.box.vent_area_m2" if box.vent_area_m2 > 0.0 else None,
            exceeded=vents > box.vent_area_m2 if box.vent_area_m2 > 0.0 else None,
            statement=f"{1e4 * vents:.2g} cm2 of free openings, behind baffles that stop debris, relieve it within "
            f"{1e3 * RELIEF_S:.0f} ms; stated are {1e4 * box.vent_area_m2:.3g} cm2",
            source="flow through an orifice, textbook; discharge coefficient 0.6",
            equation="A = V sqrt(2 rho p) / (gamma p0 Cd t)",
            validity="pressure far below that of the air",
            errs="large: cold air, the whole energy",
        ),
    ]
