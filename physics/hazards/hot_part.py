"""How hot part and remains are, and how long until they can be touched."""

from __future__ import annotations

from math import log, pi

from physics.constants import AMBIENT_K
from physics.facts import Facts
from physics.materials import resolve
from physics.result import Estimate, Summary
from physics.shot import Shot

#: Metal burns skin within seconds from here on, and can be held from here down, K (order of ISO 13732-1, from memory).
BURNS_K, SAFE_K = 333.15, 316.15
#: Still air takes away at least this, W/(m2 K) (textbook range of free convection 2 to 25, radiation left out).
_STILL_AIR_W_PER_M2_K = 4.0


def cooling_time_s(temperature_k: float, heat_j_per_k: float, surface_m2: float) -> float:
    """Time (s) until a lump of that heat capacity and surface in still air can be held; 0 if it can be at once."""
    if temperature_k <= SAFE_K:
        return 0.0
    ratio = (temperature_k - AMBIENT_K) / (SAFE_K - AMBIENT_K)
    return heat_j_per_k / (_STILL_AIR_W_PER_M2_K * surface_m2) * log(ratio)


def part_heat_j_per_k(shot: Shot) -> float | None:
    """Heat capacity of the part at room temperature; None if its metals' are not known."""
    part = shot.workpiece
    section = 0.25 * pi * (part.outer_diameter_m**2 - part.inner_diameter_m**2)
    total = 0.0
    for layer in part.layers:
        metal = resolve(layer.material)
        if metal.specific_heat is None or metal.density_kg_per_m3 is None:
            return None
        volume = section * part.thickness_m * layer.fraction_ratio
        total += volume * metal.density_kg_per_m3 * float(metal.specific_heat.at(AMBIENT_K))
    return total


def part_surface_m2(summary: Summary, shot: Shot) -> float:
    """Outer surface of the part after the shot: its two faces and its rim; a bore does not count."""
    outer, inner = summary.final_outer_diameter_m, summary.final_inner_diameter_m
    height = min(summary.final_rim_thickness_m, shot.workpiece.thickness_m)
    return 0.5 * pi * (outer**2 - inner**2) + pi * outer * height


def estimates(facts: Facts) -> list[Estimate]:
    """The part once its heat has spread, and the coil's remains."""
    if facts.run is None:
        return []
    summary = facts.run.summary
    part_k, coil_k = summary.mean_workpiece_temperature_k, summary.peak_coil_temperature_k
    heat = part_heat_j_per_k(facts.shot)
    wait = None if heat is None else cooling_time_s(part_k, heat, part_surface_m2(summary, facts.shot))
    cool = "" if wait is None else f" for {wait / 60.0:.0f} min in still air"
    hot = f"too hot to hold: do not touch, let it cool{cool}" if part_k >= BURNS_K else "warm; check before touching"
    return [
        Estimate(
            name="part_temperature",
            unit="K",
            value=part_k,
            statement=hot,
            source="this model; burn threshold of the order of ISO 13732-1, from memory",
            equation="heat of the part, evenly spread",
            validity="some seconds after the shot, nothing touching it",
            errs="high: nothing has been given off yet",
        ),
        Estimate(
            name="part_cooling_time",
            unit="s",
            value=wait,
            statement="until the part is below 43 °C in still air",
            source="free convection of a lump, textbook; 43 °C: ISO 13732-1, lasting contact, from memory",
            equation="m c / (h A) ln((T - T0) / (43 °C - T0)), h = 4 W/(m2 K)",
            validity="part lying free at 20 °C room temperature",
            errs="long: radiation and every draught or metal support shorten it",
        ),
        Estimate(
            name="coil_temperature",
            unit="K",
            value=coil_k,
            statement="hottest place of the coil during the shot; where arcs burnt, its remains were molten: pieces "
            "are hot and sharp",
            source="this model",
            equation="ohmic heat of the hottest filament",
            validity="without the arcs' own heat",
            errs="low next to arcs, high elsewhere",
        ),
    ]
