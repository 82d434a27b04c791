"""The section of one conductor cut into a bundle of filaments in parallel: round wire into rings, strip into a grid.

How it is cut was fitted to 202 random finite-element cases of all kinds (fixed geometry, constant conductivity): what a
filament stands for does not carry its current evenly, so the filament sits where the current does.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, cos, pi, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from physics.loops import annulus_mean_distance, circle_mean_distance, rectangle_mean_distance

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Wire thicker than so many gaps or skin depths is cut into more sectors, up to a number: its current sits unevenly.
_GAPS_PER_RADIUS, _SKINS_PER_RADIUS, _MOST_SECTORS = 1.3, 2.2, 18
#: Of the second moment that a sector has by itself so much counts as distance of its filament from the wire's axis.
_OWN = 0.5
#: Where the skin is thinner than the wire, the current of one of n sectors lies further apart than in all of it, by
#: this share of 1 - (3/n)^2. But never so far, over the distance of neighbours, that the matrix is no longer definite.
_APART, _FARTHEST_APART = 0.31, 0.45
#: A sector of an outer ring of two is at most so many times as long as it is thick.
_LONGEST_SECTOR = 2.2
#: Half of a strip's cell in the middle is at most so much of what the next one from the face would be.
_STRIP_MIDDLE = 0.6


@dataclass(frozen=True)
class Cut:
    """How finely a section is cut: sectors of a round wire in rings round its core, cells of a strip."""

    rings: tuple[float, ...]  # thickness in skin depths, outermost first
    thickest: float  # in wire radii, where the skin is thinner than the wire: neighbours still crowd the current
    sectors: int  # of the inner ring, at least; a second one has twice as many
    face_skins: float  # thickness of a strip's outermost cells in skin depths, at most
    growth: float  # of the next ones
    faces: int  # at most so many cells from each face
    whole: float  # a strip thinner than so many skin depths is one cell ...
    halves: float  # ... and thinner than so many two, one outside the other
    longest_piece: float  # a loop stands for a piece of a cell about so many times as long as thick at most
    # The current of a strip's cells flows nearer to its faces: of the outermost and the next by so much of their width.
    to_faces: tuple[float, ...] = (0.07, 0.03)


COARSE = Cut(
    (1.28,), thickest=0.55, sectors=3,
    face_skins=1.6, growth=2.5, faces=4, whole=1.0, halves=2.0, longest_piece=1.4,
)  # fmt: skip
USUAL = Cut(
    (1.2,), thickest=0.5, sectors=6,
    face_skins=1.0, growth=1.8, faces=4, whole=0.8, halves=1.6, longest_piece=1.0,
)  # fmt: skip
FINE = Cut(
    (0.65, 1.05), thickest=0.35, sectors=6,
    face_skins=0.5, growth=1.6, faces=8, whole=0.5, halves=1.0, longest_piece=1.0,
)  # fmt: skip


@dataclass(frozen=True)
class Bundle:
    """Filaments of one conductor and their points: offsets along radius and axis, own mean distances (all m, m^2)."""

    x_m: Floats  # (filaments,)
    y_m: Floats
    area_m2: Floats
    point_filament: Ints  # (points,)
    point_x_m: Floats
    point_y_m: Floats
    point_mean_distance_m: Floats
    point_share: Floats


def round_bundle(wire_radius: float, gap: float, skin_depth: float, cut: Cut) -> Bundle:
    """Cut a round wire (m) at this gap (m) from the part into a core and rings, as thin as the skin asks.

    A sector's filament sits where the ring's mean square radius is, less half of what the sector has by itself: with
    all of that taken off the section's second moment would be kept, with none the filaments alone would have it.
    """
    finer = max(wire_radius / (_GAPS_PER_RADIUS * gap), wire_radius / (_SKINS_PER_RADIUS * skin_depth), 1.0)
    sectors = min(_MOST_SECTORS, round(cut.sectors * finer))
    rings = len(cut.rings)
    # What the skin does grows with the fourth power of the radius over it (Rayleigh), until it is all there is.
    skinned = min(1.0, (wire_radius / skin_depth) ** 4)
    # Areas in the ratio 1 : 6 : 12 ... unless the skin is thinner than that.
    counts = np.array([1] + [sectors * ring for ring in range(1, rings + 1)])
    edges = wire_radius * np.sqrt(np.cumsum(counts) / counts.sum())
    for ring in range(rings, 0, -1):
        around = sectors * ring
        thickness = cut.rings[rings - ring] * skin_depth
        if skin_depth < wire_radius:
            thickness = min(thickness, cut.thickest * wire_radius)
        # Sectors stay stout, so that the matrix stays definite: their mean arc is pi (2 R - t) / around.
        thickness = min(thickness, 1.5 * 2.0 * pi * edges[ring] / (around + 1.5 * pi))
        if rings > 1:
            thickness = max(thickness, 2.0 * pi * edges[ring] / around / _LONGEST_SECTOR)
        edges[ring - 1] = max(edges[ring - 1], edges[ring] - thickness)
    rows = [(0.0, 0.0, pi * edges[0] ** 2, circle_mean_distance(float(edges[0])))]
    for ring in range(1, rings + 1):
        inner, outer, around = float(edges[ring - 1]), float(edges[ring]), sectors * ring
        arc, area = pi * (inner + outer) / around, pi * (outer**2 - inner**2) / around
        rho = sqrt(0.5 * (inner**2 + outer**2) - (1.0 - _OWN) * ((outer - inner) ** 2 + arc**2) / 12.0)
        # All n together have the mean distance of the ring: n places on a circle lie n rho^(n-1) apart, as a product.
        distance = annulus_mean_distance(inner, outer) ** around / (around * rho ** (around - 1))
        distance *= 1.0 + skinned * _APART * (1.0 - (3.0 / around) ** 2)
        distance = min(distance, _FARTHEST_APART * 2.0 * rho * sin(pi / around))
        rows += [
            (rho * cos(angle), rho * sin(angle), area, distance)
            for angle in (pi + 2.0 * pi * k / around for k in range(around))
        ]
    x, y, area_m2, distances = (np.ascontiguousarray(column) for column in np.array(rows).T)
    distances[1:] *= _ratio_to_whole(x, y, area_m2, distances, circle_mean_distance(wire_radius)) ** (1.0 - skinned)
    return Bundle(x, y, area_m2, np.arange(x.size, dtype=np.int64), x, y, distances, np.ones(x.size))


def _ratio_to_whole(x: Floats, y: Floats, area: Floats, own: Floats, whole: float) -> float:
    """What own mean distances (m) but the core's are to be multiplied by for the bundle to have that of the `whole`.

    With an even current; places are in m, areas in m^2.
    """
    distance = np.hypot(x[:, None] - x, y[:, None] - y)
    np.fill_diagonal(distance, own)
    share = area / area.sum()
    found = share @ np.log(distance) @ share
    return float(np.exp((np.log(whole) - found) / np.square(share[1:]).sum()))


def strip_bundle(radial: float, axial: float, skin_depth: float, cut: Cut) -> Bundle:
    """Cut a flat strip (m) into a grid of filaments, finer towards its faces."""
    halved = cut.whole * skin_depth <= radial < cut.halves * skin_depth
    across = np.array([-0.5, 0.0, 0.5]) * radial if halved else _strip_edges(radial, skin_depth, cut)
    # Along the axis an odd number: the filament in the middle of a turn on the mid-plane has no mirror image.
    along = _strip_edges(axial, skin_depth, cut)
    outward, upward = _strip_shifts(across, cut), _strip_shifts(along, cut)
    middle = (len(across) // 2 - 1, len(along) // 2 - 1)
    grid = [(i, j) for i in range(len(across) - 1) for j in range(len(along) - 1)]
    grid.sort(key=lambda cell: cell != middle)
    filaments, points = [], []
    for index, (i, j) in enumerate(grid):
        width, height = float(across[i + 1] - across[i]), float(along[j + 1] - along[j])
        filaments.append((0.5 * (across[i] + across[i + 1]), 0.5 * (along[j] + along[j + 1]), width * height))
        columns, rows = (max(1, ceil(side / cut.longest_piece - 0.25)) for side in (width / height, height / width))
        distance = rectangle_mean_distance(width / columns, height / rows)
        points += [
            (index, across[i] + (a + 0.5) * width / columns + outward[i],
             along[j] + (b + 0.5) * height / rows + upward[j], distance, 1.0 / (columns * rows))
            for a in range(columns) for b in range(rows)
        ]  # fmt: skip
    x, y, area_m2 = (np.ascontiguousarray(column) for column in np.array(filaments).T)
    owner, point_x, point_y, distances, share = (np.ascontiguousarray(column) for column in np.array(points).T)
    return Bundle(x, y, area_m2, owner.astype(np.int64), point_x, point_y, distances, share)


def _strip_edges(width: float, skin_depth: float, cut: Cut) -> Floats:
    """Edges of an odd number of cells, symmetric, no thicker than the skin at both faces and growing inwards."""
    half = 0.5 * width
    if width < cut.whole * skin_depth:
        return np.array([-half, half])
    face, cells = cut.face_skins * skin_depth, 1
    reached = face * (1.0 + _STRIP_MIDDLE * cut.growth)
    while reached < half and cells < cut.faces:
        # What was half of the cell in the middle becomes a cell.
        reached += face * cut.growth**cells * (1.0 - _STRIP_MIDDLE + _STRIP_MIDDLE * cut.growth)
        cells += 1
    # As many cells as that, all thinner or thicker by the same factor.
    from_face = np.cumsum(half / reached * face * cut.growth ** np.arange(cells)) - half
    return np.concatenate([[-half], from_face, -from_face[::-1], [half]])


def _strip_shifts(edges: Floats, cut: Cut) -> Floats:
    """How far (m) the current of each cell between such edges flows from its middle, upwards positive."""
    widths, shifts = np.diff(edges), np.zeros(edges.size - 1)
    for k, share in enumerate(cut.to_faces):
        if k < widths.size // 2:
            shifts[k], shifts[-1 - k] = -share * widths[k], share * widths[k]
    return shifts
