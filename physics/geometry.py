"""Where every filament is while turns and workpiece move, and what their forces push on."""

from __future__ import annotations

from math import pi, sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from physics.constants import MU_0
from physics.kernel_cache import inlined_kernel, inner_kernel, kernel, reordering_kernel
from physics.linear import row_dot, two_row_dots
from physics.loops import mutual_gradient, rectangle_mean_distance
from physics.mesh import CoilMesh, PartMesh

#: Most sub-cells a cell is split into.
MOST_SUB_CELLS = 32

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Points(NamedTuple):
    """All filaments at z >= 0: the coil's `own` first, then the workpiece's sub-cells; the first `used[0]` rows count.

    Cells are split into roughly square sub-cells of their present shape (:func:`split`): mutuals
    between elongated cells taken from centre to centre would not give a positive definite matrix.
    Rows of the coil leave the columns that place a sub-cell in the mechanical mesh unused.
    """

    own: int
    used: Ints  # (1,)
    radius: Floats  # m
    height: Floats  # m
    mean_distance: Floats  # m
    weight: Floats
    share: Floats
    cell: Ints
    rest_radius: Floats  # m
    rest_width: Floats  # m
    slice: Ints
    z_fraction: Floats  # place within the slice, 0 to 1
    height_fraction: Floats  # own height over the slice's
    motion_cell: Ints
    area_fraction: Floats  # where in the motion cell, by area
    area_share: Floats  # radius times width, over the motion cell's outer radius squared less its inner one's
    width: Floats  # m, along the radius, present one
    tall: Floats  # m, along the axis, present one
    low: Ints  # levels are interpolated between motion cells low and high
    high: Ints
    high_share: Floats


class Loads(NamedTuple):
    """Lorentz forces (N): on a single turn (T,), on nodes (S, N + 1) and levels (S + 1, N); total inward force (1,).

    All of them look into `forces`, one after the other.
    """

    forces: Floats
    turn: Floats
    node: Floats
    level: Floats
    inward: Floats


def make_points(coil: CoilMesh, part: PartMesh) -> Points:
    """Room for the points of both meshes; :func:`split` and :func:`locate` fill it."""
    own = coil.point_filament.size
    most = own + part.cell_column.size * MOST_SUB_CELLS

    def floats() -> Floats:
        return np.zeros(most)

    def ints() -> Ints:
        return np.zeros(most, dtype=np.int64)

    points = Points(
        own=own,
        used=np.array([own], dtype=np.int64),
        radius=floats(),
        height=floats(),
        mean_distance=floats(),
        weight=np.full(most, 2.0),
        share=np.ones(most),
        cell=ints(),
        rest_radius=floats(),
        rest_width=floats(),
        slice=ints(),
        z_fraction=floats(),
        height_fraction=floats(),
        motion_cell=ints(),
        area_fraction=floats(),
        area_share=floats(),
        width=floats(),
        tall=floats(),
        low=ints(),
        high=ints(),
        high_share=floats(),
    )
    points.weight[:own] = coil.point_weight
    points.share[:own] = coil.point_share
    points.cell[:own] = coil.point_filament
    points.mean_distance[:own] = coil.point_mean_distance_m
    return points


def make_loads(turns: int, slices: int, cells: int) -> Loads:
    """Zero loads for so many turns kept, slices and radial cells."""
    nodes, levels = slices * (cells + 1), (slices + 1) * cells
    forces = np.zeros(turns + nodes + levels + 1)
    node, level = forces[turns : turns + nodes], forces[turns + nodes : -1]
    return Loads(forces, forces[:turns], node.reshape(slices, cells + 1), level.reshape(slices + 1, cells), forces[-1:])


@kernel
def split(coil, part, body, points):
    """Split every cell into sub-cells of its present shape, about so many times as long as thick at most."""
    nodes = part.node_radius_m
    filaments, p, longest = coil.radius_m.size, points.own, part.longest_piece
    for c in range(part.cell_column.size):
        left, right, s = part.cell_left_m[c], part.cell_right_m[c], part.cell_slice[c]
        bottom, top = part.cell_bottom[c], part.cell_top[c]
        middle = _motion_cell(nodes, 0.5 * (left + right))
        width = _present_radius(nodes, body, s, right) - _present_radius(nodes, body, s, left)
        height = (top - bottom) * (body.level[s + 1, middle] - body.level[s, middle])
        across = min(MOST_SUB_CELLS, max(1, int(np.ceil(width / height / longest - 0.25))))
        up = min(MOST_SUB_CELLS, max(1, int(np.ceil(height / width / longest - 0.25))))
        for i in range(across):
            for j in range(up):
                points.cell[p] = filaments + c
                points.rest_width[p] = (right - left) / across
                points.rest_radius[p] = left + (i + 0.5) * points.rest_width[p]
                # Density grows with the radius, as in an even field: round the axis a cell may be wide.
                points.share[p] = points.rest_radius[p] / (0.5 * (left + right)) / (across * up)
                points.slice[p] = s
                points.height_fraction[p] = (top - bottom) / up
                points.z_fraction[p] = bottom + (j + 0.5) * points.height_fraction[p]
                _place(nodes, points, p)
                p += 1
    points.used[0] = p


