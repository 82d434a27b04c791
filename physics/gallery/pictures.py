"""Pictures of a shot: curves over time, flow of energy, the section at a few instants, the part's profile.

Only :func:`write_gallery`'s callers import this module, and they do so when they need it: nothing else of the
model asks for matplotlib.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import ArrayLike, NDArray

from physics.gallery.section_picture import draw_sections
from physics.gallery.style import (
    BLUE,
    GREEN,
    GREY,
    LIGHT,
    OF_BANK,
    OF_COIL,
    OF_PART,
    ORANGE,
    PURPLE,
    RED,
    SKY,
    YELLOW,
    Line,
    legend_above,
    new_figure,
    paper,
    save,
)
from physics.materials import resolve
from physics.outcome import put_together
from physics.result import Profile, Series, ShotResult
from physics.section import sections
from physics.shot import Shot, Workpiece, check_shot
from physics.simulate import run_shot

Floats = NDArray[np.float64]

_KELVIN_AT_ZERO_C = 273.15
#: Names nearer than this share of the axis are written side by side.
_CROWDED = 0.2
#: Diameters of no more slices than this are not worth a curve along the length.
_FEW_SLICES = 2


def write_gallery(shot: Shot | Mapping[str, Any], folder: Path | str, *, png: bool = False) -> list[Path]:
    """Run a shot and draw it into `folder`, which is made if need be; returns the files written.

    SVG with real text, and PNG beside it if asked. Raises pydantic.ValidationError for bad input and
    ValueError for a shot that does not converge.
    """
    run = run_shot(check_shot(shot))
    result = put_together(run)
    if result.series is None or result.profile is None:
        raise ValueError(f"nothing to draw: {result.advice}")
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    with paper():
        figures = {
            "1-current-and-voltage": draw_electrical(result, result.series),
            "2-field": draw_field(result, result.series),
            "3-diameters": draw_diameters(result, result.series),
            "4-temperatures": draw_temperatures(result, result.series),
            "5-energy": draw_energy(result, result.series),
            "6-section": draw_sections(result, sections(run)),
            "7-profile": draw_profile(result, result.profile),
        }
        return [path for name, figure in figures.items() for path in save(figure, target, name, png=png)]


def _times(series: Series) -> Floats:
    """Time in µs."""
    return 1e6 * np.array(series.time_s)


def _draw_lines(axes: Axes, series: Series, unit: str, lines: list[Line]) -> None:
    for line in lines:
        axes.plot(_times(series), line.values, line.style, color=line.color, label=line.label)
    axes.set_ylabel(unit)
    axes.margins(x=0.0)


def _stacked(result: ShotResult, series: Series, title: str, panels: list[tuple[str, list[Line]]]) -> Figure:
    """Panels over one time axis, the events named over the first."""
    figure = new_figure(title, result, (8.0, 1.6 + 1.9 * len(panels) + 0.8 * (len(panels) == 1)))
    axes = figure.subplots(len(panels), 1, sharex=True, squeeze=False)[:, 0]
    for index, (place, (unit, lines)) in enumerate(zip(axes, panels, strict=True)):
        _draw_lines(place, series, unit, lines)
        _mark_events(place, result, series, named=index == 0)
        if len(lines) > 1 or len(panels) > 1:
            legend_above(place, raised=index == 0)
    axes[-1].set_xlabel("time, µs")
    return figure


def _mark_events(axes: Axes, result: ShotResult, series: Series, *, named: bool) -> None:
    """Upright lines at the peak and at the burst."""
    figures, end = result.summary, 1e6 * series.time_s[-1]
    if figures is None:
        return
    events = [("peak current", 1e6 * figures.time_to_peak_s)]
    if figures.burst_time_s is not None:
        events.append(("coil bursts", 1e6 * figures.burst_time_s))
    crowded = len(events) > 1 and abs(events[1][1] - events[0][1]) < _CROWDED * end
    for index, (name, time) in enumerate(events):
        axes.axvline(time, color=GREY, linewidth=0.9, linestyle=(0, (2, 2)), zorder=1)
        side = ("right" if time > 0.1 * end else "left", "left")[index] if crowded else "center"
        if named:
            axes.text(time, 1.01, name, transform=axes.get_xaxis_transform(), ha=side, va="bottom", fontsize=8)


def draw_electrical(result: ShotResult, series: Series) -> Figure:
    """Currents of coil and bank, voltages of bank and coil, the largest along a turn."""
    current, bank = (1e-3 * np.array(values) for values in (series.current_a, series.bank_current_a))
    bank_voltage, *along = (
        1e-3 * np.array(values) for values in (series.bank_voltage_v, series.coil_voltage_v, series.turn_voltage_v)
    )
    for voltage in along:
        # Meaned over a step, they have no value at the start.
        voltage[0] = np.nan
    currents = [Line(current, "coil", OF_COIL)]
    if result.shot.crowbar is not None:
        currents.append(Line(bank, "bank", OF_BANK, "--"))
    return _stacked(
        result,
        series,
        "Current and voltage",
        [
            ("current, kA", currents),
            ("voltage, kV", [Line(bank_voltage, "bank", OF_BANK), Line(along[0], "along the whole coil", OF_COIL)]),
            ("voltage, kV", [Line(along[1], "along the worst turn, either way", ORANGE)]),
        ],
    )


def draw_field(result: ShotResult, series: Series) -> Figure:
    """Axial field in the gap and on the axis, both on the mid-plane."""
    lines = [
        Line(series.gap_field_tesla, "in the gap, half-way from rim to wire", GREEN),
        Line(series.centre_field_tesla, "on the axis, in the middle of the part", PURPLE),
    ]
    return _stacked(result, series, "Axial field on the mid-plane", [("field, T", lines)])


def draw_diameters(result: ShotResult, series: Series) -> Figure:
    """Diameter of the part, its bore, and the bore of the coil."""
    lines = [
        Line(1e3 * np.array(series.coil_inner_diameter_m), "bore of the coil, bare wire", OF_COIL),
        Line(1e3 * np.array(series.outer_diameter_m), "part, outside", OF_PART),
    ]
    if result.shot.workpiece.inner_diameter_m > 0.0:
        lines.append(Line(1e3 * np.array(series.inner_diameter_m), "part, bore", SKY))
    return _stacked(result, series, "Diameters at mid-length", [("diameter, mm", lines)])


def draw_temperatures(result: ShotResult, series: Series) -> Figure:
    """Hottest place of coil and part, with the melting points in reach."""
    lines = [
        Line(series.coil_temperature_k, "hottest place in the coil", OF_COIL),
        Line(series.workpiece_temperature_k, "hottest place in the part", OF_PART),
    ]
    figure = _stacked(result, series, "Temperatures", [("temperature, K", lines)])
    axes = figure.axes[0]
    celsius = axes.secondary_yaxis("right", functions=(_celsius, _kelvin))
    celsius.set_ylabel("temperature, °C")
    bottom, top = axes.get_ylim()
    axes.set_ylim(bottom, top + 0.08 * (top - bottom))
    for name, melting in _melting_points(result.shot):
        if melting < top:
            axes.axhline(melting, color=GREY, linewidth=0.9, zorder=1)
            axes.text(0.99, melting, f"{name} melts", transform=axes.get_yaxis_transform(), ha="right", va="bottom")
    return figure


def _celsius(kelvin: ArrayLike) -> Floats:
    return np.asarray(kelvin, dtype=np.float64) - _KELVIN_AT_ZERO_C


def _kelvin(celsius: ArrayLike) -> Floats:
    return np.asarray(celsius, dtype=np.float64) + _KELVIN_AT_ZERO_C


def _melting_points(shot: Shot) -> list[tuple[str, float]]:
    """Name and melting point (K) of every metal of the shot, each once."""
    metals = {metal.name: metal.melting_temperature_k for metal in map(resolve, shot.metals)}
    return [(name.replace("_", " "), melting) for name, melting in metals.items() if melting is not None]


@dataclass(frozen=True)
class Area:
    """One of the places the bank's energy is in, over time."""

    label: str
    color: str
    energy_j: Floats


