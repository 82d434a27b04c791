"""A finished run as the kernels left it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from physics import state as c
from physics.shot import Shot

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Run:
    """The model in its last state, its fields and heat; `rows` are the recorded steps, shape (steps, columns)."""

    shot: Shot
    model: c.Model
    fields: c.Fields
    heat: c.Heat
    code: int
    totals: Floats
    rows: Floats

    def temperature_at(self, metal: int, enthalpy: npt.ArrayLike) -> Floats:
        """Temperature (K) of a metal of the run's tables at specific enthalpies (J/kg)."""
        tables = self.model.tables
        grid = tables.start[metal] + tables.spacing[metal] * np.arange(tables.temperature.shape[1])
        found: Floats = np.interp(np.asarray(enthalpy, dtype=np.float64), grid, tables.temperature[metal])
        return found

    def temperature(self) -> Floats:
        """Temperature (K) of every filament and current cell at the end; nothing cools in so short a time."""
        coil, part = self.model.coil, self.model.part
        plastic = (part.motion_in_column @ self.model.body.heat.T)[part.cell_column, part.cell_slice]
        enthalpy = self.heat.ohmic + np.concatenate([self.model.turns.heat[coil.turn], plastic])
        found: Floats = np.empty_like(enthalpy)
        for metal in range(self.model.tables.start.size):
            of_metal = self.heat.metal == metal
            found[of_metal] = self.temperature_at(metal, enthalpy[of_metal])
        return found
