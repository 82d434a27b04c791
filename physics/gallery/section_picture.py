"""The section of coil and part to scale at a few instants, with current density and field lines."""

from __future__ import annotations

from collections.abc import Sequence
from math import pi, sqrt
from textwrap import fill

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.collections import PolyCollection
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from numpy.typing import NDArray

from physics.field_lines import flux
from physics.gallery.style import BLACK, GREY, new_figure, number
from physics.result import ShotResult
from physics.section import Conductor, Section, extent_of, patches_of

Floats = NDArray[np.float64]

#: From one direction of current through none to the other, also for people who do not tell red from green.
_COLORS = "RdBu_r"
_LINES_COUNT = 14
#: Cells of the grid that field lines are drawn from, along the longer side of a quarter of the picture.
_GRID = 110
_A_PER_M2 = 1e9  # in a kA/mm^2
_MM = 1e3
_WIDTH = 11.0  # inches
#: The outlines of more turns than this would make a large file; they become part of the picture inside it.
_MOST_RIMS = 24
#: Right and left half, which is the right one seen in a mirror.
_SIDES = (np.array([1.0, 1.0]), np.array([-1.0, 1.0]))
_KEY = (
    "Lines are field lines, with {step} µWb between two neighbours in every picture.",
    "× marks broken turns.",
    "Colour is the current round the axis in kA/mm²; blue runs against red.",
)


def draw_sections(result: ShotResult, instants: Sequence[Section]) -> Figure:
    """The instants to one scale, and the key in the last place."""
    width, height = extent_of(instants)
    extent = (_MM * width, _MM * height)
    rows, columns = (1, 6) if extent[1] > 1.3 * extent[0] else (2, 3)
    size = (_WIDTH, rows * (0.6 + 0.9 * _WIDTH / columns * extent[1] / extent[0]) + 1.5)
    figure = new_figure("Current density and field lines in the section", result, size)
    places = figure.subplots(rows, columns, squeeze=False).ravel()
    density = [patch.density_a_per_m2 for section in instants for patch in patches_of(section)]
    norm = Normalize(*(np.array([-1.0, 1.0]) * max(np.abs(density).max() / _A_PER_M2, 1e-9)))
    fields = [_quarter(section, extent) for section in instants]
    step = max(float(np.abs(field[2]).max()) for field in fields) / _LINES_COUNT
    for axes, section, field in zip(places, instants, fields, strict=False):
        _frame(axes, section, extent)
        _draw_metal(axes, section, norm)
        _draw_outlines(axes, section, is_round=result.shot.coil.wire_diameter_m is not None)
        _draw_field(axes, field, step)
        axes.set(xlabel="radius, mm", ylabel="height, mm")
        axes.label_outer()
    for axes in places[len(instants) :]:
        axes.set_axis_off()
    _draw_key(figure, places[-1], norm, step, columns)
    return figure


def _quarter(section: Section, extent: tuple[float, float]) -> tuple[Floats, Floats, Floats]:
    """Radii, heights (mm) and flux (Wb) of the upper right quarter; the section is symmetric."""
    cell = max(extent) / _GRID
    radius, height = (np.linspace(0.0, side, round(side / cell) + 1) for side in extent)
    return radius, height, flux(section.loops, radius[None, :] / _MM, height[:, None] / _MM)


def _frame(axes: Axes, section: Section, extent: tuple[float, float]) -> None:
    axes.set_title(_title(section, extent[0]), fontsize=9)
    axes.set(aspect="equal", xlim=(-extent[0], extent[0]), ylim=(-extent[1], extent[1]), autoscale_on=False)
    axes.grid(visible=False)
    axes.axvline(0.0, color=GREY, linewidth=0.5, dashes=(12, 3, 2, 3), zorder=0)


def _title(section: Section, width: float) -> str:
    current = 1e-3 * section.current_a if abs(section.current_a) >= 1.0 else 0.0
    title = f"{section.label}\n{number(1e6 * section.time_s)} µs, coil {number(current)} kA"
    gone = sum(_MM * turn.radius_m > width for turn in section.turns)
    return f"{title}\n{gone} turn{'s' * (gone > 1)} out of view" if gone else title


