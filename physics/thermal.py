"""Heat in a metal: temperature, resistivity and molten share as functions of specific enthalpy.

A run integrates the heat it puts into each kilogram and looks the rest up here. Specific enthalpy is
zero at 293.15 K. Melting is a plateau as wide as the latent heat, on which the resistivity goes
linearly, in the molten share, from the solid's value to the liquid's; above it the liquid's rises
linearly. Density is taken as constant, which means: per unit of cold volume.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.integrate import cumulative_trapezoid

from physics.constants import AMBIENT_K
from physics.kernel_cache import kernel
from physics.materials import UNKNOWN_LIQUID_RESISTIVITY_RATIO, Metal, TemperatureTable

#: Lowest temperature of a table, K; data that begin above it begin the table.
LOWEST_TEMPERATURE_K = 77.0
#: How many points a table has.
POINTS_COUNT = 512

_STEP_K = 1.0
_FLAT_SPACING_J_PER_KG = 1e15

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class ThermalTable:
    """Properties over a uniform grid of specific enthalpy; all three arrays have the same length.

    The table is valid up to `limit_j_per_kg`. :func:`look_up` holds the end values outside the grid.
    """

    start_j_per_kg: float
    spacing_j_per_kg: float
    temperature_k: FloatArray
    resistivity_ohm_m: FloatArray
    molten_ratio: FloatArray

    @property
    def limit_j_per_kg(self) -> float:
        """Enthalpy of the last grid point; beyond it the data say nothing."""
        return self.start_j_per_kg + self.spacing_j_per_kg * (len(self.temperature_k) - 1)

    @property
    def enthalpy_j_per_kg(self) -> FloatArray:
        """The grid itself."""
        return self.start_j_per_kg + self.spacing_j_per_kg * np.arange(len(self.temperature_k), dtype=np.float64)


@dataclass(frozen=True, eq=False)
class _SolidHeat:
    """Enthalpy of the solid, J/kg above 293.15 K, over a fine grid of temperature."""

    temperature_k: FloatArray
    enthalpy_j_per_kg: FloatArray


@kernel
def look_up(enthalpy, start, spacing, tables, row):
    """Linear interpolation in a row of uniform tables (rows, points) that begins at `start`.

    The end values hold outside, NaN stays NaN.
    """
    position = (enthalpy - start) / spacing
    if np.isnan(position):  # it must not become an index
        return position
    last = tables.shape[1] - 1
    index = int(min(max(position, 0.0), last - 1.0))
    share = min(max(position - index, 0.0), 1.0)
    return tables[row, index] * (1.0 - share) + tables[row, index + 1] * share


def thermal_table(metal: Metal, *, heating: bool) -> ThermalTable:
    """Table for a metal. Without heating it is flat: 293.15 K and the resistivity there, for any enthalpy.

    Raises ValueError if heating is asked for and the metal has no specific heat.
    """
    if not heating:
        return _flat_table(metal)
    solid = _solid_heat(metal)
    melting, latent = float(solid.enthalpy_j_per_kg[-1]), _latent_heat(metal)
    grid = _enthalpy_grid(solid, _limit_enthalpy(metal, melting))
    molten = np.clip((grid - melting) / latent, 0.0, 1.0) if latent > 0.0 else np.zeros_like(grid)
    superheat_k = np.maximum(grid - melting - latent, 0.0) * _liquid_temperature_rise(metal)
    # Below the data the first point of the grid goes on with the specific heat at their start.
    below = np.minimum(grid - solid.enthalpy_j_per_kg[0], 0.0) / float(_specific_heat(metal).at(solid.temperature_k[0]))
    solid_temperature = np.interp(grid, solid.enthalpy_j_per_kg, solid.temperature_k) + below
    melted_resistivity = metal.resistivity.at(solid_temperature) * (1.0 + molten * (_liquid_ratio(metal) - 1.0))
    return ThermalTable(
        start_j_per_kg=float(grid[0]),
        spacing_j_per_kg=float(grid[1] - grid[0]),
        temperature_k=solid_temperature + superheat_k,
        resistivity_ohm_m=melted_resistivity + metal.liquid_resistivity_slope_ohm_m_per_k * superheat_k,
        molten_ratio=molten,
    )


def enthalpy_at(table: ThermalTable, temperature_k: float) -> float:
    """Specific enthalpy (J/kg) of the solid at a temperature inside the table."""
    solid = table.molten_ratio == 0.0
    return float(np.interp(temperature_k, table.temperature_k[solid], table.enthalpy_j_per_kg[solid]))


def _flat_table(metal: Metal) -> ThermalTable:
    resistivity = float(metal.resistivity.at(AMBIENT_K))
    return ThermalTable(
        start_j_per_kg=0.0,
        spacing_j_per_kg=_FLAT_SPACING_J_PER_KG,
        temperature_k=np.full(POINTS_COUNT, AMBIENT_K),
        resistivity_ohm_m=np.full(POINTS_COUNT, resistivity),
        molten_ratio=np.zeros(POINTS_COUNT),
    )


def _specific_heat(metal: Metal) -> TemperatureTable:
    if metal.specific_heat is None:
        raise ValueError(f"{metal.name} lacks specific_heat_j_per_kg_k, which heating needs")
    return metal.specific_heat


def _solid_heat(metal: Metal) -> _SolidHeat:
    specific_heat = _specific_heat(metal)
    low, end = metal.solid_range_k
    start = max(LOWEST_TEMPERATURE_K, low)
    temperature = np.linspace(start, end, 1 + round((end - start) / _STEP_K))
    enthalpy = cumulative_trapezoid(specific_heat.at(temperature), temperature, initial=0.0)
    return _SolidHeat(temperature, enthalpy - np.interp(AMBIENT_K, temperature, enthalpy))


def _latent_heat(metal: Metal) -> float:
    """Latent heat, or 0 for a metal whose data end with the solid."""
    known = metal.latent_heat_j_per_kg if metal.melting_temperature_k is not None else None
    return 0.0 if known is None else known


def _limit_enthalpy(metal: Metal, melting: float) -> float:
    latent = _latent_heat(metal)
    if latent == 0.0 or metal.melting_temperature_k is None:
        return melting
    superheat_k = metal.limit_temperature_k - metal.melting_temperature_k
    return melting + latent + superheat_k / _liquid_temperature_rise(metal)


def _enthalpy_grid(solid: _SolidHeat, limit: float) -> FloatArray:
    """Uniform grid of :data:`POINTS_COUNT` points with zero (293.15 K) on it; it ends at or a spacing below the limit.

    It begins at the start of the data or, so that zero can be on it, less than a spacing below.
    """
    start = float(solid.enthalpy_j_per_kg[0])
    spacing = (limit - start) / POINTS_COUNT
    below_room = int(np.ceil(-start / spacing - 1e-9))
    return spacing * np.arange(-below_room, POINTS_COUNT - below_room, dtype=np.float64)


def _liquid_temperature_rise(metal: Metal) -> float:
    """Kelvin per J/kg in the liquid; 0 for a metal whose data end with the solid."""
    known = metal.liquid_specific_heat_j_per_kg_k
    return 0.0 if known is None or _latent_heat(metal) == 0.0 else 1.0 / known


def _liquid_ratio(metal: Metal) -> float:
    known = metal.liquid_resistivity_ratio
    return UNKNOWN_LIQUID_RESISTIVITY_RATIO if known is None else known
