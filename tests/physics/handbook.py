"""Handbook figures worked out from the thermal table that a run looks things up in."""

from __future__ import annotations

import numpy as np

from physics.materials import Metal
from physics.thermal import thermal_table


def enthalpy_at(metal: Metal, temperature_k: float) -> float:
    """Specific enthalpy of the solid in J/kg above 293.15 K."""
    table = thermal_table(metal, heating=True)
    solid = table.molten_ratio == 0.0
    temperatures, enthalpies = table.temperature_k[solid], table.enthalpy_j_per_kg[solid]
    if metal.latent_heat_j_per_kg is not None and metal.melting_temperature_k is not None:
        # The plateau begins between two points of the grid: the molten share tells where.
        first = int(np.argmin(solid))
        start = table.enthalpy_j_per_kg[first] - table.molten_ratio[first] * metal.latent_heat_j_per_kg
        temperatures, enthalpies = np.append(temperatures, metal.melting_temperature_k), np.append(enthalpies, start)
    return float(np.interp(temperature_k, temperatures, enthalpies))


def specific_action(metal: Metal, start_temperature_k: float, end_temperature_k: float) -> float:
    """Integral of j^2 dt that heats the solid from one temperature to another, in A^2 s/m^4: density dh / rho."""
    return _action(metal, enthalpy_at(metal, start_temperature_k), enthalpy_at(metal, end_temperature_k))


def melting_action(metal: Metal) -> float:
    """Further integral of j^2 dt that melts a metal held at its melting point, in A^2 s/m^4."""
    assert metal.melting_temperature_k is not None
    assert metal.latent_heat_j_per_kg is not None
    start = enthalpy_at(metal, metal.melting_temperature_k)
    return _action(metal, start, start + metal.latent_heat_j_per_kg)


def _action(metal: Metal, start_j_per_kg: float, end_j_per_kg: float) -> float:
    table = thermal_table(metal, heating=True)
    assert metal.density_kg_per_m3 is not None
    enthalpy = np.linspace(start_j_per_kg, end_j_per_kg, 20001)
    resistivity = np.interp(enthalpy, table.enthalpy_j_per_kg, table.resistivity_ohm_m)
    return metal.density_kg_per_m3 * float(np.trapezoid(1.0 / resistivity, enthalpy))
