"""Graded triangles over the upper half of a meridian section: circles and boxes in air, closed by a quarter circle.

Points are laid on all lines that the mesh has to follow, a quadtree fills the rest to a size that grows with the
distance from the conductors, and Delaunay's triangulation joins them. Edges on circles are curved.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import Delaunay, cKDTree
from skfem import MeshTri, MeshTri2

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Lengths below this part of the domain's radius count as zero.
TINY_RATIO = 1e-9
SMOOTHING_ROUNDS = 6


@dataclass(frozen=True)
class Circle:
    """A round section, the whole of it even where it crosses the mid-plane or the axis."""

    r: float
    z: float
    radius: float

    def distance(self, points: Floats) -> Floats:
        """Distance from the outline, negative inside."""
        return np.hypot(points[:, 0] - self.r, points[:, 1] - self.z) - self.radius

    def mirrored(self) -> Circle:
        return replace(self, z=-self.z)

    def area(self) -> float:
        """Area of the part that is meshed."""
        quarters = (2 if self.r > 0 else 1) * (2 if self.z > 0 else 1)
        return np.pi * self.radius**2 * quarters / 4

    def reach(self) -> float:
        """Distance of its farthest point from the origin."""
        return float(np.hypot(self.r, self.z)) + self.radius

    def corners(self) -> Floats:
        return np.empty((0, 2))

    def path(self) -> Floats:
        """The outline where r and z are not negative, densely sampled."""
        first = -np.pi / 2 if self.z > 0 else 0.0
        last = np.pi / 2 if self.r == 0 else (3 * np.pi / 2 if self.z > 0 else np.pi)
        angles = np.linspace(first, last, 4001)
        path = np.array([self.r, self.z]) + self.radius * np.column_stack([np.cos(angles), np.sin(angles)])
        return np.where(np.abs(path) < TINY_RATIO * self.radius, 0.0, path)


@dataclass(frozen=True)
class Box:
    """A rectangular section, the whole of it even where it crosses the mid-plane or the axis."""

    r_min: float
    r_max: float
    z_min: float
    z_max: float

    def distance(self, points: Floats) -> Floats:
        """Distance from the outline, negative inside."""
        middle = np.array([self.r_min + self.r_max, self.z_min + self.z_max]) / 2
        half = np.array([self.r_max - self.r_min, self.z_max - self.z_min]) / 2
        beyond = np.abs(points - middle) - half
        outside = np.hypot(*np.maximum(beyond, 0.0).T)
        return np.asarray(outside + np.minimum(beyond.max(axis=1), 0.0))

    def mirrored(self) -> Box:
        return replace(self, z_min=-self.z_max, z_max=-self.z_min)

    def area(self) -> float:
        """Area of the part that is meshed."""
        return (self.r_max - max(self.r_min, 0.0)) * (self.z_max - max(self.z_min, 0.0))

    def reach(self) -> float:
        """Distance of its farthest point from the origin."""
        return float(np.hypot(self.r_max, self.z_max))

    def corners(self) -> Floats:
        """Corners where r and z are not negative."""
        ends = [(r, z) for r in (self.r_min, self.r_max) for z in (self.z_min, self.z_max)]
        return np.array([end for end in ends if min(end) >= 0.0]).reshape(-1, 2)

    def sides(self) -> list[Floats]:
        """The sides where r and z are not negative, each by its two ends."""
        low, left = max(self.z_min, 0.0), max(self.r_min, 0.0)
        sides = [[(self.r_max, low), (self.r_max, self.z_max)], [(left, self.z_max), (self.r_max, self.z_max)]]
        if self.r_min > 0:
            sides.append([(self.r_min, low), (self.r_min, self.z_max)])
        if self.z_min > 0:
            sides.append([(left, self.z_min), (self.r_max, self.z_min)])
        return [np.array(side) for side in sides]


Shape = Circle | Box


@dataclass(frozen=True)
class Region:
    """A conductor of one conductivity and the wanted edge of a triangle at its outline."""

    shape: Shape
    edge_m: float
    conductor: int


@dataclass(frozen=True)
class Fineness:
    """How fine the mesh is near the outlines and how it coarsens away from them."""

    #: Factor on all edges of triangles.
    coarseness: float = 1.0
    #: Growth of the edges with the distance from an outline.
    growth_ratio: float = 0.22
    #: Edges between two conductors, where they are nearest and everywhere else.
    edges_across_gap: float = 4.0
    #: Edges at the corner of a box over those along its sides.
    corner_ratio: float = 0.35
    #: The outer boundary, where the potential is zero, over the farthest reach of a conductor.
    outer_ratio: float = 60.0
    #: Edges at the outer boundary over its radius.
    outer_edge_ratio: float = 0.12


@dataclass(frozen=True)
class SectionMesh:
    """The mesh and the region of each triangle, -1 in air."""

    mesh: MeshTri2
    region: Ints
    radius_m: float


class EdgeLength:
    """The wanted edge of a triangle anywhere in the section."""

    def __init__(self, regions: list[Region], radius_m: float, fineness: Fineness) -> None:
        self.fineness = fineness
        self.longest_m = fineness.outer_edge_ratio * radius_m
        mirrored = [replace(region, shape=region.shape.mirrored()) for region in regions]
        pairs = zip(regions, mirrored, strict=True)
        self.outlines = regions + [image for region, image in pairs if image.shape != region.shape]
        # Where an outline is mirrored the image is another conductor.
        self.owners = [r.conductor for r in regions] + [-1 - r.conductor for r in self.outlines[len(regions) :]]
        self.corners = [(region.shape.corners(), region.edge_m * fineness.corner_ratio) for region in regions]

    def __call__(self, points: Floats) -> Floats:
        growth = self.fineness.growth_ratio
        distances = np.array([np.abs(outline.shape.distance(points)) for outline in self.outlines])
        edges = np.array([outline.edge_m for outline in self.outlines])[:, None]
        wanted = np.min(edges + growth * distances, axis=0)
        wanted = np.minimum(wanted, self._across_gap(distances))
        for corners, edge_m in self.corners:
            if corners.size:
                wanted = np.minimum(wanted, edge_m + growth * cKDTree(corners).query(points)[0])
        return np.asarray(self.fineness.coarseness * np.minimum(wanted, self.longest_m))

    def _across_gap(self, distances: Floats) -> Floats:
        """A fraction of the way between the two nearest conductors."""
        owners = np.array(self.owners)
        nearest = np.array([distances[owners == owner].min(axis=0) for owner in sorted(set(self.owners))])
        if len(nearest) < 2:
            return np.full(distances.shape[1], np.inf)
        return np.asarray(np.partition(nearest, 1, axis=0)[:2].sum(axis=0) / self.fineness.edges_across_gap)


def mesh_section(regions: list[Region], radius_m: float, fineness: Fineness) -> SectionMesh:
    """Mesh the quarter disc of a radius so that every outline is followed by edges."""
    edge_length = EdgeLength(regions, radius_m, fineness)
    lines = _lines(regions, radius_m, edge_length)
    fixed, segments = _joined(lines, radius_m)
    free = _free_points(fixed, segments, radius_m, edge_length)
    points, triangles = _smoothed(fixed, free, segments)
    straight = MeshTri(points.T.copy(), triangles.T.copy())
    _assert_follows(straight, segments)
    region = _region_of(regions, straight.p[:, straight.t].mean(axis=1).T)
    mesh = _curved(MeshTri2.from_mesh(straight), regions, segments)
    return SectionMesh(mesh, region, radius_m)


def _lines(regions: list[Region], radius_m: float, edge_length: EdgeLength) -> list[Floats]:
    """All lines that edges must follow, cut into edges of the wanted length."""
    angles = np.linspace(0.0, np.pi / 2, 2001)
    outer = radius_m * np.column_stack([np.cos(angles), np.sin(angles)])
    outer[0, 1], outer[-1, 0] = 0.0, 0.0
    paths = [outer]
    for region in regions:
        shape = region.shape
        paths += [shape.path()] if isinstance(shape, Circle) else [_dense(*side) for side in shape.sides()]
    ends = np.concatenate([path[[0, -1]] for path in paths])
    corners = np.concatenate([np.zeros((1, 2)), ends])
    paths += _axis_pieces(corners, radius_m, 0) + _axis_pieces(corners, radius_m, 1)
    return [_cut(path, edge_length) for path in paths]


def _axis_pieces(corners: Floats, radius_m: float, along: int) -> list[Floats]:
    """The pieces of the axis (along z, 1) or of the mid-plane (along r, 0) between the outlines that end there."""
    on_axis = corners[np.abs(corners[:, 1 - along]) < TINY_RATIO * radius_m, along]
    stops = np.unique(np.round(on_axis / radius_m, 9)) * radius_m
    unit = np.eye(2)[along]
    return [_dense(a * unit, b * unit) for a, b in pairwise(stops)]


def _dense(start: Floats, end: Floats) -> Floats:
    return start + np.linspace(0.0, 1.0, 4001)[:, None] * (end - start)


def _cut(path: Floats, edge_length: EdgeLength) -> Floats:
    """Points on a densely sampled path, their spacing the wanted edge."""
    step = np.hypot(*np.diff(path, axis=0).T)
    middle = (path[1:] + path[:-1]) / 2
    count = np.concatenate([[0.0], np.cumsum(step / edge_length(middle))])
    edges = max(2, int(np.ceil(count[-1])))
    place = np.interp(np.linspace(0.0, count[-1], edges + 1), count, np.arange(len(path)))
    cut = np.column_stack([np.interp(place, np.arange(len(path)), path[:, axis]) for axis in (0, 1)])
    cut[[0, -1]] = path[[0, -1]]
    return cut


def _joined(lines: list[Floats], radius_m: float) -> tuple[Floats, Ints]:
    """The points of all lines, common ones once, and the pairs that are edges."""
    points = np.concatenate(lines)
    same = np.arange(len(points))
    for first, second in sorted(cKDTree(points).query_pairs(10 * TINY_RATIO * radius_m)):
        same[second] = same[first]
    kept, index = np.unique(same, return_inverse=True)
    starts = np.cumsum([0] + [len(line) for line in lines])
    pairs = [np.column_stack([index[a : b - 1], index[a + 1 : b]]) for a, b in pairwise(starts)]
    segments = np.unique(np.sort(np.concatenate(pairs), axis=1), axis=0)
    return points[kept], segments


def _free_points(fixed: Floats, segments: Ints, radius_m: float, edge_length: EdgeLength) -> Floats:
    """Centres of a quadtree's leaves, except where the lines' own points are near."""
    corner, size = np.zeros((1, 2)), np.array([radius_m])
    leaves = []
    while len(size):
        centre = corner + size[:, None] / 2
        split = size > 0.95 * edge_length(centre)
        leaves.append(centre[~split])
        half = size[split, None] / 2
        corner = np.concatenate([corner[split] + half * np.array(q) for q in ((0, 0), (1, 0), (0, 1), (1, 1))])
        size = np.tile(half[:, 0], 4)
    points = np.concatenate(leaves)
    points = points[np.hypot(*points.T) < radius_m * np.cos(edge_length.longest_m / radius_m)]
    distance, nearest = cKDTree(fixed).query(points)
    return np.asarray(points[distance > 0.75 * _spacing(fixed, segments)[nearest]])


def _spacing(fixed: Floats, segments: Ints) -> Floats:
    """The longest edge that ends at each point."""
    length = np.hypot(*(fixed[segments[:, 0]] - fixed[segments[:, 1]]).T)
    spacing = np.zeros(len(fixed))
    for end in (0, 1):
        np.maximum.at(spacing, segments[:, end], length)
    return spacing


def _smoothed(fixed: Floats, free: Floats, segments: Ints) -> tuple[Floats, Ints]:
    """Triangles after free points have moved to the middle of their neighbours a few times."""
    tree, spacing = cKDTree(fixed), _spacing(fixed, segments)
    for _ in range(SMOOTHING_ROUNDS):
        triangles = _triangles(np.concatenate([fixed, free]))
        moved = _middle_of_neighbours(np.concatenate([fixed, free]), triangles)[len(fixed) :]
        distance, nearest = tree.query(moved)
        clear = distance > 0.72 * spacing[nearest]
        free = np.where(clear[:, None], moved, free)
    points = np.concatenate([fixed, free])
    return points, _triangles(points)


def _middle_of_neighbours(points: Floats, triangles: Ints) -> Floats:
    pairs = np.concatenate([triangles[:, [a, b]] for a in range(3) for b in range(3) if a != b])
    total = np.zeros_like(points)
    count = np.zeros(len(points))
    np.add.at(total, pairs[:, 0], points[pairs[:, 1]])
    np.add.at(count, pairs[:, 0], 1.0)
    return np.asarray(total / count[:, None])


def _triangles(points: Floats) -> Ints:
    """Delaunay's triangles without those of no area along straight edges."""
    triangles = Delaunay(points).simplices.astype(np.int64)
    a, b, c = (points[triangles[:, i]] for i in range(3))
    u, v = b - a, c - a
    doubled = np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    thick = doubled > 1e-6 * np.maximum((u**2).sum(axis=1), (v**2).sum(axis=1))
    return np.asarray(triangles[thick])


