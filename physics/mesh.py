"""Sections cut into filaments: turns into bundles of them, the workpiece into cells.

The section is symmetric about the mid-plane, so only z >= 0 is stored. A filament off the plane
stands for itself and its mirror image (weight 2), one on the plane for itself (weight 1).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, log, log1p, pi
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from physics.bundle import Bundle, Cut, round_bundle, strip_bundle
from physics.winding import Winding, places

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_ON_PLANE_M = 1e-9

#: Thickness of the row of cells at the part's face in skin depths, at most.
_LAST_ROW_SKINS = 0.8


class CoilMesh(NamedTuple):
    """Filaments of the turns at z >= 0, and the points they consist of; the first filament of a turn is its centre.

    `turn` numbers the turns kept (mirror pairs count once); `multiplicity` says how many filaments
    of one and the same turn a row stands for. Turns are numbered layer by layer from the bore. A
    filament of a round wire is one point, one of a strip has as many as keep them roughly square.
    """

    radius_m: Floats  # (filaments,), of what each stands for; its current flows where its points are
    height_m: Floats
    weight: Floats
    multiplicity: Floats
    area_m2: Floats
    turn: Ints
    point_filament: Ints  # (points,)
    point_radius_m: Floats
    point_z_m: Floats
    point_mean_distance_m: Floats
    point_share: Floats  # of the filament's current
    point_weight: Floats
    point_multiplicity: Floats  # how many points of one turn it stands for
    centre: Ints  # (turns,)
    turn_weight: Floats
    turn_radius_m: Floats
    turn_z_m: Floats
    turn_layer: Ints


class PartMesh(NamedTuple):
    """Current cells of the upper half of the workpiece and its mechanical mesh, as they were at rest.

    Both meshes are material: they deform with the workpiece. The mechanical mesh has slices along
    the axis, each of one metal, and radial cells; a row of current cells lies inside one slice.
    """

    cell_left_m: Floats  # (cells,) radius at rest
    cell_right_m: Floats
    cell_bottom: Floats  # (cells,) place within the slice, 0 to 1
    cell_top: Floats
    cell_column: Ints
    cell_slice: Ints
    cell_volume_m3: Floats  # of the upper half
    node_radius_m: Floats  # (motion cells + 1,)
    level_m: Floats  # (slices + 1,) from the mid-plane up
    slice_metal: Ints  # (slices,)
    size_share: Floats  # (slices,) share of each in the diameters reported
    column_in_motion: Floats  # (motion cells, columns) share of a motion cell that lies in a column
    motion_in_column: Floats  # (columns, motion cells) share of a column that lies in a motion cell
    longest_piece: float  # a loop stands for a piece of a cell about so many times as long as thick at most


def mesh_coil(winding: Winding, part_radius: float, gap: float, skin_depth: float, cut: Cut) -> CoilMesh:
    """Cut a coil whose bare conductor begins `gap` outside `part_radius` (both m) into filaments."""
    if winding.is_round:
        wire = round_bundle(0.5 * winding.radial_m, gap, skin_depth, cut)
    else:
        wire = strip_bundle(winding.radial_m, winding.axial_m, skin_depth, cut)
    turns = places(winding, part_radius + gap)
    on_plane = [turn.z_m < _ON_PLANE_M for turn in turns]
    each = {flag: _kept(wire, on_plane=flag) for flag in set(on_plane)}
    kept = [each[flag] for flag in on_plane]
    radius, height = np.array([turn.radius_m for turn in turns]), np.array([turn.z_m for turn in turns])
    filaments, points = [part.filament.size for part in kept], [part.point.size for part in kept]
    filament, point = (np.concatenate(rows) for rows in ([p.filament for p in kept], [p.point for p in kept]))
    first = np.concatenate([[0], np.cumsum(filaments)[:-1]])
    return CoilMesh(
        radius_m=np.repeat(radius, filaments) + wire.x_m[filament],
        height_m=np.repeat(height, filaments) + np.concatenate([part.y_m for part in kept]),
        weight=np.concatenate([part.weight for part in kept]),
        multiplicity=np.concatenate([part.times for part in kept]),
        area_m2=wire.area_m2[filament],
        turn=np.repeat(np.arange(len(turns)), filaments),
        point_filament=np.repeat(first, points) + np.concatenate([part.owner for part in kept]),
        point_radius_m=np.repeat(radius, points) + wire.point_x_m[point],
        point_z_m=np.repeat(height, points) + np.concatenate([part.point_y_m for part in kept]),
        point_mean_distance_m=wire.point_mean_distance_m[point],
        point_share=wire.point_share[point],
        point_weight=np.concatenate([part.point_weight for part in kept]),
        point_multiplicity=np.concatenate([part.point_times for part in kept]),
        centre=first,
        turn_weight=np.where(on_plane, 1.0, 2.0),
        turn_radius_m=radius,
        turn_z_m=height,
        turn_layer=np.array([turn.layer for turn in turns], dtype=np.int64),
    )


class _Kept(NamedTuple):
    """What is kept of a turn's bundle: all of it, or on the mid-plane what is not below; places in the bundle."""

    filament: Ints
    y_m: Floats
    times: Floats  # how many filaments of the turn each stands for
    weight: Floats
    point: Ints
    owner: Ints  # place among the filaments kept
    point_y_m: Floats
    point_times: Floats
    point_weight: Floats


