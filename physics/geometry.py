"""Where every filament is while turns and workpiece move, and what their forces push on."""

from __future__ import annotations

from math import pi, sqrt
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from physics.circuit import dot
from physics.loops import mutual_gradient, rectangle_mean_distance, ring_self_by_swelling
from physics.mesh import CoilMesh, PartMesh

#: Most sub-cells a cell is split into.
MOST_SUB_CELLS = 32

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Points(NamedTuple):
    """All filaments at z >= 0: the coil's first, then the workpiece's sub-cells; the first `used[0]` rows count.

    Cells are split into roughly square sub-cells of their present shape (:func:`split`): mutuals
    between elongated cells taken from centre to centre would not give a positive definite matrix.
    Rows of the coil leave the columns that place a sub-cell in the mechanical mesh unused.
    """

    used: Ints  # (1,)
    radius: Floats  # m
    height: Floats  # m
    mean_distance: Floats  # m
    weight: Floats
    share: Floats
    cell: Ints
    rest_radius: Floats  # m
    rest_width: Floats  # m
    z_fraction: Floats  # z over thickness
    height_fraction: Floats  # own height over thickness
    motion_cell: Ints
    area_fraction: Floats  # where in the motion cell, by area
    low: Ints  # thickness is interpolated between motion cells low and high
    high: Ints
    high_share: Floats


class Loads(NamedTuple):
    """Lorentz forces (N): on a single turn, on mechanical nodes, on cell thicknesses; total inward force."""

    turn: Floats
    node: Floats
    spread: Floats
    inward: Floats


def make_points(coil: CoilMesh, part: PartMesh) -> Points:
    """Room for the points of both meshes; :func:`split` and :func:`locate` fill it."""
    filaments = coil.radius_m.size
    most = filaments + part.cell_column.size * MOST_SUB_CELLS

    def floats() -> Floats:
        return np.zeros(most)

    def ints() -> Ints:
        return np.zeros(most, dtype=np.int64)

    points = Points(
        used=np.array([filaments], dtype=np.int64),
        radius=floats(),
        height=floats(),
        mean_distance=floats(),
        weight=np.full(most, 2.0),
        share=np.ones(most),
        cell=ints(),
        rest_radius=floats(),
        rest_width=floats(),
        z_fraction=floats(),
        height_fraction=floats(),
        motion_cell=ints(),
        area_fraction=floats(),
        low=ints(),
        high=ints(),
        high_share=floats(),
    )
    points.weight[:filaments] = coil.weight
    points.cell[:filaments] = np.arange(filaments)
    points.mean_distance[:filaments] = coil.mean_distance_m
    return points


def make_loads(turns: int, cells: int) -> Loads:
    """Zero loads for so many turns kept and mechanical cells."""
    return Loads(np.zeros(turns), np.zeros(cells + 1), np.zeros(cells), np.zeros(1))


@njit(cache=True, nogil=True)
def split(filaments, part, body, points):
    """Split every cell into roughly square sub-cells of its present shape."""
    nodes = part.node_radius_m
    p = filaments
    for c in range(part.cell_column.size):
        left, right = part.cell_left_m[c], part.cell_right_m[c]
        bottom, top = part.cell_bottom[c], part.cell_top[c]
        middle = _motion_cell(nodes, 0.5 * (left + right))
        width = _present_radius(nodes, body, right) - _present_radius(nodes, body, left)
        height = (top - bottom) * body.thickness[middle]
        across = min(MOST_SUB_CELLS, max(1, int(np.ceil(width / height - 0.25))))
        up = min(MOST_SUB_CELLS, max(1, int(np.ceil(height / width - 0.25))))
        for i in range(across):
            for j in range(up):
                points.cell[p] = filaments + c
                points.share[p] = 1.0 / (across * up)
                points.rest_width[p] = (right - left) / across
                points.rest_radius[p] = left + (i + 0.5) * points.rest_width[p]
                points.height_fraction[p] = (top - bottom) / up
                points.z_fraction[p] = bottom + (j + 0.5) * points.height_fraction[p]
                _place(nodes, points, p)
                p += 1
    points.used[0] = p


@njit(cache=True, nogil=True)
def _motion_cell(nodes, radius):
    """Cell of the mechanical mesh, uniform at rest, that holds this radius at rest."""
    cells = nodes.size - 1
    return min(cells - 1, int((radius - nodes[0]) / (nodes[cells] - nodes[0]) * cells))


@njit(cache=True, nogil=True)
def _present_radius(nodes, body, radius):
    """Where material that was at `radius` (m) at rest is now: volume is shared evenly inside a motion cell."""
    k = _motion_cell(nodes, radius)
    share = (radius**2 - nodes[k] ** 2) / (nodes[k + 1] ** 2 - nodes[k] ** 2)
    return sqrt((1.0 - share) * body.radius[k] ** 2 + share * body.radius[k + 1] ** 2)


@njit(cache=True, nogil=True)
def _place(nodes, points, p):
    """Tie a sub-cell to the mechanical mesh."""
    radius = points.rest_radius[p]
    k = _motion_cell(nodes, radius)
    points.motion_cell[p] = k
    points.area_fraction[p] = (radius**2 - nodes[k] ** 2) / (nodes[k + 1] ** 2 - nodes[k] ** 2)
    # Thickness belongs to the middle of a motion cell: interpolate between the two nearest middles.
    width = nodes[1] - nodes[0]
    position = (radius - nodes[0]) / width - 0.5
    low = min(max(int(np.floor(position)), 0), nodes.size - 2)
    points.low[p] = low
    points.high[p] = min(low + 1, nodes.size - 2)
    points.high_share[p] = min(max(position - low, 0.0), 1.0)


