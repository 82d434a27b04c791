"""The section of coil and part at an instant: outline and current density of every filament and cell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray

from physics import state as c
from physics.field_lines import Loops, loops_of
from physics.peak import peak_of
from physics.run import Run
from physics.shot import Shot, check_shot
from physics.simulate import run_shot

Floats = NDArray[np.float64]

#: Shortest and longest time (s) at which a run may be stopped.
_EARLIEST_S, _LATEST_S = 1e-7, 1e-2
#: Points along an edge that a whole cell of the mechanical mesh, or a quarter circle, is drawn with.
_ALONG_CELL, _ALONG_QUARTER = 3, 12
#: A picture reaches at most so many times as far as the section at rest.
_WIDEST = 2.0
#: A coil that reaches so many times as far at the end has left the picture.
_FLOWN = 1.5


@dataclass(frozen=True)
class Patch:
    """A piece of the section with one current density (A/m^2): corners (n, 2), radius and height in m."""

    corners_m: Floats
    density_a_per_m2: float

    @property
    def area_m2(self) -> float:
        """Area inside the corners (shoelace formula)."""
        x, y = self.corners_m.T
        return float(0.5 * abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)))


@dataclass(frozen=True)
class Conductor:
    """One turn's section in filaments."""

    patches: list[Patch]
    radius_m: float
    height_m: float
    size_m: tuple[float, float]  # along radius and axis
    broken: bool


@dataclass(frozen=True)
class Section:
    """Right half of the section, both sides of the mid-plane, at an instant."""

    label: str
    time_s: float
    current_a: float
    turns: list[Conductor]
    part: list[Patch]
    outlines_m: list[Floats]  # open lines round every metal of the part, upper half
    loops: Loops


def sections(run: Run) -> list[Section]:
    """The section at the start, at half the time to peak, at the peak, at burst or highest speed, and at the end."""
    return [section_at(run.shot, time, label) for label, time in instants(run)] + [section_of(run, "end of the run")]


def instants(run: Run) -> list[tuple[str, float]]:
    """What happens and when (s), in order of time; the end of the run goes without saying."""
    time = run.rows[:, c.TIME]
    peak = peak_of(time, np.abs(run.rows[:, c.CURRENT]))[1]
    found = [("switch just closed", _EARLIEST_S), ("half the time to peak", 0.5 * peak), ("peak current", peak)]
    burst = float(run.totals[c.BURST_TIME])
    if burst >= 0.0:
        # One step more, so that the turns are seen broken.
        found.append(("coil bursts", burst + float(run.totals[c.STEP])))
    elif run.model.controls.motion:
        found.append(("rim at its fastest", float(time[np.argmin(run.rows[:, c.SPEED])])))
    found = sorted(((label, max(when, _EARLIEST_S)) for label, when in found), key=lambda instant: instant[1])
    last = min(float(time[-1]), _LATEST_S)
    later = [True, *(after[1] > before[1] for before, after in pairwise(found))]
    return [instant for instant, is_later in zip(found, later, strict=True) if is_later and instant[1] < last]


def section_at(shot: Shot, time: float, label: str) -> Section:
    """The section at this time (s), from the same shot run up to it; a run repeats itself exactly."""
    document = shot.model_dump()
    document["solver"]["stop_time_s"] = max(time, _EARLIEST_S)
    return section_of(run_shot(check_shot(document)), label)


def patches_of(section: Section) -> list[Patch]:
    """Every piece of part and turns."""
    return [*section.part, *(patch for turn in section.turns for patch in turn.patches)]


def extent_of(seen: Sequence[Section]) -> tuple[float, float]:
    """Half width and half height (m) of a picture of all these instants: all but debris that has flown far."""
    rest = _reach(seen[0])[0]
    reaches = [_reach(section) for section in seen]
    # The last instant is the end, when debris may be anywhere.
    widest = max(radius for radius, _ in (reaches[:-1] if reaches[-1][0] > _FLOWN * rest else reaches))
    width = 1.06 * min(max(widest, 1.1 * rest), _WIDEST * rest)
    return width, max(max(height for _, height in reaches) + 0.25 * width, 0.5 * width)


def _reach(section: Section) -> tuple[float, float]:
    """Largest radius and height (m)."""
    radius, height = np.abs(np.concatenate([patch.corners_m for patch in patches_of(section)])).max(axis=0)
    return float(radius), float(height)


