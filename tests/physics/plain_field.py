"""Inductance of a deformed section and the forces it exerts, in plain NumPy and SciPy: dense, and slow on purpose.

It shares with the model how turns and part are cut into filaments and points, and nothing else. A point is a thin loop.
Where it is follows from what moves (turn radii, then the part's nodes, then its levels), and the dense matrix of slopes
that says how also takes the forces back, so that they are the slope of the field's energy.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.constants import mu_0
from scipy.special import ellipe, ellipkm1

from physics.state import Model
from tests.physics.plain import incidence_of, ring_self
from tests.physics.sections import section_of

Floats = NDArray[np.float64]

#: Geometric mean distance of a rectangle over the sum of its sides (Lyle 1914), as the model has it.
_OF_SIDES = 0.2235
#: Relative step of the differences that give the slopes of a loop's own inductance.
_STEP = 1e-5


def loops_with_slopes(a: Floats, b: Floats, z: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Mutual inductance (H) of coaxial loops of radii a, b (m) at distance z (m), and its slopes (H/m) by a, b and z.

    That by b is 2 pi b times the axial field of one ampere in loop a at loop b, that by z is -2 pi b times the radial
    one (Smythe, Static and Dynamic Electricity, 7.10).
    """
    far, near = (a + b) ** 2 + z**2, (a - b) ** 2 + z**2
    squares, root = a**2 + b**2 + z**2, np.sqrt(far)
    K, E = ellipkm1(near / far), ellipe(4.0 * a * b / far)
    value = mu_0 / root * (squares * K - far * E)
    by_a = mu_0 * a / root * (K + (b**2 - a**2 - z**2) / near * E)
    by_b = mu_0 * b / root * (K + (a**2 - b**2 - z**2) / near * E)
    by_z = mu_0 * z / root * (K - squares / near * E)
    return value, by_a, by_b, by_z


@dataclass(frozen=True, eq=False)
class Places:
    """Where the points are (m), with slopes by all that moves; and resistances."""

    radius: Floats  # (points,)
    height: Floats
    mean_distance: Floats
    radius_slope: Floats  # (points, all that moves)
    height_slope: Floats
    mean_distance_slope: Floats
    resistance: Floats  # (filaments + cells,) ohm per ohm m, on one side of the mid-plane