def _kept(wire: Bundle, *, on_plane: bool) -> _Kept:
    if not on_plane:
        filaments, points = np.arange(wire.x_m.size), np.arange(wire.point_x_m.size)
        ones, point_ones = np.ones(filaments.size), np.ones(points.size)
        owner, point_y = wire.point_filament, wire.point_y_m
        return _Kept(filaments, wire.y_m, ones, 2.0 * ones, points, owner, point_y, point_ones, 2.0 * point_ones)
    times, point_times = _mirrored(wire.y_m), _mirrored(wire.point_y_m)
    above = times > 0.0
    filaments, points = np.flatnonzero(above), np.flatnonzero((point_times > 0.0) & above[wire.point_filament])
    owner = (np.cumsum(above) - 1)[wire.point_filament[points]]
    times, point_times = times[filaments], point_times[points]
    # What is cut by the mid-plane is kept with its upper points alone.
    y = np.where(times > 1.0, wire.y_m[filaments], 0.0)
    point_y = np.where(point_times > 1.0, wire.point_y_m[points], 0.0)
    return _Kept(filaments, y, times, times, points, owner, point_y, point_times, point_times)


def _mirrored(y: Floats) -> Floats:
    """How many places at heights y (m) in a turn on the mid-plane each stands for: below the plane none are kept."""
    return np.where(np.abs(y) < _ON_PLANE_M, 1.0, np.where(y > 0.0, 2.0, 0.0))


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


@dataclass(frozen=True)
class Slice:
    """One slice of the upper half of the workpiece: its height (m), metal (row of the tables) and rows of cells."""

    height_m: float
    metal: int
    rows: int


def mesh_part(
    inner_radius: float,
    outer_radius: float,
    slices: Sequence[Slice],
    skin_depth: float,
    columns: int,
    growth: float,
    motion_cells: int,
    *,
    longest_piece: float = 1.0,
    is_tall: bool = False,
) -> PartMesh:
    """Cut the upper half of the workpiece into current cells and a mechanical mesh.

    Columns are graded into the rim: the first is 3 skin depths / columns wide, each next one wider by
    a factor `growth`, or more where the given number of columns would not do. Rows of the outermost
    slice are cosine-spaced towards the face, the last no thicker than the skin there. The diameters of a tall part are
    those at its mid-length, of another one the mean over its height.
    """
    first = 3.0 * skin_depth / columns
    # A thin wall needs fewer columns.
    reached = log1p((growth - 1.0) * (outer_radius - inner_radius) / first) / log(growth)
    columns = min(columns, max(3, ceil(reached)))
    edges = graded_edges(inner_radius, outer_radius, columns, first)
    nodes = np.linspace(inner_radius, outer_radius, motion_cells + 1)
    column_area = np.diff(edges**2)
    overlap = _shared_area(edges, nodes)
    rows = [
        (index, low, high, piece.height_m * (high - low))
        for index, piece in enumerate(slices)
        for low, high in _row_edges(piece.rows, skin_depth / piece.height_m, outermost=index == len(slices) - 1)
    ]
    column, row = np.divmod(np.arange(columns * len(rows), dtype=np.int64), len(rows))
    table = np.array(rows)[row]
    heights = np.array([piece.height_m for piece in slices])
    return PartMesh(
        cell_left_m=edges[column],
        cell_right_m=edges[column + 1],
        cell_bottom=np.ascontiguousarray(table[:, 1]),
        cell_top=np.ascontiguousarray(table[:, 2]),
        cell_column=column,
        cell_slice=table[:, 0].astype(np.int64),
        cell_volume_m3=pi * column_area[column] * table[:, 3],
        node_radius_m=nodes,
        level_m=np.concatenate([[0.0], np.cumsum(heights)]),
        slice_metal=np.array([piece.metal for piece in slices], dtype=np.int64),
        size_share=np.eye(len(slices))[0] if is_tall else heights / heights.sum(),
        column_in_motion=np.ascontiguousarray((overlap / np.diff(nodes**2)[None, :]).T),
        motion_in_column=np.ascontiguousarray(overlap / column_area[:, None]),
        longest_piece=longest_piece,
    )


def _row_edges(count: int, skin_depth: float, *, outermost: bool) -> list[tuple[float, float]]:
    """Bottom and top of each row as shares of its slice, as is `skin_depth`; towards the face rows get thinner."""
    share = np.arange(count + 1) / count
    levels = np.sin(0.5 * pi * share) if outermost else share
    last = _LAST_ROW_SKINS * skin_depth
    if outermost and count > 1 and 1.0 - levels[-2] > last:
        levels = graded_edges(0.0, 1.0, count, last)
    return [(float(low), float(high)) for low, high in pairwise(levels)]


def _shared_area(edges: Floats, nodes: Floats) -> Floats:
    """Area (over pi) that each column shares with each mechanical cell, shape (columns, motion cells)."""
    low = np.maximum(edges[:-1, None], nodes[None, :-1])
    high = np.maximum(np.minimum(edges[1:, None], nodes[None, 1:]), low)
    return np.asarray(high**2 - low**2, dtype=np.float64)