def section_of(run: Run, label: str) -> Section:
    """The section in the state the run ended in."""
    return Section(
        label=label,
        time_s=float(run.rows[-1, c.TIME]),
        current_a=float(run.rows[-1, c.CURRENT]),
        turns=_conductors(run),
        part=_part_patches(run),
        outlines_m=_part_outlines(run),
        loops=loops_of(run),
    )


def _both(corners: Floats) -> list[Floats]:
    """A piece of the upper half and its mirror image."""
    return [corners, corners * np.array([1.0, -1.0])]


def _conductors(run: Run) -> list[Conductor]:
    """Every turn, mirror images included."""
    coil, turns = run.model.coil, run.model.turns
    found = []
    for t in range(turns.radius.size):
        patches = _round_patches(run, t) if run.shot.coil.wire_diameter_m is not None else _strip_patches(run, t)
        radius, height, broken = float(turns.radius[t]), float(coil.turn_z_m[t]), bool(turns.rupture_time[t] >= 0.0)
        shrink = sqrt(float(turns.first_radius[t]) / radius)
        size = (shrink * run.shot.coil.radial_m, shrink * run.shot.coil.axial_m)
        found.append(Conductor(patches, radius, height, size, broken))
        if turns.weight[t] > 1.5:
            mirrored = [Patch(_both(p.corners_m)[1], p.density_a_per_m2) for p in patches]
            found.append(Conductor(mirrored, radius, -height, size, broken))
    return found


@dataclass(frozen=True)
class _Filaments:
    """Filaments of one turn, those below the mid-plane written out: places from its centre, areas, densities."""

    x_m: Floats
    y_m: Floats
    area_m2: Floats
    density_a_per_m2: Floats


def _filaments(run: Run, t: int) -> _Filaments:
    """The turn stretched as it is: its section shrinks as its circumference grows."""
    coil, turns = run.model.coil, run.model.turns
    own = np.flatnonzero(coil.turn == t)
    x, y = coil.radius_m[own] - turns.first_radius[t], coil.height_m[own] - coil.turn_z_m[t]
    area = coil.area_m2[own] * turns.first_radius[t] / turns.radius[t]
    density = run.fields.current[own] / area
    twice = (turns.weight[t] < 1.5) & (coil.multiplicity[own] > 1.5)
    shrink = sqrt(turns.first_radius[t] / turns.radius[t])
    return _Filaments(
        x_m=shrink * np.concatenate([x, x[twice]]),
        y_m=shrink * np.concatenate([y, -y[twice]]),
        area_m2=np.concatenate([area, area[twice]]),
        density_a_per_m2=np.concatenate([density, density[twice]]),
    )


def _round_patches(run: Run, t: int) -> list[Patch]:
    """A core and rings of equal sectors round it, from the areas and places of the filaments."""
    own = _filaments(run, t)
    centre = np.array([run.model.turns.radius[t], run.model.coil.turn_z_m[t]])
    distance = np.hypot(own.x_m, own.y_m)
    core = int(np.argmin(distance))
    inner = sqrt(own.area_m2[core] / pi)
    patches = [Patch(centre + _sector(0.0, inner, 0.0, 2.0 * pi), float(own.density_a_per_m2[core]))]
    others = np.delete(np.arange(distance.size), core)
    for ring in _rings(distance, others):
        outer = sqrt(inner**2 + own.area_m2[ring].sum() / pi)
        half = pi / ring.size
        for k in ring:
            angle = float(np.arctan2(own.y_m[k], own.x_m[k]))
            corners = centre + _sector(inner, outer, angle - half, angle + half)
            patches.append(Patch(corners, float(own.density_a_per_m2[k])))
        inner = outer
    return patches


