"""What can be said of a shot before it is run: rough figures from closed formulas, also those that grade the meshes."""

from __future__ import annotations

from functools import lru_cache
from math import pi, sqrt

from physics.constants import MU_0
from physics.leads import go_and_return_inductance, helix_inductance, skin_resistance
from physics.materials import Metal, resolve
from physics.shot import Shot


def rough_coil_inductance(shot: Shot) -> float:
    """Inductance (H) of the coil round its part, as two current sheets with the flux between part and coil.

    No field enters the part and the field outside a long coil is left out, so it is right within some tens of per cent.
    """
    coil, part = shot.coil, shot.workpiece
    build = coil.radial_m + (coil.layers_count - 1) * coil.winding.layer_pitch_m
    radius = 0.5 * part.outer_diameter_m + shot.modelled_gap_m + 0.5 * build
    length = max(coil.winding.turns_in_layers) * coil.pitch_m
    flux_area = pi * (radius**2 - (0.5 * part.outer_diameter_m) ** 2)
    return MU_0 * coil.turns_count**2 * flux_area / (length + shot.modelled_gap_m + build)


def stray_inductance(shot: Shot) -> float:
    """Inductance (H) of bank, switch and leads, without the winding's tails."""
    return shot.bank.total_inductance_henry + shot.switch.inductance_henry + shot.leads.inductance_henry


def rough_quarter_period(shot: Shot) -> float:
    """Time to peak (s) with the rough inductance of the coil and without losses."""
    inductance = rough_coil_inductance(shot) + stray_inductance(shot)
    return 0.5 * pi * sqrt(inductance * shot.bank.capacitance_farad)


def skin_depth(metal: Metal, temperature: float, omega: float) -> float:
    """Skin depth (m) of the metal before the shot at angular frequency omega (1/s)."""
    return sqrt(2.0 * _resistivity(metal, temperature) / (omega * MU_0))


@lru_cache(maxsize=64)
def _resistivity(metal: Metal, temperature: float) -> float:
    return float(metal.resistivity.at(temperature))


def tails_of(shot: Shot, omega: float) -> tuple[float, float]:
    """Inductance (H) and resistance (ohm) of the winding's tails and of its run along the axis."""
    tails, coil = shot.leads.tails, shot.coil
    if tails is None:
        return 0.0, 0.0
    metal = resolve(coil.material)
    perimeter = pi * coil.radial_m if coil.wire_diameter_m is not None else 2.0 * (coil.radial_m + coil.axial_m)
    diameter, run_length = perimeter / pi, max(coil.winding.turns_in_layers) * coil.pitch_m
    radius = 0.5 * (shot.workpiece.outer_diameter_m + coil.radial_m) + shot.modelled_gap_m
    inductance = go_and_return_inductance(tails.length_m, tails.spacing_m, diameter)
    # Layers wound there and back run along the axis each; an even number of them comes back by itself.
    inductance += helix_inductance(run_length, radius, diameter) if coil.layers_count % 2 == 1 else 0.0
    resistivity = _resistivity(metal, coil.initial_temperature_k)
    skin = skin_depth(metal, coil.initial_temperature_k, omega)
    return inductance, skin_resistance(2.0 * tails.length_m, perimeter, coil.section_m2, resistivity, skin)