def _draw_metal(axes: Axes, section: Section, norm: Normalize) -> None:
    """Densities as pictures inside the SVG: the part under the field lines, the turns over them."""
    for patches, order in ((section.part, 1), ([p for turn in section.turns for p in turn.patches], 3)):
        density = np.array([patch.density_a_per_m2 for patch in patches]) / _A_PER_M2
        filled = PolyCollection(
            [_MM * patch.corners_m * side for side in _SIDES for patch in patches],
            array=np.tile(density, 2),
            cmap=_COLORS,
            norm=norm,
            linewidths=0.0,
            # Soft edges would show seams between patches and make large files.
            antialiaseds=False,
            zorder=order,
        )
        filled.set_rasterized(True)
        axes.add_collection(filled)


def _draw_outlines(axes: Axes, section: Section, *, is_round: bool) -> None:
    _draw_joined(axes, [line * [1.0, side] for line in section.outlines_m for side in (1.0, -1.0)], BLACK, 4)
    rims = [_rim(turn, is_round=is_round) for turn in section.turns]
    _draw_joined(axes, rims, BLACK, 4, as_picture=len(rims) > _MOST_RIMS)
    broken = np.array([(turn.radius_m, turn.height_m) for turn in section.turns if turn.broken]).reshape(-1, 2)
    for side in _SIDES:
        axes.plot(*(_MM * broken * side).T, "x", color=BLACK, markersize=6, markeredgewidth=1.3, zorder=5)


def _rim(turn: Conductor, *, is_round: bool) -> Floats:
    """The closed outline of a turn (m)."""
    angle = np.linspace(0.0, 2.0 * pi, 33) if is_round else pi * (np.arange(5) + 0.5) / 2.0
    stretch = 1.0 if is_round else sqrt(2.0)
    unit = stretch * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return np.asarray(np.array([turn.radius_m, turn.height_m]) + 0.5 * unit * turn.size_m)


def _draw_field(axes: Axes, field: tuple[Floats, Floats, Floats], step: float) -> None:
    """Lines at odd halves of the step, both signs, mirrored into all four quarters."""
    radius, height, quarter = field
    levels = step * (np.arange(-_LINES_COUNT, _LINES_COUNT) + 0.5)
    height, half = np.concatenate([-height[:0:-1], height]), np.concatenate([quarter[:0:-1], quarter])
    inside = levels[np.abs(levels) < np.abs(quarter).max()]
    if inside.size:
        traced = axes.contour(radius / _MM, height / _MM, half, levels=inside)
        lines = [line for level in traced.allsegs for line in level]
        traced.remove()
        _draw_joined(axes, lines, "#444444", 2)


def _draw_joined(axes: Axes, lines: Sequence[Floats], color: str, order: int, *, as_picture: bool = False) -> None:
    """Lines (m) and their mirror images; each side is one broken line, since matplotlib thins no collections."""
    for side in _SIDES:
        joined = np.concatenate([np.append(_MM * line * side, [[np.nan, np.nan]], axis=0) for line in lines])
        axes.plot(*joined.T, color=color, linewidth=0.65, solid_capstyle="butt", zorder=order, rasterized=as_picture)


def _draw_key(figure: Figure, place: Axes, norm: Normalize, step: float, columns: int) -> None:
    place.set_axis_off()
    text = "\n\n".join(fill(sentence.format(step=number(1e6 * step)), round(140 / columns)) for sentence in _KEY)
    note = place.text(0.04, 0.97, text, transform=place.transAxes, va="top", fontsize=8)
    note.set_in_layout(False)
    scale = place.inset_axes((0.04, 0.16, 0.9, 0.06))
    figure.colorbar(ScalarMappable(norm, _COLORS), cax=scale, orientation="horizontal")
    scale.grid(visible=False)
    scale.set_in_layout(False)