def _rings(distance: Floats, others: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Filaments grouped by their distance (m) from the wire's axis, innermost first."""
    order = others[np.argsort(distance[others])]
    jumps = np.flatnonzero(np.diff(distance[order]) > 1e-3 * distance.max()) + 1
    return [ring for ring in np.split(order, jumps) if ring.size]


def _sector(inner: float, outer: float, first: float, last: float) -> Floats:
    """Corners (m) of a sector of a ring about the origin, its arcs as polygons of the same area."""
    count = max(2, round((last - first) / (0.5 * pi) * _ALONG_QUARTER)) + 1
    angle = np.linspace(first, last, count)
    step = (last - first) / (count - 1)
    arc = np.stack([np.cos(angle), np.sin(angle)], axis=1) * sqrt(step / np.sin(step))
    return outer * arc if inner == 0.0 else np.concatenate([outer * arc, inner * arc[::-1]])


def _strip_patches(run: Run, t: int) -> list[Patch]:
    """A grid of rectangles, from the places of the filaments."""
    own = _filaments(run, t)
    radius, height = float(run.model.turns.radius[t]), float(run.model.coil.turn_z_m[t])
    shrink = sqrt(run.model.turns.first_radius[t] / radius)
    across = _edges(own.x_m, shrink * run.shot.coil.radial_m)
    along = _edges(own.y_m, shrink * run.shot.coil.axial_m)
    patches = []
    for x, y, density in zip(own.x_m, own.y_m, own.density_a_per_m2, strict=True):
        left, low = (int(np.searchsorted(edges, place)) - 1 for edges, place in ((across, x), (along, y)))
        r = radius + across[[left, left + 1, left + 1, left]]
        z = height + along[[low, low, low + 1, low + 1]]
        patches.append(Patch(np.stack([r, z], axis=1), float(density)))
    return patches


def _edges(middles: Floats, width: float) -> Floats:
    """Edges (m) of cells that fill `width` about 0 and have these middles."""
    ordered = np.sort(middles)
    edges = [-0.5 * width]
    for middle in ordered[np.append(True, np.diff(ordered) > 1e-6 * width)]:
        edges.append(2.0 * float(middle) - edges[-1])
    return np.array(edges)


def _part_patches(run: Run) -> list[Patch]:
    """Every current cell of the part, mirror images included."""
    part = run.model.part
    current = run.fields.current[run.model.coil.radius_m.size :]
    found = []
    for k in range(part.cell_column.size):
        span = (float(part.cell_left_m[k]), float(part.cell_right_m[k]))
        share = (float(part.cell_bottom[k]), float(part.cell_top[k]))
        pieces = _both(_cell_outline(run, int(part.cell_slice[k]), span, share))
        area = Patch(pieces[0], 0.0).area_m2
        found += [Patch(piece, float(current[k] / area)) for piece in pieces]
    return found


def _part_outlines(run: Run) -> list[Floats]:
    """Rim, bore and upper face of what lies between the mid-plane, the bounds of the metals and the face."""
    nodes, metal = run.model.part.node_radius_m, run.model.body.metal
    rest = np.linspace(float(nodes[0]), float(nodes[-1]), _ALONG_CELL * (nodes.size - 1) + 1)
    tops = [
        np.stack([_present_radius(run, s, rest), _present_level(run, s + 1, rest)], axis=1)
        for s in range(metal.size)
        if s + 1 == metal.size or metal[s + 1] != metal[s]
    ]
    # A disc has no bore.
    return [*tops, *(_side(run, radius) for radius in (rest[-1], rest[0]) if radius > 0.0)]


def _side(run: Run, rest: float) -> Floats:
    """The face that was at this radius (m) at rest, from the mid-plane up, in steps from slice to slice."""
    place = np.array([rest])
    return np.concatenate(
        [
            np.stack([np.repeat(_present_radius(run, s, place), 2), _levels_of(run, s, place)], axis=1)
            for s in range(run.model.body.metal.size)
        ]
    )


def _levels_of(run: Run, s: int, rest: Floats) -> Floats:
    """Heights (m) of both levels of slice s at one radius at rest (m)."""
    return np.concatenate([_present_level(run, level, rest) for level in (s, s + 1)])


def _cell_outline(run: Run, s: int, span: tuple[float, float], share: tuple[float, float]) -> Floats:
    """Corners (m) of what was between two radii at rest (m) and lies between two shares of the height of slice s."""
    nodes = run.model.part.node_radius_m
    count = max(2, round(_ALONG_CELL * (span[1] - span[0]) / float(nodes[1] - nodes[0])) + 1)
    rest = np.linspace(*span, count)
    radius = _present_radius(run, s, rest)
    low, high = (_present_level(run, level, rest) for level in (s, s + 1))
    bottom, top = (np.stack([radius, low + part * (high - low)], axis=1) for part in share)
    return np.concatenate([bottom, top[::-1]])


def _present_radius(run: Run, s: int, rest: Floats) -> Floats:
    """Where material of slice s is that was at these radii (m) at rest: volume is shared evenly in a motion cell."""
    squared = np.interp(rest**2, run.model.part.node_radius_m**2, run.model.body.radius[s] ** 2)
    return np.asarray(np.sqrt(squared), dtype=np.float64)


def _present_level(run: Run, level: int, rest: Floats) -> Floats:
    """Height (m) of a level at these radii at rest (m); levels belong to the middles of motion cells."""
    nodes = run.model.part.node_radius_m
    level_m = np.interp(rest, 0.5 * (nodes[1:] + nodes[:-1]), run.model.body.level[level])
    return np.asarray(level_m, dtype=np.float64)
