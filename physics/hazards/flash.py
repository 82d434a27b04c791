"""Light of the arcs between the pieces of a burst coil."""

from __future__ import annotations

from math import pi

from physics.facts import Facts
from physics.result import Estimate

#: Effective exposure of eye and skin to ultraviolet in a working day, J/m2 (ICNIRP 2004, from memory, high).
ULTRAVIOLET_J_PER_M2 = 30.0


def fluence_j_per_m2(arc_energy_j: float, distance_m: float) -> float:
    """Light (J/m2) at a distance (m) if the arcs' whole energy (J) went out evenly as light."""
    return arc_energy_j / (4.0 * pi * distance_m**2)


def estimates(facts: Facts) -> list[Estimate]:
    """At the people stated."""
    if facts.run is None:
        return []
    distance = facts.surroundings.people_distance_m
    light = fluence_j_per_m2(facts.run.summary.arc_energy_j, distance)
    words = "nobody looks at the shot without a barrier that stops ultraviolet; cameras instead of eyes"
    return [
        Estimate(
            name="flash",
            unit="J/m2",
            value=light,
            limit=ULTRAVIOLET_J_PER_M2,
            limit_source="ICNIRP 2004, effective ultraviolet in a working day (from memory, high)",
            exceeded=light > ULTRAVIOLET_J_PER_M2,
            statement=f"at most {light:.2g} J/m2 of light at {distance:g} m; {words}",
            source="sphere round the arcs; ICNIRP 2004 for ultraviolet",
            equation="E_arc / 4 pi d^2",
            validity="arcs as in this model; a spark gap adds its own light",
            errs="high for the coil: a few per cent of an arc's energy leaves as light",
        )
    ]
