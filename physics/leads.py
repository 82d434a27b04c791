"""The wire of the winding outside the turns: its tails, and the axial run of the helix."""

from __future__ import annotations

from math import acosh, log1p, pi

from physics.constants import MU_0


def go_and_return_inductance(length: float, spacing: float, diameter: float) -> float:
    """Inductance (H) of two parallel round wires, all lengths in m, current in a thin skin.

    L = mu0 l / pi arcosh(s / d): exact for perfect conductors (a textbook result, e.g. Smythe, Static and Dynamic
    Electricity, 2.14, by way of the capacitance of two cylinders). `spacing` below `diameter` is taken as touching.
    """
    return MU_0 * length / pi * acosh(max(spacing / diameter, 1.0 + 1e-6))


def skin_resistance(length: float, perimeter: float, area: float, resistivity: float, skin_depth: float) -> float:
    """Resistance (ohm) of a conductor whose current keeps to one skin depth at its surface, SI.

    The section that conducts is perimeter x depth less the corners it has not got, and never more than the whole:
    for a round wire pi d (d_skin)(1 - d_skin / d).
    """
    diameter = perimeter / pi
    depth = min(skin_depth, 0.5 * diameter)
    return resistivity * length / min(area, perimeter * depth * (1.0 - depth / diameter))


def helix_inductance(length: float, coil_radius: float, diameter: float) -> float:
    """Inductance (H) of the axial run of a winding: `length` along the axis in all turns together and back outside.

    The turns carry the current from one end to the other as a sheet of the coil's mean radius; the tail comes back
    close outside it: mu0 l / (2 pi) ln((a + d) / a). Its field lies outside the loops', so the two do not couple.
    Our own estimate; it is below a hundredth of a coil's inductance.
    """
    return MU_0 * length / (2.0 * pi) * log1p(diameter / coil_radius)
