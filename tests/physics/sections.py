"""Inductance and resistance of sections, for tests that look at the matrices themselves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from physics.bundle import USUAL
from physics.deformation import Body, make_body
from physics.geometry import Points, field_by_current, field_of, locate, make_points, resistances, split
from physics.inductance import Group, assemble
from physics.mesh import CoilMesh, PartMesh, Slice, mesh_coil, mesh_part
from physics.state import Model
from physics.turns import Turns, make_turns
from physics.winding import Winding

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Section:
    """Turns and workpiece with the matrix of their filaments and cells and its slopes, in H and H/m."""

    coil: CoilMesh
    part: PartMesh
    turns: Turns
    body: Body
    points: Points
    matrix: Floats
    by_radius: Floats
    by_height: Floats
    by_swelling: Floats

    def assemble(self) -> Floats:
        """Matrix of the section where turns and body are now; cells stay split as they are."""
        locate(self.coil, self.turns, self.body, self.points)
        p = self.points
        whole = Group(0, p.used[0], 0, len(self.matrix))
        assemble(
            whole, whole, p.radius, p.height, p.mean_distance, p.weight, p.share, p.cell, np.empty((5, p.used[0])),
            self.matrix, self.by_radius, self.by_height, self.by_swelling,
        )  # fmt: skip
        return self.matrix

    def resistance(self, resistivity: float) -> Floats:
        """Resistance (ohm) of every filament and cell, one side of the mid-plane, at one resistivity (ohm m)."""
        filaments, cells = self.coil.radius_m.size, self.part.cell_column.size
        out = np.zeros(filaments + cells)
        resistances(
            self.coil, self.turns, self.points,
            np.full(filaments, resistivity), np.full(cells, resistivity), out,
        )  # fmt: skip
        return out


def make_section(coil: CoilMesh, part: PartMesh, turns: Turns, body: Body) -> Section:
    """The section of these meshes in this state."""
    points = make_points(coil, part)
    split(coil, part, body, points)
    n = coil.radius_m.size + part.cell_column.size
    slopes = (points.used[0], n)
    section = Section(
        coil, part, turns, body, points, np.zeros((n, n)), np.zeros(slopes), np.zeros(slopes), np.zeros(slopes[0])
    )
    section.assemble()
    return section


def section_of(model: Model) -> Section:
    """The section that a run would start from, or continue from after turns and body were moved."""
    return make_section(model.coil, model.part, model.turns, model.body)


def groups_of(section: Section) -> tuple[Group, Group]:
    """Points, filaments and cells of coil and part."""
    own, filaments = section.coil.point_filament.size, section.coil.radius_m.size
    return Group(0, own, 0, filaments), Group(own, section.points.used[0], filaments, len(section.matrix))


@dataclass(frozen=True, eq=False)
class LonePart:
    """A workpiece without a coil: pairs of cells at +-z that carry the same current."""

    section: Section
    inductance: Floats  # (cells, cells) H, of pairs
    resistance: Floats  # (cells,) ohm, of pairs, per unit of resistivity

    def uniform_flux(self) -> Floats:
        """Flux linkage of each pair per tesla of a uniform axial field."""
        return 2.0 * np.pi * self._sum_over_sub_cells(self.section.points.radius**2)

    def axial_field(self, current: Floats, radius: float) -> float:
        """Field (T) of the part's currents on the mid-plane."""
        none, points = np.zeros(self.section.coil.radius_m.size), self.section.points
        by_current = np.empty((2, points.radius.size))
        field_by_current(points, radius, by_current)
        return float(field_of(points, by_current, 0, np.concatenate([none, current])))

    def mean_height(self) -> Floats:
        """Height (m) of the middle of each cell."""
        return self._sum_over_sub_cells(self.section.points.height)

    def cell_area(self) -> Floats:
        """Section (m^2) of each cell at rest."""
        part = self.section.part
        height = np.diff(part.level_m)[part.cell_slice] * (part.cell_top - part.cell_bottom)
        return np.asarray((part.cell_right_m - part.cell_left_m) * height)

    def _sum_over_sub_cells(self, values: Floats) -> Floats:
        points, filaments = self.section.points, self.section.coil.radius_m.size
        rows = slice(self.section.coil.point_filament.size, int(points.used[0]))
        sums = np.bincount(points.cell[rows] - filaments, points.share[rows] * values[rows])
        return np.asarray(sums, dtype=np.float64)


def lone_part(radius: float, thickness: float, columns: int, half_rows: int) -> LonePart:
    """A solid disc or cylinder (m) cut into equal columns; the coil that the mesh wants is far away and left out."""
    # With a skin of a third of the radius (and a hair) and hardly any growth the columns come out equal.
    skin, growth = (1.0 + 1e-9) * radius / 3.0, 1.0 + 1e-6
    part = mesh_part(0.0, radius, [Slice(0.5 * thickness, 0, half_rows)], skin, columns, growth, columns)
    coil = mesh_coil(Winding(1, 1, 1e-3, 1e-3, 1e-3, 1e-3, is_round=True), radius, 9.0 * radius, 1e-3, USUAL)
    body = make_body(part.node_radius_m, part.level_m, np.ones(1), part.slice_metal)
    section = make_section(coil, part, make_turns(coil.turn_radius_m, 1e-8, 1.0), body)
    cells = slice(coil.radius_m.size, None)
    return LonePart(section, section.matrix[cells, cells], 2.0 * section.resistance(1.0)[cells])
