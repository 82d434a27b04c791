"""Sections cut into filaments: round turns into bundles, the workpiece into cells.

The section is symmetric about the mid-plane, so only z >= 0 is stored. A filament off the plane
stands for itself and its mirror image (weight 2), one on the plane for itself (weight 1).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, cos, pi, sin, sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from physics.loops import circle_mean_distance, rectangle_mean_distance

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_ON_PLANE_M = 1e-9

#: Thickness of the rings of a bundle in skin depths, outermost first, for one and for two rings. A plane
#: skin carries its current in one skin depth; with these the finite-element cases come out best.
_SKINS_PER_RING = ((1.0,), (0.6, 1.0))
_LONGEST_SECTOR = 2.2


class CoilMesh(NamedTuple):
    """Filaments of the turns at z >= 0; the first filament of each turn is its centre.

    `turn` numbers the turns kept (mirror pairs count once); `multiplicity` says how many filaments
    of one and the same turn a row stands for.
    """

    radius_m: Floats
    z_m: Floats
    weight: Floats
    multiplicity: Floats
    mean_distance_m: Floats
    area_m2: Floats
    turn: Ints
    centre: Ints
    turn_weight: Floats
    turn_radius_m: Floats


class PartMesh(NamedTuple):
    """Current cells of the upper half of the workpiece and the radial mechanical mesh, as they were at rest.

    Both meshes are material: they deform with the workpiece. Rows of a column share its edges.
    """

    cell_left_m: Floats  # (cells,) radius at rest
    cell_right_m: Floats
    cell_bottom: Floats  # (cells,) z over local thickness, 0 to 1/2
    cell_top: Floats
    cell_column: Ints
    cell_z_share: Floats
    cell_mass_ratio: Floats
    node_radius_m: Floats  # (motion cells + 1,)
    column_in_motion: Floats  # (motion cells, columns) share of a motion cell that lies in a column
    motion_in_column: Floats  # (columns, motion cells) share of a column that lies in a motion cell


@dataclass(frozen=True)
class Bundle:
    """Filaments of one round wire: offsets (m) along radius and axis, section (m^2), own mean distance (m)."""

    x_m: Floats
    y_m: Floats
    area_m2: Floats
    mean_distance_m: Floats


def bundle(wire_radius: float, skin_depth: float, rings: int, sectors: int = 6) -> Bundle:
    """Cut a round wire into a core and `rings` rings of 1, 2, ... times `sectors`, as thin as the skin asks.

    A sector's filament sits where the bundle keeps the second moment of the solid section: its
    squared distance from the axis is the ring's mean square radius less the sector's own.
    """
    # Areas in the ratio 1 : 6 : 12 ... unless the skin is thinner than that.
    counts = np.array([1] + [sectors * ring for ring in range(1, rings + 1)])
    edges = wire_radius * np.sqrt(np.cumsum(counts) / counts.sum())
    for ring in range(rings, 0, -1):
        around = sectors * ring
        thickness = _SKINS_PER_RING[rings - 1][rings - ring] * skin_depth
        # Sectors stay stout, so that the matrix stays definite: their mean arc is pi (2 R - t) / around.
        thickness = min(thickness, 1.5 * 2.0 * pi * edges[ring] / (around + 1.5 * pi))
        if rings > 1:
            thickness = max(thickness, 2.0 * pi * edges[ring] / around / _LONGEST_SECTOR)
        edges[ring - 1] = max(edges[ring - 1], edges[ring] - thickness)
    rows = [(0.0, 0.0, pi * edges[0] ** 2, circle_mean_distance(float(edges[0])))]
    for ring in range(1, rings + 1):
        inner, outer, around = float(edges[ring - 1]), float(edges[ring]), sectors * ring
        thickness, arc = outer - inner, pi * (inner + outer) / around
        rho = sqrt(0.5 * (inner**2 + outer**2) - (thickness**2 + arc**2) / 12.0)
        for k in range(around):
            angle = 2.0 * pi * k / around
            area = pi * (outer**2 - inner**2) / around
            rows.append((rho * cos(angle), rho * sin(angle), area, rectangle_mean_distance(thickness, arc)))
    table = np.array(rows)
    return Bundle(*(np.ascontiguousarray(column) for column in table.T))


def mesh_coil(
    turns: int, pitch: float, wire_diameter: float, part_radius: float, gap: float, skin_depth: float, rings: int
) -> CoilMesh:
    """Cut a single-layer coil whose bare wire begins `gap` outside `part_radius` (both m) into filaments.

    Wire that is thick against the gap or the skin is cut into more sectors: its current sits unevenly.
    """
    wire_radius = 0.5 * wire_diameter
    finer = round(max(wire_radius / (1.5 * gap), wire_radius / (2.5 * skin_depth)))
    wire = bundle(wire_radius, skin_depth, rings, sectors=6 * min(3, max(1, finer)))
    turn_radius = part_radius + gap + wire_radius
    rows: list[tuple[float, ...]] = []
    centre: list[int] = []
    turn_weight: list[float] = []
    for index in range((turns + 1) // 2):
        z_turn = (index + 0.5) * pitch if turns % 2 == 0 else index * pitch
        centre.append(len(rows))
        on_plane = z_turn < _ON_PLANE_M
        turn_weight.append(1.0 if on_plane else 2.0)
        for x, y, area, distance in zip(wire.x_m, wire.y_m, wire.area_m2, wire.mean_distance_m, strict=True):
            if not on_plane:
                rows.append((turn_radius + x, z_turn + y, 2.0, 1.0, distance, area, index))
            elif abs(y) < _ON_PLANE_M:
                rows.append((turn_radius + x, 0.0, 1.0, 1.0, distance, area, index))
            elif y > 0.0:
                rows.append((turn_radius + x, y, 2.0, 2.0, distance, area, index))
    radius, z, weight, multiplicity, mean_distance, area, turn = (np.ascontiguousarray(k) for k in np.array(rows).T)
    return CoilMesh(
        radius_m=radius,
        z_m=z,
        weight=weight,
        multiplicity=multiplicity,
        mean_distance_m=mean_distance,
        area_m2=area,
        turn=turn.astype(np.int64),
        centre=np.array(centre, dtype=np.int64),
        turn_weight=np.array(turn_weight),
        turn_radius_m=np.full(len(centre), turn_radius),
    )


def graded_edges(inner: float, outer: float, columns: int, first: float) -> Floats:
    """Column edges (m, ascending) whose widths grow geometrically from `first` at the outer rim."""
    span = outer - inner
    if first * columns >= span:
        return np.linspace(inner, outer, columns + 1, dtype=np.float64)

    def excess(ratio: float) -> float:
        return first * (ratio**columns - 1.0) / (ratio - 1.0) - span

    ratio = float(brentq(excess, 1.0 + 1e-9, (span / first) ** (1.0 / (columns - 1)) + 1.0))
    depth = first * (ratio ** np.arange(columns + 1) - 1.0) / (ratio - 1.0)
    edges = outer - depth[::-1]
    edges[0], edges[-1] = inner, outer
    return np.asarray(edges, dtype=np.float64)


def mesh_part(
    inner_radius: float,
    outer_radius: float,
    skin_depth: float,
    columns: int,
    half_rows: int,
    motion_cells: int,
) -> PartMesh:
    """Cut the upper half of a flat ring or disc into `columns` x `half_rows` current cells.

    Columns are graded into the rim (first 3 skin depths / columns), rows cosine-spaced towards the
    face.
    """
    # A wall thinner than three skins needs fewer columns of that width.
    first = 3.0 * skin_depth / columns
    columns = min(columns, max(3, ceil((outer_radius - inner_radius) / first)))
    edges = graded_edges(inner_radius, outer_radius, columns, first)
    # Fractions of the thickness, from the mid-plane (0) to the face (1/2).
    levels = 0.5 * np.sin(0.5 * pi * np.arange(half_rows + 1) / half_rows)
    nodes = np.linspace(inner_radius, outer_radius, motion_cells + 1)

    column_area = np.diff(edges**2)
    overlap = _shared_area(edges, nodes)
    columns_of_cells = np.repeat(np.arange(columns, dtype=np.int64), half_rows)
    z_share = np.tile(2.0 * np.diff(levels), columns)
    return PartMesh(
        cell_left_m=edges[columns_of_cells],
        cell_right_m=edges[columns_of_cells + 1],
        cell_bottom=np.tile(levels[:-1], columns),
        cell_top=np.tile(levels[1:], columns),
        cell_column=columns_of_cells,
        cell_z_share=z_share,
        cell_mass_ratio=z_share * column_area[columns_of_cells] / column_area.sum(),
        node_radius_m=nodes,
        column_in_motion=np.ascontiguousarray((overlap / np.diff(nodes**2)[None, :]).T),
        motion_in_column=np.ascontiguousarray(overlap / column_area[:, None]),
    )


def _shared_area(edges: Floats, nodes: Floats) -> Floats:
    """Area (over pi) that each column shares with each mechanical cell, shape (columns, motion cells)."""
    low = np.maximum(edges[:-1, None], nodes[None, :-1])
    high = np.maximum(np.minimum(edges[1:, None], nodes[None, 1:]), low)
    return np.asarray(high**2 - low**2, dtype=np.float64)