@njit(cache=True, nogil=True)
def locate(coil, turns, part, body, points):
    """Radius, height and mean distance of every point from the state of turns and body."""
    filaments = coil.radius_m.size
    for f in range(filaments):
        t = coil.turn[f]
        points.radius[f] = coil.radius_m[f] + turns.radius[t] - turns.first_radius[t]
        points.height[f] = coil.z_m[f]
    for p in range(filaments, points.used[0]):
        k = points.motion_cell[p]
        inner, outer = body.radius[k], body.radius[k + 1]
        points.radius[p] = sqrt(inner * inner + points.area_fraction[p] * (outer * outer - inner * inner))
        thickness = _thickness(body, points, p)
        points.height[p] = points.z_fraction[p] * thickness
        points.mean_distance[p] = rectangle_mean_distance(
            _width(part, body, points, p), points.height_fraction[p] * thickness
        )


@njit(cache=True, nogil=True)
def _thickness(body, points, p):
    share = points.high_share[p]
    return (1.0 - share) * body.thickness[points.low[p]] + share * body.thickness[points.high[p]]


@njit(cache=True, nogil=True)
def _width(part, body, points, p):
    """Present radial width of a sub-cell: its area follows its motion cell's."""
    k = points.motion_cell[p]
    rest = part.node_radius_m[k + 1] ** 2 - part.node_radius_m[k] ** 2
    now = body.radius[k + 1] ** 2 - body.radius[k] ** 2
    return points.rest_width[p] * points.rest_radius[p] / points.radius[p] * now / rest


@njit(cache=True, nogil=True)
def resistances(coil, turns, part, body, points, coil_resistivity, part_resistivity, out):
    """Resistance (ohm) of every filament and cell from resistivities (ohm m, same order)."""
    filaments = coil.radius_m.size
    for f in range(filaments):
        t = coil.turn[f]
        area = coil.area_m2[f] * turns.first_radius[t] / turns.radius[t]
        out[f] = coil_resistivity[f] * 2.0 * pi * points.radius[f] / area
    cells = part.cell_column.size
    # A cell's current density is uniform: R = rho 2 pi (mean radius) / section.
    section = np.zeros(cells)
    mean_radius = np.zeros(cells)
    for p in range(filaments, points.used[0]):
        c = points.cell[p] - filaments
        section[c] += _width(part, body, points, p) * points.height_fraction[p] * _thickness(body, points, p)
        mean_radius[c] += points.share[p] * points.radius[p]
    for c in range(cells):
        out[filaments + c] = part_resistivity[c] * 2.0 * pi * mean_radius[c] / section[c]


@njit(cache=True, nogil=True)
def lorentz(coil, part, body, points, current, by_radius, by_height, loads):
    """Lorentz forces from currents (A, per filament and cell) and the slopes of the inductance matrix.

    A point's force is shared between the nodes and thicknesses that place it, so that its virtual
    work is the same: total and first moment are kept exactly.
    """
    filaments, n = coil.radius_m.size, current.size
    loads.turn[:] = 0.0
    loads.node[:] = 0.0
    loads.spread[:] = 0.0
    loads.inward[0] = 0.0
    for f in range(filaments):
        force = current[f] * dot(by_radius[f], current, n)
        loads.turn[coil.turn[f]] += coil.multiplicity[f] * force
    for p in range(filaments, points.used[0]):
        carried = points.share[p] * current[points.cell[p]]
        # Twice: the mirror image pushes the same nodes.
        outward = 2.0 * carried * dot(by_radius[p], current, n)
        upward = 2.0 * carried * dot(by_height[p], current, n)
        loads.inward[0] -= outward
        _push(part, body, points, p, outward, upward, carried, loads)


@njit(cache=True, nogil=True)
def _push(part, body, points, p, outward, upward, carried, loads):
    k, radius = points.motion_cell[p], points.radius[p]
    inner, outer = body.radius[k], body.radius[k + 1]
    share = points.area_fraction[p]
    annulus = outer * outer - inner * inner
    width = _width(part, body, points, p)
    height = points.height_fraction[p] * _thickness(body, points, p)
    # A sub-cell that changes shape changes its self inductance: its own pinch.
    pinch = carried * carried * ring_self_by_swelling(radius, points.mean_distance[p]) / (width + height)
    inner_by, outer_by = (1.0 - share) * inner / radius, share * outer / radius
    loads.node[k] += outward * inner_by - pinch * width * (inner_by / radius + 2.0 * inner / annulus)
    loads.node[k + 1] += outward * outer_by - pinch * width * (outer_by / radius - 2.0 * outer / annulus)
    squeeze = upward * points.z_fraction[p] + pinch * points.height_fraction[p]
    loads.spread[points.low[p]] += (1.0 - points.high_share[p]) * squeeze
    loads.spread[points.high[p]] += points.high_share[p] * squeeze


@njit(cache=True, nogil=True)
def axial_field(points, current, radius):
    """Axial field (T) on the mid-plane at `radius` (m): 2 pi r B_z is the flux linkage's slope."""
    total = 0.0
    for p in range(points.used[0]):
        slope = mutual_gradient(points.radius[p], radius, points.height[p])[2]
        total += points.weight[p] * points.share[p] * current[points.cell[p]] * slope
    return total / (2.0 * pi * radius)
