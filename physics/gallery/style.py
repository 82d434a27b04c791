"""What the pictures of a shot have in common: paper, colours, title, footer, files."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from textwrap import fill
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import ArrayLike

from physics.materials import MaterialChoice, resolve
from physics.result import ShotResult
from physics.shot import Coil, Shot, Workpiece

CAUTION = "Estimates for planning, no safety review; this work can kill."

#: Colours that people who do not tell red from green tell apart (Okabe & Ito 2008, "Color universal design").
BLACK, ORANGE, SKY, GREEN, YELLOW, BLUE, RED, PURPLE = (
    "#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7",
)  # fmt: skip
GREY, LIGHT = "#777777", "#DDDDDD"
#: Whatever belongs to one of these has its colour in every picture.
OF_BANK, OF_COIL, OF_PART = BLACK, RED, BLUE

_PAPER: dict[Any, Any] = {
    "axes.axisbelow": True,
    "axes.edgecolor": GREY,
    "axes.grid": True,
    "axes.labelsize": 9,
    "axes.linewidth": 0.8,
    "axes.spines.right": False,
    "axes.spines.top": False,
    "font.family": "DejaVu Sans",
    "font.size": 9,
    "grid.color": "#E6E6E6",
    "grid.linewidth": 0.6,
    "legend.borderaxespad": 0.2,
    "legend.fontsize": 8.5,
    "legend.frameon": False,
    "legend.handlelength": 1.6,
    "lines.linewidth": 1.6,
    "path.simplify_threshold": 0.2,
    # Text stays text, and the same shot gives the same file.
    "svg.fonttype": "none",
    "svg.hashsalt": "shot",
    "xtick.color": GREY,
    "xtick.labelcolor": BLACK,
    "xtick.labelsize": 8.5,
    "ytick.color": GREY,
    "ytick.labelcolor": BLACK,
    "ytick.labelsize": 8.5,
}
#: Resolutions of what is a picture inside an SVG, and of PNG; the next one is taken where a file gets too large.
_PICTURES_DPI, _PNG_DPI = (150, 100, 70), (100, 80, 60)
_LARGEST_BYTES = 295_000
_INCHES_PER_LINE, _BETWEEN_NOTES = 0.13, 0.06


@contextmanager
def paper() -> Iterator[None]:
    """Draw with the pictures' own settings, whatever the reader's are."""
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(_PAPER)
        yield


@dataclass(frozen=True)
class Line:
    """One line over time: its values in the axis' unit, what it is, its colour and dashes."""

    values: ArrayLike
    label: str
    color: str
    style: str = "-"


def new_figure(title: str, result: ShotResult, size: tuple[float, float]) -> Figure:
    """An empty figure of `size` inches with title, outcome and footer; axes find their place in between."""
    figure = Figure(figsize=size)
    width, height = size
    across = round(16.0 * width)
    notes = [fill(text, across) for text in (describe(result.shot), *_reservations(result), CAUTION)]
    below = sum(map(_height, notes)) + 0.12
    figure.text(0.12 / width, 1.0 - 0.1 / height, title, fontsize=13, fontweight="bold", va="top")
    figure.text(0.12 / width, 1.0 - 0.38 / height, outcome(result), fontsize=9, color="#444444", va="top")
    line = below - 0.08
    for note in notes:
        weight = "bold" if note is notes[-1] else "normal"
        figure.text(0.12 / width, line / height, note, fontsize=7.5, color="#444444", va="top", fontweight=weight)
        line -= _height(note)
    rect = (0.0, below / height, 1.0, 1.0 - (below + 0.62) / height)
    figure.set_layout_engine("constrained", rect=rect, hspace=0.04)
    return figure


def _height(note: str) -> float:
    """Inches that a note takes, with the space after it."""
    return _INCHES_PER_LINE * (note.count("\n") + 1) + _BETWEEN_NOTES