class Field:
    """Filaments of a coil and of a part of one slice."""

    def __init__(self, model: Model) -> None:
        assert model.part.level_m.size == 2, "a part of one slice is meant"
        self.model, self.coil = model, model.coil
        self.first_radius = model.turns.first_radius.copy()
        self.turn = self.coil.turn[self.coil.point_filament]
        self.incidence = incidence_of(model)
        self.split(model.part.node_radius_m, np.full(model.part.node_radius_m.size - 1, model.part.level_m[1]))

    def split(self, node: Floats, level: Floats) -> None:
        """Split every cell into roughly square sub-cells of the shape that it has with these nodes and levels (m)."""
        self.model.body.radius[0], self.model.body.level[1] = node, level
        points, rest, own = section_of(self.model).points, self.model.part.node_radius_m, self.turn.size
        used = int(points.used[0])
        self.cell, self.share, self.weight = points.cell[:used], points.share[:used], points.weight[:used]
        # A sub-cell keeps its place and its size, by area, in the mechanical cell that its middle lies in.
        middle = points.rest_radius[own:used]
        self.inside = np.searchsorted(rest, middle) - 1
        self.rest_annulus = np.diff(rest**2)[self.inside]
        self.outward = (middle**2 - rest[self.inside] ** 2) / self.rest_annulus
        self.rest_area = points.rest_width[own:used] * middle
        # Levels belong to the middles of mechanical cells: between them they are interpolated, beyond them held.
        middles = 0.5 * (rest[1:] + rest[:-1])
        self.level_there = np.array([np.interp(middle, middles, unit) for unit in np.eye(middles.size)]).T
        self.upward, self.tall = points.z_fraction[own:used], points.height_fraction[own:used]
        # Current of each point from the independent ones.
        self.carried = self.share[:, None] * self.incidence[self.cell]
        self._pair_up()

    def _pair_up(self) -> None:
        """Pairs of points, each once, then those with mirror images; one off the mid-plane meets its own too."""
        off = self.weight > 1.5
        first, second = np.triu_indices(off.size, 1)
        both = off[first] & off[second]
        own = np.flatnonzero(off)
        self.first = np.concatenate([first, first[both], own])
        self.second = np.concatenate([second, second[both], own])
        self.mirror = np.repeat([-1.0, 1.0], [first.size, both.sum() + own.size])
        direct = np.where(both, 2.0, self.weight[first] * self.weight[second])
        self.times = np.concatenate([direct, np.full(both.sum(), 2.0), np.ones(own.size)])

    def places(self, turn: Floats, node: Floats, level: Floats) -> Places:
        """Points and resistances for turn radii, node radii and heights of half the part (all m)."""
        turns, nodes, coil, own = turn.size, node.size, self.coil, self.turn.size
        rows, part = np.arange(own, self.cell.size), slice(own, None)
        inner, outer = node[self.inside], node[self.inside + 1]
        annulus, there = outer**2 - inner**2, self.level_there @ level
        radius = np.concatenate(
            [coil.point_radius_m + (turn - self.first_radius)[self.turn], np.sqrt(inner**2 + self.outward * annulus)]
        )
        height = np.concatenate([coil.point_z_m, self.upward * there])
        width, tall = self.rest_area / radius[part] * annulus / self.rest_annulus, self.tall * there
        by_radius, by_height, by_distance = (np.zeros((radius.size, turns + nodes + level.size)) for _ in range(3))
        by_radius[np.arange(own), self.turn] = 1.0
        by_inner, by_outer = (1.0 - self.outward) * inner / radius[part], self.outward * outer / radius[part]
        by_radius[rows, turns + self.inside], by_radius[rows, turns + self.inside + 1] = by_inner, by_outer
        by_height[part, turns + nodes :] = self.upward[:, None] * self.level_there
        by_distance[rows, turns + self.inside] = width * (-by_inner / radius[part] - 2.0 * inner / annulus)
        by_distance[rows, turns + self.inside + 1] = width * (-by_outer / radius[part] + 2.0 * outer / annulus)
        by_distance[part, turns + nodes :] = self.tall[:, None] * self.level_there
        return Places(
            radius,
            height,
            np.concatenate([coil.point_mean_distance_m, _OF_SIDES * (width + tall)]),
            by_radius,
            by_height,
            _OF_SIDES * by_distance,
            self._resistance(turn, radius[part], width * tall),
        )

    def _resistance(self, turn: Floats, radius: Floats, section: Floats) -> Floats:
        """A turn's wire gets thinner as it gets longer; a cell's heat is that of its sub-cells with their shares."""
        coil = self.coil
        grown = turn[coil.turn] - self.first_radius[coil.turn]
        area = coil.area_m2 * (self.first_radius / turn)[coil.turn]
        cell = self.cell[self.turn.size :] - coil.radius_m.size
        of_cell = np.bincount(cell, self.share[self.turn.size :] ** 2 * 2.0 * np.pi * radius / section)
        return np.concatenate([2.0 * np.pi * (coil.radius_m + grown) / area, of_cell])

    def inductance_and_slopes(self, places: Places) -> tuple[Floats, tuple[Floats, Floats, Floats]]:
        """Inductance (H) of the independent currents, and what :meth:`force` needs: slopes (H/m) of every pair."""
        value, *slopes = loops_with_slopes(
            places.radius[self.first],
            places.radius[self.second],
            places.height[self.first] + self.mirror * places.height[self.second],
        )
        n = places.radius.size
        half = np.bincount(self.first * n + self.second, self.times * value, n * n).reshape(n, n)
        pairs = half + half.T + np.diag(self.weight * ring_self(places.radius, places.mean_distance))
        return self.carried.T @ pairs @ self.carried, (slopes[0], slopes[1], slopes[2])

    def force(self, places: Places, slopes: tuple[Floats, Floats, Floats], q: Floats) -> Floats:
        """Force (N) on all that moves, the section with its mirror image: slope of the energy at constant currents."""
        current, n = self.carried @ q, self.cell.size
        by_first, by_second, by_z = (self.times * current[self.first] * current[self.second] * s for s in slopes)
        radius, distance = places.radius, places.mean_distance
        own = 0.5 * self.weight * current**2 / (2.0 * _STEP)
        up, down = 1.0 + _STEP, 1.0 - _STEP
        wider = own * (ring_self(up * radius, distance) - ring_self(down * radius, distance)) / radius
        radial = np.bincount(self.first, by_first, n) + np.bincount(self.second, by_second, n) + wider
        axial = np.bincount(self.first, by_z, n) + np.bincount(self.second, self.mirror * by_z, n)
        swelling = own * (ring_self(radius, up * distance) - ring_self(radius, down * distance)) / distance
        return np.asarray(
            radial @ places.radius_slope + axial @ places.height_slope + swelling @ places.mean_distance_slope
        )