def _assert_follows(mesh: MeshTri, segments: Ints) -> None:
    """Fail where a line is not made of edges, so that no triangle belongs to two regions."""
    edges = {tuple(edge) for edge in np.sort(mesh.facets.T, axis=1).tolist()}
    missing = [edge for edge in segments.tolist() if tuple(edge) not in edges]
    if missing:
        raise ValueError(f"{len(missing)} edges missing, first at {mesh.p[:, missing[0]].T.tolist()}")


def _region_of(regions: list[Region], middles: Floats) -> Ints:
    region = np.full(len(middles), -1, dtype=np.int64)
    for number, candidate in enumerate(regions):
        region[candidate.shape.distance(middles) < 0] = number
    return region


def _curved(mesh: MeshTri2, regions: list[Region], segments: Ints) -> MeshTri2:
    """Move the middles of a circle's edges onto the circle."""
    places = mesh.doflocs.copy()
    ends = mesh.facets.min(axis=0) * mesh.p.shape[1] + mesh.facets.max(axis=0)
    followed = np.isin(ends, segments[:, 0] * mesh.p.shape[1] + segments[:, 1])
    for circle in [region.shape for region in regions if isinstance(region.shape, Circle)]:
        on_circle = np.abs(circle.distance(mesh.p.T)) < 1e-6 * circle.radius
        middle = mesh.dofs.facet_dofs[0, followed & on_circle[mesh.facets].all(axis=0)]
        centre = np.array([[circle.r], [circle.z]])
        offset = places[:, middle] - centre
        places[:, middle] = centre + offset * (circle.radius / np.hypot(*offset))
    return replace(mesh, doflocs=places)