def describe(shot: Shot) -> str:
    """The shot in one line."""
    bank, crowbar = shot.bank, ", crowbar" if shot.crowbar else ""
    return (
        f"Bank {number(1e6 * bank.capacitance_farad)} µF at {number(1e-3 * bank.charge_voltage_v)} kV "
        f"({_energy(shot.stored_energy_j)}), {shot.switch.kind.replace('_', ' ')}{crowbar}. {_coil(shot.coil)}, gap "
        f"{number(1e3 * shot.gap_m)} mm. {_workpiece(shot.workpiece)}. Fidelity {shot.solver.fidelity}."
    )


def number(value: float) -> str:
    """Three digits, without an exponent, with a minus sign."""
    return f"{float(f'{value:.3g}'):g}".replace("-", "−")


def _energy(energy: float) -> str:
    return f"{number(energy)} J" if energy < 1e3 else f"{number(1e-3 * energy)} kJ"


def _metal(material: MaterialChoice) -> str:
    return resolve(material).name.replace("_", " ")


def _coil(coil: Coil) -> str:
    size = f"{number(1e3 * coil.axial_m)} mm {_metal(coil.material)} wire"
    if coil.wire_diameter_m is None:
        size = f"{number(1e3 * coil.axial_m)} × {number(1e3 * coil.radial_m)} mm {_metal(coil.material)} strip"
    layers = f" in {coil.layers_count} layers" if coil.layers_count > 1 else ""
    turns = "turn" if coil.turns_count == 1 else "turns"
    return f"Coil: {coil.turns_count} {turns}{layers} of {size}, pitch {number(1e3 * coil.pitch_m)} mm"


def _workpiece(part: Workpiece) -> str:
    metals = " / ".join(_metal(layer.material) for layer in part.layers)
    bore = f", bore {number(1e3 * part.inner_diameter_m)} mm" if part.inner_diameter_m > 0.0 else ""
    size = f"diameter {number(1e3 * part.outer_diameter_m)} mm{bore}, {number(1e3 * part.thickness_m)} mm thick"
    return f"Part: {part.shape} of {metals}, {size}"


def outcome(result: ShotResult) -> str:
    """What came of the shot, in one line."""
    figures = result.summary
    if figures is None:
        return "The run did not converge."
    words = [f"Peak {number(1e-3 * figures.peak_current_a)} kA after {number(1e6 * figures.time_to_peak_s)} µs"]
    if result.shot.solver.motion:
        before = 1e3 * result.shot.workpiece.outer_diameter_m
        words.append(f"diameter {number(before)} mm to {number(1e3 * figures.final_outer_diameter_m)} mm")
        burst = figures.burst_time_s
        words.append("the coil holds" if burst is None else f"the coil bursts at {number(1e6 * burst)} µs")
    return ", ".join(words)


def _reservations(result: ShotResult) -> list[str]:
    """What has to be said when the run did not end by itself."""
    return [] if result.status == "completed" else [f"{result.status.replace('_', ' ').capitalize()}: {result.advice}"]


def legend_above(axes: Axes, *, columns: int = 4, raised: bool = False) -> None:
    """The legend over the axes, where it covers nothing; `raised` leaves room for the names of events."""
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.1 if raised else 1.01), ncols=columns)


def save(figure: Figure, folder: Path, name: str, *, png: bool) -> list[Path]:
    """Write the figure as SVG, and as PNG if asked; returns the files."""
    vector, raster = folder / f"{name}.svg", folder / f"{name}.png"
    _save_small(vector, _PICTURES_DPI, lambda dpi: _save_svg(figure, vector, dpi))
    if not png:
        return [vector]
    _save_small(raster, _PNG_DPI, lambda dpi: figure.savefig(raster, dpi=dpi))
    return [vector, raster]


def _save_small(file: Path, resolutions: tuple[int, ...], write: Callable[[int], None]) -> None:
    """Write a file at the best resolution that keeps it small."""
    for dpi in resolutions:
        write(dpi)
        if file.stat().st_size < _LARGEST_BYTES:
            return


def _save_svg(figure: Figure, file: Path, dpi: int) -> None:
    figure.savefig(file, dpi=dpi, metadata={"Date": None, "Creator": None})
    text = file.read_text(encoding="utf-8")
    # A hundredth of a point is finer than any screen.
    file.write_text(re.sub(r"(?<=\d\.\d\d)\d+", "", text), encoding="utf-8")
