"""Bodies of the mechanical mesh and what tests do to them: throw, press, hold."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import pi

import numpy as np
from numpy.typing import NDArray

from physics.deformation import Body, advance, elastic_energy, kinetic_energy, make_body, stable_step
from physics.plasticity import Strength

Floats = NDArray[np.float64]

DENSITY = 8960.0
YOUNG_PA, POISSON = 120e9, 0.34
#: So stiff that elastic strain hardly counts beside plastic strain: the closed forms are rigid-plastic.
NEARLY_RIGID_PA = 10.0 * YOUNG_PA
UNBREAKABLE_PA = 1e15
#: A mass that no stress of a test can move.
UNMOVABLE_KG = 1e12


def ideal_metal(yield_pa: float, young_pa: float = YOUNG_PA, density: float = DENSITY) -> Strength:
    """Perfectly plastic, neither hardening nor softening."""
    return Strength(
        density=density,
        bulk_modulus=young_pa / (3.0 * (1.0 - 2.0 * POISSON)),
        shear_modulus=young_pa / (2.0 * (1.0 + POISSON)),
        youngs_modulus=young_pa,
        a=yield_pa,
        b=0.0,
        n=1.0,
        c=0.0,
        m=1.0,
        reference_rate=1.0,
        reference_temperature=293.0,
        melting_temperature=1e9,
    )


ELASTIC = ideal_metal(UNBREAKABLE_PA)


@dataclass(frozen=True, eq=False)
class Flight:
    """Time (s), mean radius, outer radius and height of the upper half (m) of the first slice of a body."""

    time_s: Floats
    mean_radius_m: Floats
    outer_radius_m: Floats
    half_height_m: Floats


@dataclass(frozen=True, eq=False)
class Sample:
    """A cold body and its table of strengths. Forces are those on a slice and its mirror image together."""

    body: Body
    strengths: Floats

    @property
    def thickness(self) -> Floats:
        """Thickness (m) of the whole part at every radial cell."""
        return np.asarray(2.0 * self.body.level[-1])

    @property
    def stable_step(self) -> float:
        return float(stable_step(self.body, self.strengths, 0.5))

    @property
    def kinetic_energy(self) -> float:
        return float(kinetic_energy(self.body))

    @property
    def energy(self) -> float:
        """Kinetic and elastic energy and what work has turned into heat, J."""
        return self.kinetic_energy + float(elastic_energy(self.body, self.strengths)) + float(self.body.work[0])

    def rim_force(self, pressure_pa: float) -> Floats:
        """Inward force of a pressure on the present rim of every slice, at its node."""
        return -pressure_pa * 4.0 * pi * self.body.radius[:, -1] * np.diff(self.body.level[:, -1])

    def bore_force(self, pressure_pa: float) -> Floats:
        """Outward force of a pressure in the present bore of every slice, at its node."""
        return pressure_pa * 4.0 * pi * self.body.radius[:, 0] * np.diff(self.body.level[:, 0])

    def step(self, dt: float, node_force: Floats | None = None, level_force: Floats | None = None) -> None:
        """One step under these forces; nothing softens."""
        node = np.zeros_like(self.body.radius) if node_force is None else node_force
        level = np.zeros_like(self.body.level) if level_force is None else level_force
        assert advance(self.body, self.strengths, node, level, np.ones_like(self.body.pressure), 0.9, dt)

    def fly(self, time_s: float) -> Flight:
        """Let it move freely."""
        rows, now, body = [], 0.0, self.body
        while now < time_s:
            dt = self.stable_step
            self.step(dt)
            now += dt
            mean = 0.5 * (body.radius[0, 0] + body.radius[0, -1])
            rows.append((now, mean, body.radius[0, -1], body.level[-1, -1]))
        return Flight(*np.array(rows).T)

    def settle(self, forces: Callable[[float], Floats], steps: int, damping: float) -> None:
        """Raise node forces, a function of their share, over half the steps, hold them, and damp all motion."""
        for k in range(steps):
            self.step(self.stable_step, forces(min(1.0, 2.0 * k / steps)))
            self.body.speed[:] *= damping
            self.body.rise[:] *= damping

    def press(self, outer_pa: float, inner_pa: float, steps: int, damping: float) -> None:
        """Press on rim and bore until it rests."""

        def forces(share: float) -> Floats:
            force = np.zeros_like(self.body.radius)
            force[:, 0] = self.bore_force(share * inner_pa)
            force[:, -1] += self.rim_force(share * outer_pa)
            return force

        self.settle(forces, steps, damping)

    def hold_heights(self) -> None:
        """Plane strain: no level moves any more."""
        self.body.level_pivot[1:] = UNMOVABLE_KG
        self.body.level_ratio[:] = 0.0


def sample(
    inner_m: float, outer_m: float, thickness_m: float, cells: int, metal: Strength = ELASTIC, *, slices: int = 1
) -> Sample:
    """A part of one metal at rest, its upper half cut into equal slices."""
    return clad_sample(inner_m, outer_m, thickness_m, cells, (metal,), np.zeros(slices, dtype=np.int64))


def clad_sample(
    inner_m: float,
    outer_m: float,
    thickness_m: float,
    cells: int,
    metals: tuple[Strength, ...],
    metal_of_slice: NDArray[np.int64],
) -> Sample:
    """A part at rest whose equal slices, from the mid-plane up, are of these metals."""
    strengths = np.array(metals)
    levels = np.linspace(0.0, 0.5 * thickness_m, metal_of_slice.size + 1)
    density = np.ascontiguousarray(strengths[metal_of_slice, 0])
    return Sample(make_body(np.linspace(inner_m, outer_m, cells + 1), levels, density, metal_of_slice), strengths)


def upward_zeros(time_s: Floats, value: Floats) -> Floats:
    """Times (s) at which a value passes zero upwards."""
    k = np.flatnonzero((value[:-1] < 0.0) & (value[1:] >= 0.0))
    return np.asarray(time_s[k] - value[k] * (time_s[k + 1] - time_s[k]) / (value[k + 1] - value[k]))
