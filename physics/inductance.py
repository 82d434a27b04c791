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
"""

from __future__ import annotations

from physics.kernel_cache import kernel
from physics.loops import mutual_gradient, ring_self, ring_self_by_radius, ring_self_by_swelling


@kernel
def assemble(points, radius, height, mean_distance, weight, share, cell, matrix, by_radius, by_height):
    """Fill `matrix` (n, n) in H and `by_radius`, `by_height` (points, n) in H/m for the first `points` rows.

    `radius`, `height`, `mean_distance` are in m, shape (points,).
    """
    matrix[:, :] = 0.0
    by_radius[:, :] = 0.0
    by_height[:, :] = 0.0
    for p in range(points):
        c = cell[p]
        _add_self(p, c, radius[p], height[p], mean_distance[p], weight[p], share[p], matrix, by_radius, by_height)
        for q in range(p):
            d = cell[q]
            value, by_p, by_q, by_z = mutual_gradient(radius[p], radius[q], height[p] - height[q])
            z_p, z_q = by_z, -by_z
            if weight[p] == 2.0 and weight[q] == 2.0:
                mirror, mirror_by_p, mirror_by_q, mirror_by_z = mutual_gradient(
                    radius[p], radius[q], height[p] + height[q]
                )
                value += mirror
                by_p += mirror_by_p
                by_q += mirror_by_q
                z_p += mirror_by_z
                z_q += mirror_by_z
                total = 2.0 * value
                on_p, on_q = 1.0, 1.0
            else:
                # One of the two lies on the plane: a pair seen from it counts twice, it counts once.
                total = weight[p] * weight[q] * value
                on_p, on_q = weight[q], weight[p]
            total *= share[p] * share[q]
            matrix[c, d] += total
            matrix[d, c] += total
            by_radius[p, d] += on_p * share[q] * by_p
            by_radius[q, c] += on_q * share[p] * by_q
            if weight[p] == 2.0:
                by_height[p, d] += on_p * share[q] * z_p
            if weight[q] == 2.0:
                by_height[q, c] += on_q * share[p] * z_q


@kernel
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
def follow(points, now, base, weight, share, cell, by_radius, by_height, base_matrix, matrix):
    """Matrix after small displacements, first order about the section it was assembled for.

    `now` and `base` are sections (radius, height, mean distance, each in m, shape (points,)).
    """
    radius, height, mean_distance = now
    base_radius, base_height, base_mean_distance = base
    n = base_matrix.shape[0]
    matrix[:, :] = 0.0
    for p in range(points):
        c = cell[p]
        out = weight[p] * share[p] * (radius[p] - base_radius[p])
        up = weight[p] * share[p] * (height[p] - base_height[p])
        if out != 0.0 or up != 0.0:
            for d in range(n):
                matrix[c, d] += out * by_radius[p, d] + up * by_height[p, d]
    for c in range(n):
        for d in range(c):
            total = matrix[c, d] + matrix[d, c] + base_matrix[c, d]
            matrix[c, d] = total
            matrix[d, c] = total
        matrix[c, c] = 2.0 * matrix[c, c] + base_matrix[c, c]
    for p in range(points):
        swollen = mean_distance[p] / base_mean_distance[p] - 1.0
        if swollen != 0.0:
            slope = ring_self_by_swelling(base_radius[p], base_mean_distance[p])
            matrix[cell[p], cell[p]] += weight[p] * share[p] ** 2 * slope * swollen