@inner_kernel
def _motion_cell(nodes, radius):
    """Cell of the mechanical mesh, uniform at rest, that holds this radius at rest."""
    cells = nodes.size - 1
    return min(cells - 1, int((radius - nodes[0]) / (nodes[cells] - nodes[0]) * cells))


@kernel
def _present_radius(nodes, body, s, radius):
    """Where material of slice s that was at `radius` (m) at rest is now: volume is shared evenly in a motion cell."""
    k = _motion_cell(nodes, radius)
    share = (radius**2 - nodes[k] ** 2) / (nodes[k + 1] ** 2 - nodes[k] ** 2)
    return sqrt((1.0 - share) * body.radius[s, k] ** 2 + share * body.radius[s, k + 1] ** 2)


@inner_kernel
def _place(nodes, points, p):
    """Tie a sub-cell to the mechanical mesh."""
    radius = points.rest_radius[p]
    k = _motion_cell(nodes, radius)
    points.motion_cell[p] = k
    annulus = nodes[k + 1] ** 2 - nodes[k] ** 2
    points.area_fraction[p] = (radius**2 - nodes[k] ** 2) / annulus
    points.area_share[p] = radius * points.rest_width[p] / annulus
    # Levels belong to the middle of a motion cell: interpolate between the two nearest middles.
    width = nodes[1] - nodes[0]
    position = (radius - nodes[0]) / width - 0.5
    low = min(max(int(np.floor(position)), 0), nodes.size - 2)
    points.low[p] = low
    points.high[p] = min(low + 1, nodes.size - 2)
    points.high_share[p] = min(max(position - low, 0.0), 1.0)


@kernel
def locate(coil, turns, body, points):
    """Radius, height and size of every point from the state of turns and body."""
    own = points.own
    for p in range(own):
        t = coil.turn[coil.point_filament[p]]
        points.radius[p] = coil.point_radius_m[p] + turns.radius[t] - turns.first_radius[t]
        points.height[p] = coil.point_z_m[p]
    for p in range(own, points.used[0]):
        s, k = points.slice[p], points.motion_cell[p]
        inner, outer = body.radius[s, k], body.radius[s, k + 1]
        annulus = outer * outer - inner * inner
        radius = sqrt(inner * inner + points.area_fraction[p] * annulus)
        low, high = _level(body, points, p, s), _level(body, points, p, s + 1)
        # Its area follows its motion cell's.
        width, tall = points.area_share[p] * annulus / radius, points.height_fraction[p] * (high - low)
        points.radius[p], points.height[p] = radius, low + points.z_fraction[p] * (high - low)
        points.width[p], points.tall[p] = width, tall
        points.mean_distance[p] = rectangle_mean_distance(width, tall)


@inner_kernel
def _level(body, points, p, s):
    """Height (m) of level s where the sub-cell p is."""
    share = points.high_share[p]
    return (1.0 - share) * body.level[s, points.low[p]] + share * body.level[s, points.high[p]]


@kernel
def resistances(coil, turns, points, coil_resistivity, part_resistivity, out):
    """Resistance (ohm) of every filament and cell from resistivities (ohm m, same order)."""
    filaments = coil.radius_m.size
    for f in range(filaments):
        t = coil.turn[f]
        area = coil.area_m2[f] * turns.first_radius[t] / turns.radius[t]
        radius = coil.radius_m[f] + turns.radius[t] - turns.first_radius[t]
        out[f] = coil_resistivity[f] * 2.0 * pi * radius / area
    cells = part_resistivity.size
    # A cell's sub-cells share its current, and its heat is the sum of theirs: R = rho 2 pi sum s^2 r / section.
    for c in range(filaments, filaments + cells):
        out[c] = 0.0
    for p in range(points.own, points.used[0]):
        out[points.cell[p]] += points.share[p] ** 2 * points.radius[p] / (points.width[p] * points.tall[p])
    for c in range(cells):
        out[filaments + c] *= part_resistivity[c] * 2.0 * pi


