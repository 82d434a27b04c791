"""Metals and stresses of the plain oracle: temperatures, flow by Johnson and Cook, a disc in radial cells.

Written as rates for a general solver of ordinary differential equations. Plastic strain grows at the rate at which
Johnson and Cook's flow stress equals the stress: their law solved for the rate, in place of the model's radial return.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import cumulative_trapezoid

from physics.constants import AMBIENT_K
from physics.materials import Metal

Floats = NDArray[np.float64]

#: Linear and quadratic bulk viscosity, as the model has them.
_LINEAR, _QUADRATIC = 0.1, 1.5
#: No plastic rate goes beyond the reference rate times e to this power, 9e6: a solver's trial states may be far off.
_STEEPEST = 16.0


class SolidMetal:
    """A metal below its melting point; heat is counted per kilogram from 293.15 K."""

    def __init__(self, metal: Metal) -> None:
        assert metal.specific_heat is not None
        assert metal.flow_stress is not None
        assert metal.flow_stress.c_ratio > 0.0, "a flow stress that depends on the rate is meant"
        assert metal.youngs_modulus_pa is not None
        assert metal.poisson_ratio is not None
        assert metal.density_kg_per_m3 is not None
        assert metal.softening_temperature_k is not None
        self.metal, self.flow, self.density = metal, metal.flow_stress, metal.density_kg_per_m3
        self.softening_temperature = metal.softening_temperature_k
        self.young = metal.youngs_modulus_pa
        self.bulk = self.young / (3.0 * (1.0 - 2.0 * metal.poisson_ratio))
        self.shear = self.young / (2.0 * (1.0 + metal.poisson_ratio))
        self.grid = np.linspace(*metal.solid_range_k, 2000)
        heat = cumulative_trapezoid(metal.specific_heat.at(self.grid), self.grid, initial=0.0)
        self.heat = heat - np.interp(AMBIENT_K, self.grid, heat)

    def temperature(self, heat: Floats) -> Floats:
        """Temperature (K) after so much heat (J/kg)."""
        return np.interp(heat, self.heat, self.grid)

    def resistivity(self, heat: Floats) -> Floats:
        """Resistivity (ohm m) after so much heat (J/kg)."""
        return self.metal.resistivity.at(self.temperature(heat))

    def softness(self, heat: Floats) -> Floats:
        """Factor of the flow stress after so much heat (J/kg): 1 - T*^m."""
        first = self.flow.reference_temperature_k
        span = (self.temperature(heat) - first) / (self.softening_temperature - first)
        return np.asarray(1.0 - np.clip(span, 0.0, 1.0) ** self.flow.m_ratio)

    def plastic_rate(self, stress: Floats, strain: Floats, softness: Floats) -> Floats:
        """Plastic strain rate (1/s) at which the flow stress is `stress` (Pa, positive).

        One reference rate less, so that it begins at zero where yielding begins: nothing beside rates of 1e4 1/s.
        """
        flow = self.flow
        slow = (flow.a_pa + flow.b_pa * np.maximum(strain, 0.0) ** flow.n_ratio) * softness
        beyond = np.clip((stress / slow - 1.0) / flow.c_ratio, 0.0, _STEEPEST)
        return np.asarray(flow.reference_rate_per_s * np.expm1(beyond))


@dataclass(frozen=True, eq=False)
class Straining:
    """What stress does in every cell: forces (N) on nodes and level, and rates."""

    node_force: Floats
    level_force: Floats
    deviator: Floats  # (cells, 3) Pa/s
    strain: Floats  # 1/s
    plastic_power: Floats  # W
    viscous_power: Floats  # W


class Disc:
    """Radial cells of a part of one slice that stand for it and its mirror image."""

    def __init__(self, metal: SolidMetal, node: Floats, height: float) -> None:
        self.metal, cells = metal, node.size - 1
        self.volume = 2.0 * np.pi * np.diff(node**2) * height
        self.mass = metal.density * self.volume
        # Differences and sums of both ends of a cell; their transposes take its stresses to the nodes.
        self.difference = np.diff(np.eye(cells + 1), axis=0)
        self.both = np.abs(self.difference)
        self.node_mass = 0.5 * self.mass @ self.both
        self.held = node == 0.0

    def pressure(self, node: Floats, level: Floats) -> Floats:
        """Pressure (Pa) from the change of volume."""
        return np.asarray(-self.metal.bulk * np.log(2.0 * np.pi * np.diff(node**2) * level / self.volume))

    def strain(
        self, node: Floats, speed: Floats, level: Floats, rise: Floats, deviator: Floats, strain: Floats, soft: Floats
    ) -> Straining:
        """Forces and rates of a disc whose nodes move at `speed` and whose faces at `rise` (m/s)."""
        metal, width, ends = self.metal, self.difference @ node, self.both @ node
        rates = np.array([self.difference @ speed / width, self.both @ speed / ends, rise / level]).T
        growth, volume = rates.sum(axis=1), 2.0 * np.pi * width * ends * level
        length = np.minimum(width, 2.0 * level)
        viscous = -_LINEAR * np.sqrt(metal.bulk / metal.density) * growth
        viscous += np.where(growth < 0.0, _QUADRATIC**2 * length * growth**2, 0.0)
        viscous *= metal.density * length

        stress = deviator - (self.pressure(node, level) + viscous)[:, None]
        node_force = -(volume * stress[:, 0] / width) @ self.difference - (volume * stress[:, 1] / ends) @ self.both
        equivalent = np.sqrt(1.5 * (deviator**2).sum(axis=1))
        plastic = metal.plastic_rate(equivalent, strain, soft)
        # Flow goes along the deviator.
        along = 1.5 * deviator * (plastic / np.maximum(equivalent, 1.0))[:, None]
        return Straining(
            node_force,
            -volume * stress[:, 2] / level,
            2.0 * metal.shear * (rates - growth[:, None] / 3.0 - along),
            plastic,
            volume * equivalent * plastic,
            -volume * viscous * growth,
        )

    def acceleration(self, node_force: Floats, level_force: Floats) -> tuple[Floats, Floats]:
        """Acceleration (m/s^2) of nodes and faces; a node on the axis stays, a face carries a third of its cell."""
        return np.where(self.held, 0.0, node_force / self.node_mass), 3.0 * level_force / self.mass

    def energy(self, node: Floats, speed: Floats, level: Floats, rise: Floats, deviator: Floats) -> float:
        """Kinetic and elastic energy (J)."""
        volume = 2.0 * np.pi * np.diff(node**2) * level
        moving = 0.5 * (self.node_mass * speed**2).sum() + (self.mass * rise**2).sum() / 6.0
        shape = 0.25 * (deviator**2).sum(axis=1) / self.metal.shear
        return float(moving + (volume * (shape + 0.5 * self.pressure(node, level) ** 2 / self.metal.bulk)).sum())
