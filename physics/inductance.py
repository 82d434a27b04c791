"""The inductance matrix of a section and its gradient, and how both follow the motion.

Unknown currents are one per coil filament and one per workpiece cell, each standing for itself and
its mirror image. Points are the thin
loops that carry them: a filament of a round wire is its own point, one of a strip and a cell have
several that share the current. With weights w (1 on the mid-plane, 2 off it) the matrix::

    M[c, c'] = w_c sum_p sum_p' s_p s_p' [M(p, p') + M(p, mirror of p')]

is symmetric, and 1/2 i.M.i is the energy of the whole field. `by_radius` and `by_height` hold, for
every point p and unknown c', the slope of that energy: the force on one filament at p is
f_p = s_p i_c sum_c' i_c' by_radius[p, c'] (N, outward), likewise along z. The force is therefore
exactly the derivative of the energy, and motion conserves what it should.

A loop that does not begin at 0 counts in unsigned numbers: an index that might be negative, counted from the end, keeps
a loop out of vector registers.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from physics.kernel_cache import inner_kernel, kernel
from physics.linear import clear
from physics.loops import mutual_gradient, ring_self, ring_self_by_radius, ring_self_by_swelling

#: Pairs of points are taken in so many at a time, as many as the widest vector registers hold.
_LANES = 8


class Group(NamedTuple):
    """Points that belong together, those of the coil or of the part, and their filaments or cells: from, up to."""

    point: int
    end: int
    cell: int
    end_cell: int


@kernel
def assemble(
    one, other, radius, height, mean_distance, weight, share, cell, pair, matrix, by_radius, by_height, by_swelling
):  # fmt: skip
    """Fill the block of two groups of points in `matrix` (n, n), H, and in `by_radius`, `by_height` (points, n), H/m.

    They are the same group, and then `by_swelling` (points,), H, tells what a point's own inductance changes by with
    the logarithm of its mean distance; or `other` comes before `one`. `radius`, `height`, `mean_distance` are in m,
    shape (points,); `pair` is scratch, (5, points).
    """
    _clear_block(one, other, matrix, by_radius, by_height)
    _clear_block(other, one, matrix, by_radius, by_height)
    for p in range(one.point, one.end):
        first, end = other.point, min(p, other.end)
        # Whole vectors: what the last one holds beyond the end is never looked at.
        padded = min(first + _LANES * ((end - first + _LANES - 1) // _LANES), pair.shape[1])
        if weight[p] == 2.0:
            _pairs_off_plane(p, first, padded, radius, height, weight, share, pair)
        else:
            _pairs_on_plane(p, first, padded, radius, height, weight, share, pair)
        c = cell[p]
        for k in range(first, end):
            q = np.uintp(k)
            d = cell[q]
            matrix[c, d] += pair[0, q]
            by_radius[p, d] += pair[1, q]
            by_height[p, d] += pair[3, q]
            by_radius[q, c] += pair[2, q]
            by_height[q, c] += pair[4, q]
    for c in range(one.cell, one.end_cell):
        for d in range(other.cell, min(c + 1, other.end_cell)):
            matrix[c, d] = matrix[d, c] = matrix[c, d] + matrix[d, c]
    if one.point == other.point:
        for p in range(one.point, one.end):
            _add_self(
                p, cell[p], radius[p], height[p], mean_distance[p], weight[p], share[p], matrix, by_radius, by_height
            )
            by_swelling[p] = ring_self_by_swelling(radius[p], mean_distance[p])


@inner_kernel
def _clear_block(one, other, matrix, by_radius, by_height):
    """Zero what the points and cells of one group have from the other."""
    for c in range(one.cell, one.end_cell):
        for k in range(other.cell, other.end_cell):
            matrix[c, np.uintp(k)] = 0.0
    for p in range(one.point, one.end):
        for k in range(other.cell, other.end_cell):
            by_radius[p, np.uintp(k)] = 0.0
        for k in range(other.cell, other.end_cell):
            by_height[p, np.uintp(k)] = 0.0


@inner_kernel
def _pairs_off_plane(p, first, end, radius, height, weight, share, pair):
    """Point p off the plane with some before it: energy of the pair, slopes by both radii and both heights."""
    for k in range(first, end):
        q = np.uintp(k)
        value, by_p, by_q, by_z = mutual_gradient(radius[p], radius[q], height[p] - height[q])
        mirror, mirror_by_p, mirror_by_q, mirror_by_z = mutual_gradient(radius[p], radius[q], height[p] + height[q])
        # One on the plane has no mirror image; seen from it the pair counts twice.
        off = weight[q] - 1.0
        on_q = 2.0 - off
        pair[0, q] = 2.0 * share[p] * share[q] * (value + off * mirror)
        pair[1, q] = share[q] * (by_p + off * mirror_by_p)
        pair[2, q] = share[p] * on_q * (by_q + off * mirror_by_q)
        pair[3, q] = share[q] * (by_z + off * mirror_by_z)
        pair[4, q] = share[p] * off * (mirror_by_z - by_z)


@inner_kernel
def _pairs_on_plane(p, first, end, radius, height, weight, share, pair):
    """The same for point p on the plane, which is held there."""
    for k in range(first, end):
        q = np.uintp(k)
        value, by_p, by_q, by_z = mutual_gradient(radius[p], radius[q], height[p] - height[q])
        pair[0, q] = weight[q] * share[p] * share[q] * value
        pair[1, q] = share[q] * weight[q] * by_p
        pair[2, q] = share[p] * by_q
        pair[3, q] = 0.0
        pair[4, q] = -share[p] * (weight[q] - 1.0) * by_z


@inner_kernel
def _add_self(p, c, radius, height, mean_distance, weight, share, matrix, by_radius, by_height):
    """A point with itself and with its own mirror image."""
    value = ring_self(radius, mean_distance)
    by_radius[p, c] += 0.5 * share * ring_self_by_radius(radius, mean_distance)
    if weight == 2.0:
        mirror, by_own, _, by_z = mutual_gradient(radius, radius, 2.0 * height)
        value += mirror
        by_radius[p, c] += share * by_own
        by_height[p, c] += share * by_z
    matrix[c, c] += weight * share * share * value


@kernel
def carry(group, now, base, weight, share, cell, by_radius, by_height, by_swelling, matrix):
    """Take along what a group has by itself in `matrix` (n, n), H, from the section `base` to that of `now`.

    To first order, and to the same as :func:`follow`: sections are given likewise, slopes are by filaments and cells.
    """
    radius, height, mean_distance = now
    base_radius, base_height, base_mean_distance = base
    for p in range(group.point, group.end):
        c = cell[p]
        out = weight[p] * share[p] * (radius[p] - base_radius[p])
        up = weight[p] * share[p] * (height[p] - base_height[p])
        for d in range(group.cell, group.end_cell):
            change = out * by_radius[p, d] + up * by_height[p, d]
            matrix[c, d] += change
            matrix[d, c] += change
        swollen = mean_distance[p] / base_mean_distance[p] - 1.0
        matrix[c, c] += weight[p] * share[p] ** 2 * by_swelling[p] * swollen


@kernel
def follow(points, now, base, weight, share, cell, by_radius, by_height, by_swelling, rows, swelling):
    """What small displacements change, first order about the section that the slopes belong to.

    `now` and `base` are sections (radius, height, mean distance, each in m, shape (points,)). The matrix changes by
    `rows` (n, columns of the slopes) and its transpose, and by `swelling` (n,) on its diagonal.
    """
    radius, height, mean_distance = now
    base_radius, base_height, base_mean_distance = base
    clear(rows.shape[0], rows)
    for c in range(swelling.size):
        swelling[c] = 0.0
    for p in range(points):
        c = cell[p]
        out = weight[p] * share[p] * (radius[p] - base_radius[p])
        up = weight[p] * share[p] * (height[p] - base_height[p])
        # Turns stay at their height.
        if up != 0.0:
            for d in range(rows.shape[1]):
                rows[c, d] += out * by_radius[p, d] + up * by_height[p, d]
        elif out != 0.0:
            for d in range(rows.shape[1]):
                rows[c, d] += out * by_radius[p, d]
        swollen = mean_distance[p] / base_mean_distance[p] - 1.0
        if swollen != 0.0:
            swelling[c] += weight[p] * share[p] ** 2 * by_swelling[p] * swollen