@kernel
def lorentz(coil, body, points, current, seen_by_coil, seen_by_part, by_radius, by_height, by_swelling, loads):
    """Lorentz forces from currents (A, per filament and cell) and the slopes of the inductance matrix.

    `seen_by_coil` and `seen_by_part` (A) are the same currents as the columns of the slopes have them, each with what
    the slopes of the other group are multiplied by.

    A point's force is shared between the nodes and levels that place it, so that its virtual
    work is the same: total and first moment are kept exactly.
    """
    own, n = points.own, seen_by_coil.size
    for i in range(loads.forces.size):
        loads.forces[i] = 0.0
    for p in range(own):
        f = coil.point_filament[p]
        force = points.share[p] * current[f] * row_dot(by_radius, p, seen_by_coil, n)
        loads.turn[coil.turn[f]] += coil.point_multiplicity[p] * force
    for p in range(own, points.used[0]):
        carried = points.share[p] * current[points.cell[p]]
        # Twice: the mirror image pushes the same nodes.
        by_out, by_up = two_row_dots(by_radius, by_height, p, seen_by_part, n)
        outward, upward = 2.0 * carried * by_out, 2.0 * carried * by_up
        loads.inward[0] -= outward
        _push(body, points, p, outward, upward, carried * carried * by_swelling[p], loads)


@kernel
def inward_force(points, current, seen_by_part, by_radius):
    """Total inward force (N) on the workpiece by itself, as in :func:`lorentz`."""
    total = 0.0
    for p in range(points.own, points.used[0]):
        by_out = row_dot(by_radius, p, seen_by_part, seen_by_part.size)
        total -= 2.0 * points.share[p] * current[points.cell[p]] * by_out
    return total


@kernel
def _push(body, points, p, outward, upward, swelling, loads):
    """Share out the forces (N) on a sub-cell, and what it gains (J) as its mean distance grows e-fold: its pinch."""
    s, k, width = points.slice[p], points.motion_cell[p], points.width[p]
    inner, outer = body.radius[s, k], body.radius[s, k + 1]
    share, by_radius = points.area_fraction[p], 1.0 / points.radius[p]
    pinch = swelling / (width + points.tall[p])
    narrower, swollen = pinch * width * by_radius, 2.0 * pinch * width / (outer * outer - inner * inner)
    inner_by, outer_by = (1.0 - share) * inner * by_radius, share * outer * by_radius
    loads.node[s, k] += (outward - narrower) * inner_by - swollen * inner
    loads.node[s, k + 1] += (outward - narrower) * outer_by + swollen * outer
    own = pinch * points.height_fraction[p]
    _share_out(points, p, loads.level, s, (1.0 - points.z_fraction[p]) * upward - own)
    _share_out(points, p, loads.level, s + 1, points.z_fraction[p] * upward + own)


@inner_kernel
def _share_out(points, p, level, s, force):
    """Add an axial force (N) to level s, between the two motion cells that place the point."""
    level[s, points.low[p]] += (1.0 - points.high_share[p]) * force
    level[s, points.high[p]] += points.high_share[p] * force


@inlined_kernel
def field_by_current(points, radius, out):
    """Axial field (T) on the mid-plane that a point adds for every ampere of its cell: at `radius` (m) and on the axis.

    The first row of `out`, shape (2, points), by the slope of the flux linkage, 2 pi r B_z; the second
    mu0 a^2 / (2 (a^2 + z^2)^(3/2)) of every loop.
    """
    by_length = 1.0 / (2.0 * pi * radius)
    for p in range(points.used[0]):
        _, _, slope, _ = mutual_gradient(points.radius[p], radius, points.height[p])
        out[0, p] = points.weight[p] * points.share[p] * slope * by_length
    for p in range(points.used[0]):
        a, z = points.radius[p], points.height[p]
        square = a * a + z * z
        out[1, p] = 0.5 * MU_0 * points.weight[p] * points.share[p] * a * a / (square * sqrt(square))


@inner_kernel
def field_within(part, points, out):
    """Mean axial field (T) within every column of cells for the flux linkage (Wb) of its cell at the mid-plane.

    Into `out`, shape (columns,): 1 over pi times the mean square of the cell's radius.
    """
    cells, columns = part.cell_column.size, out.size
    for i in range(columns):
        out[i] = 0.0
    for p in range(points.own, points.used[0]):
        c = points.cell[p] - points.cell[points.own]
        if c * columns % cells == 0:
            out[part.cell_column[c]] += pi * points.share[p] * points.radius[p] ** 2
    for i in range(columns):
        out[i] = 1.0 / out[i]


@reordering_kernel
def field_of(points, by_current, row, current):
    """Axial field (T) of currents (A, per filament and cell) by a row of :func:`field_by_current`."""
    total = 0.0
    for p in range(points.used[0]):
        total += by_current[row, p] * current[points.cell[p]]
    return total
