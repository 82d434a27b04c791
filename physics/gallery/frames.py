"""The section through time, as data to draw: outlines, current density and field lines of many instants."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal

import numpy as np
from contourpy import contour_generator
from numpy.typing import NDArray
from pydantic import Field

from physics import state as c
from physics.field_lines import flux
from physics.schema import Checked
from physics.section import Section, extent_of, instants, patches_of, section_at, section_of
from physics.shot import Shot
from physics.simulate import run_shot

Floats = NDArray[np.float64]
Point = tuple[float, float]

#: Field lines between the axis and the largest flux, as in the pictures of the gallery.
_LINES_COUNT = 12
#: Cells of the grid that field lines are drawn from, along the longer side of a quarter.
_GRID = 64
#: The part is watched until so long after the last thing that happened, over the time of that.
_AFTER = 1.25
#: Digits of a metre that are told: a micrometre.
_DIGITS = 6


class Piece(Checked):
    """A piece of metal with one current density, as a closed polygon in the right half of the section."""

    of: Literal["part", "turn", "broken_turn"]
    density_a_per_m2: float = Field(description="Current round the axis over its area; coil's direction positive.")
    corners_m: list[Point] = Field(description="Radius and height of each corner.")


class Frame(Checked):
    """The section at an instant. What is drawn on the right of the axis stands mirrored on its left."""

    label: str = Field(description="What happens then; empty between two such instants.")
    time_s: float
    current_a: float = Field(description="Of the coil.")
    pieces: list[Piece]
    field_lines_m: list[list[Point]] = Field(description="Open or closed lines of equal flux, radius and height.")


class SectionFrames(Checked):
    """The section at many instants, to one scale and with one step of flux."""

    half_width_m: float = Field(description="Radius that the picture reaches to; debris may be beyond.")
    half_height_m: float
    largest_density_a_per_m2: float = Field(description="Of all pieces at all instants, without sign.")
    flux_step_weber: float = Field(description="Flux between two neighbouring lines, in every frame.")
    frames: list[Frame] = Field(description="In order of time; empty when the run did not converge.")


def section_frames(shot: Shot, frames_count: int) -> SectionFrames:
    """The section of a shot at its marked instants, and evenly between them, `frames_count` in all at least.

    Each instant is a run of the model of its own that is stopped there: a run repeats itself exactly.
    """
    run = run_shot(shot)
    if run.code == c.NOT_CONVERGED or len(run.rows) < 2:
        return SectionFrames(
            half_width_m=0.0,
            half_height_m=0.0,
            largest_density_a_per_m2=0.0,
            flux_step_weber=0.0,
            frames=[],
        )
    marked = instants(run)
    end = min(_AFTER * marked[-1][1], float(run.rows[-1, c.TIME]))
    even = np.linspace(0.0, end, max(frames_count - len(marked), 1) + 1)[1:]
    seen = [section_at(shot, when, label) for label, when in _merged(marked, even)]
    seen.append(section_of(run, "end of the run"))
    return _drawn(seen)


def _merged(marked: Sequence[tuple[str, float]], even: Iterable[float]) -> list[tuple[str, float]]:
    """Both in order of time; what falls on a marked instant goes."""
    near = 1e-3 * marked[-1][1]
    between = [("", float(when)) for when in even if all(abs(when - other) > near for _, other in marked)]
    return sorted([*marked, *between], key=lambda instant: instant[1])


def _drawn(seen: Sequence[Section]) -> SectionFrames:
    extent = extent_of(seen)
    quarters = [_quarter(section, extent) for section in seen]
    step = max(float(np.abs(quarter).max()) for quarter in quarters) / _LINES_COUNT
    density = [abs(patch.density_a_per_m2) for section in seen for patch in patches_of(section)]
    return SectionFrames(
        half_width_m=extent[0],
        half_height_m=extent[1],
        largest_density_a_per_m2=max(density),
        flux_step_weber=step,
        frames=[_frame(section, quarter, extent, step) for section, quarter in zip(seen, quarters, strict=True)],
    )


def _frame(section: Section, quarter: Floats, extent: tuple[float, float], step: float) -> Frame:
    turns = [(turn, patch) for turn in section.turns for patch in turn.patches]
    return Frame(
        label=section.label,
        time_s=section.time_s,
        current_a=section.current_a,
        pieces=[
            *(
                Piece(of="part", density_a_per_m2=p.density_a_per_m2, corners_m=_points(p.corners_m))
                for p in section.part
            ),
            *(
                Piece(
                    of="broken_turn" if turn.broken else "turn",
                    density_a_per_m2=patch.density_a_per_m2,
                    corners_m=_points(patch.corners_m),
                )
                for turn, patch in turns
            ),
        ],
        field_lines_m=[_points(line) for line in _lines(quarter, extent, step)],
    )


def _points(line: Floats) -> list[Point]:
    return [(round(float(radius), _DIGITS), round(float(height), _DIGITS)) for radius, height in line]


def _grid(extent: tuple[float, float]) -> tuple[Floats, Floats]:
    cell = max(extent) / _GRID
    radius, height = (np.linspace(0.0, side, round(side / cell) + 1) for side in extent)
    return radius, height


def _quarter(section: Section, extent: tuple[float, float]) -> Floats:
    """Flux (Wb) in the upper right quarter, shape (heights, radii); the lower one is its mirror image."""
    radius, height = _grid(extent)
    return flux(section.loops, radius[None, :], height[:, None])


def _lines(quarter: Floats, extent: tuple[float, float], step: float) -> list[Floats]:
    """Lines (m) at odd halves of the step, of both signs."""
    radius, height = _grid(extent)
    half, both = np.concatenate([quarter[:0:-1], quarter]), np.concatenate([-height[:0:-1], height])
    levels = step * (np.arange(-_LINES_COUNT, _LINES_COUNT) + 0.5)
    traced = contour_generator(radius, both, half)
    return [np.asarray(line) for level in levels if abs(level) < np.abs(quarter).max() for line in traced.lines(level)]