def energy_areas(shot: Shot, series: Series) -> list[Area]:
    """Where the bank's energy is (J) at every instant of the series, from the bottom of the stack to its top."""
    left = 0.5 * shot.bank.capacitance_farad * np.array(series.bank_voltage_v) ** 2
    stack: list[tuple[str, str, Any]] = [
        ("deforming the part", BLUE, series.workpiece_work_j),
        ("motion of the part", SKY, series.workpiece_motion_j),
        ("heat in the part", PURPLE, series.workpiece_heat_j),
        ("heat in the coil", RED, series.coil_heat_j),
        ("coil: motion, stretching", ORANGE, series.coil_motion_j),
        ("arcs of the broken coil", YELLOW, series.arc_j),
        ("heat outside the coil", GREY, series.outside_heat_j),
        ("magnetic field", GREEN, series.magnetic_j),
        ("left in the bank", LIGHT, left),
    ]
    return [Area(label, color, np.array(values)) for label, color, values in stack]


def draw_energy(result: ShotResult, series: Series) -> Figure:
    """The areas stacked up to the bank's energy; the legend says what is where at the end."""
    figure = new_figure("Where the bank's energy is", result, (8.0, 4.6))
    axes = figure.subplots()
    areas = energy_areas(result.shot, series)
    drawn = axes.stackplot(
        _times(series),
        [1e-3 * area.energy_j for area in areas],
        colors=[area.color for area in areas],
        edgecolor="white",
        linewidth=0.3,
    )
    _mark_events(axes, result, series, named=True)
    axes.set(xlabel="time, µs", ylabel="energy, kJ", ylim=(0.0, None))
    axes.margins(x=0.0, y=0.0)
    ends = [f"{area.label}, {area.energy_j[-1]:.0f} J" for area in areas]
    axes.legend(
        drawn[::-1], ends[::-1], loc="upper left", bbox_to_anchor=(1.0, 1.0), title="at the end", alignment="left"
    )
    return figure


def draw_profile(result: ShotResult, profile: Profile) -> Figure:
    """The part after the shot: thickness and hardening along the radius; a tall part's diameters along its length."""
    tall = len(profile.height_m) > _FEW_SLICES
    figure = new_figure("The part after the shot", result, (8.0, 5.6 + 1.8 * tall))
    places = figure.subplots(2 + tall, 1, squeeze=False)[:, 0]
    radius, workpiece = 1e3 * np.array(profile.radius_m), result.shot.workpiece
    before = 5e2 * np.array([workpiece.inner_diameter_m, workpiece.outer_diameter_m])
    places[0].plot(before, [1e3 * workpiece.thickness_m] * 2, "--", color=GREY, label="before")
    places[0].plot(radius, 1e3 * np.array(profile.thickness_m), "o-", color=OF_PART, markersize=3, label="after")
    places[0].set(ylabel="length, mm" if workpiece.shape == "tube" else "thickness, mm")
    places[1].plot(radius, 1e-6 * np.array(profile.flow_stress_pa), "o-", color=OF_PART, markersize=3)
    places[1].set(xlabel="radius, mm", ylabel="flow stress at the\nmid-plane, MPa")
    places[1].set_xlim(places[0].get_xlim())
    for axes in places[:2]:
        axes.set_ylim(0.0, 1.08 * axes.get_ylim()[1])
    if tall:
        _draw_lengthwise(places[2], workpiece, profile)
    legend_above(places[0])
    return figure


def _draw_lengthwise(axes: Axes, workpiece: Workpiece, profile: Profile) -> None:
    """Diameters over the height above the mid-plane."""
    height, face = 1e3 * np.array(profile.height_m), 5e2 * workpiece.thickness_m
    pairs = [("outside", workpiece.outer_diameter_m, profile.outer_diameter_m, OF_PART)]
    if workpiece.inner_diameter_m > 0.0:
        pairs.append(("bore", workpiece.inner_diameter_m, profile.inner_diameter_m, SKY))
    for name, before, after, color in pairs:
        axes.plot([0.0, face], [1e3 * before] * 2, "--", color=color, linewidth=0.9, label=f"{name}, before")
        axes.plot(height, 1e3 * np.array(after), "o-", color=color, markersize=3, label=f"{name}, after")
    axes.set(xlabel="height above the mid-plane at the rim, mm", ylabel="diameter, mm")
    legend_above(axes)
