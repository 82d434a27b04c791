"""Vector drawings of the sheet: the section to scale, and the waveforms to compare the oscilloscope with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor, log10

import numpy as np
from reportlab.graphics.shapes import Circle, Drawing, Line, Polygon, PolyLine, Rect, String
from reportlab.lib.colors import Color, black, white

from api.sheet import fonts
from api.sheet.winding import bore_m
from physics.result import ShotResult
from physics.winding import places

#: Greys that a black and white printer keeps apart.
_METAL, _COPPER, _GRID = Color(0.82, 0.82, 0.82), Color(0.55, 0.55, 0.55), Color(0.8, 0.8, 0.8)
_PALE = Color(0.95, 0.95, 0.95)
_WIDE, _SECTION_HIGH, _WAVE_HIGH = 260.0, 118.0, 86.0
_SMALL = 7.0
_MM = 1e3


@dataclass(frozen=True)
class Picture:
    """A vector drawing and what it says to those who do not see it."""

    title: str
    alt: str
    drawing: Drawing


def section(result: ShotResult) -> Picture:
    """Before on the left of the axis, after on the right, the coil as wound, to one scale with its sizes in mm."""
    shot, drawn = result.shot, Drawing(_WIDE, _SECTION_HIGH)
    part, winding = shot.workpiece, shot.coil.winding
    turns = places(winding, 0.5 * bore_m(shot))
    reach = max(place.radius_m for place in turns) + 0.5 * winding.radial_m
    thick = result.profile.thickness_m if result.profile else [part.thickness_m]
    tall = max(*(place.z_m for place in turns), 0.5 * max(thick), 0.5 * part.thickness_m) + 0.5 * winding.axial_m
    scale = min((0.5 * _WIDE - 4.0) / reach, (_SECTION_HIGH - 30.0) / (2.0 * tall))
    x, y = 0.5 * _WIDE, 28.0 + 0.5 * (_SECTION_HIGH - 30.0)
    outer, inner, half = 0.5 * part.outer_diameter_m, 0.5 * part.inner_diameter_m, 0.5 * part.thickness_m
    drawn.add(
        Rect(
            x - outer * scale,
            y - half * scale,
            (outer - inner) * scale,
            2 * half * scale,
            fillColor=_METAL,
            strokeWidth=0.6,
        )
    )
    drawn.add(Polygon(_afterwards(result, x, y, scale), fillColor=_METAL, strokeWidth=0.6))
    wall, bare_m = shot.insulation.former_wall_m, 0.5 * bore_m(shot) - shot.insulation.enamel_thickness_m
    if wall:
        long = (max(place.z_m for place in turns) + winding.axial_m) * scale
        for left in (bare_m - wall, -bare_m):
            drawn.add(Rect(x + left * scale, y - long, wall * scale, 2.0 * long, fillColor=_PALE, strokeWidth=0.4))
    for place in turns:
        for side in (-1.0, 1.0):
            for mirror in (1.0,) if place.z_m == 0.0 else (1.0, -1.0):
                drawn.add(_turn(x + side * place.radius_m * scale, y + mirror * place.z_m * scale, scale, result))
    drawn.add(Line(x, 24.0, x, _SECTION_HIGH, strokeWidth=0.4, strokeDashArray=[8, 2, 2, 2]))
    after = result.summary.final_outer_diameter_m if result.summary else part.outer_diameter_m
    _say(drawn, 0.0, 12.0, f"before: {_MM * part.outer_diameter_m:.2f} across, {_MM * part.thickness_m:.2f} thick")
    _say(drawn, _WIDE, 12.0, f"after: {_MM * after:.2f} across; coil as wound", "end")
    _say(
        drawn,
        0.0,
        3.0,
        f"gap {_MM * shot.gap_m:.2f}, bare conductor from {_MM * bore_m(shot):.2f} to {2 * _MM * reach:.2f}",
    )
    drawn.add(Line(_WIDE - 0.01 * scale, 8.0, _WIDE, 8.0, strokeWidth=2))
    _say(drawn, _WIDE - 0.01 * scale - 3.0, 3.0, "10 mm", "end")
    alt = (
        f"Half sections to scale: the part of {_MM * part.outer_diameter_m:.2f} mm before, of {_MM * after:.2f} mm "
        f"after, and {winding.turns} turns round it"
    )
    return Picture("Section to scale, sizes in mm", alt, drawn)


def _afterwards(result: ShotResult, x: float, y: float, scale: float) -> list[float]:
    """Corners of the part after the shot, right of the axis."""
    profile, series, part = result.profile, result.series, result.shot.workpiece
    assert series is not None
    bore = 0.5 * series.inner_diameter_m[-1] if part.inner_diameter_m else 0.0
    radii = [bore, *(profile.radius_m if profile else []), 0.5 * series.outer_diameter_m[-1]]
    thick = profile.thickness_m if profile else [part.thickness_m]
    halves = [0.5 * t for t in (thick[0], *(profile.thickness_m if profile else []), thick[-1])]
    upper = [(x + r * scale, y + h * scale) for r, h in zip(radii, halves, strict=True)]
    lower = [(px, 2.0 * y - py) for px, py in reversed(upper)]
    return [value for point in (*upper, *lower) for value in point]


def _turn(x: float, y: float, scale: float, result: ShotResult) -> Circle | Rect:
    coil = result.shot.coil
    if coil.wire_diameter_m is not None:
        return Circle(x, y, 0.5 * coil.wire_diameter_m * scale, fillColor=_COPPER, strokeWidth=0.5)
    wide, high = coil.radial_m * scale, coil.axial_m * scale
    return Rect(x - 0.5 * wide, y - 0.5 * high, wide, high, fillColor=_COPPER, strokeWidth=0.5)


def waveforms(result: ShotResult) -> list[Picture]:
    """Current and bank voltage, and field and diameter, against time."""
    series, summary = result.series, result.summary
    assert series is not None
    assert summary is not None
    micro = [1e6 * time for time in series.time_s]
    moments = [
        ("peak", 1e6 * summary.time_to_peak_s),
        ("burst", 1e6 * summary.burst_time_s if summary.burst_time_s else None),
    ]
    if summary.first_current_zero_s is not None:
        moments.append(("zero", 1e6 * summary.first_current_zero_s))
    known = [(name, at) for name, at in moments if at is not None]
    return [
        _waveform("Coil current, kA", micro, [1e-3 * v for v in series.current_a], known),
        _waveform("Bank voltage, kV", micro, [1e-3 * v for v in series.bank_voltage_v], known),
        _waveform("Field in the gap, T", micro, list(series.gap_field_tesla), known),
        _waveform("Outer diameter, mm", micro, [1e3 * v for v in series.outer_diameter_m], known),
    ]


def _waveform(title: str, x: Sequence[float], y: Sequence[float], moments: Sequence[tuple[str, float]]) -> Picture:
    drawn, left, right, low, high = Drawing(_WIDE, _WAVE_HIGH), 30.0, 4.0, 20.0, 8.0
    ends = (min(0.0, *y) if min(y) < 0.5 * max(y) else 0.98 * min(y), max(y) * 1.02)
    px = [left + (_WIDE - left - right) * v / x[-1] for v in x]
    scale = (_WAVE_HIGH - low - high) / (ends[1] - ends[0] or 1.0)
    py = [low + (v - ends[0]) * scale for v in y]
    for tick in _ticks(*ends):
        at = low + (tick - ends[0]) * scale
        drawn.add(Line(left, at, _WIDE - right, at, strokeColor=_GRID, strokeWidth=0.4))
        _say(drawn, left - 3.0, at - 2.4, f"{tick:g}", "end")
    for tick in _ticks(0.0, x[-1]):
        at = left + (_WIDE - left - right) * tick / x[-1]
        drawn.add(Line(at, low, at, _WAVE_HIGH - high, strokeColor=_GRID, strokeWidth=0.4))
        if at < _WIDE - 20.0:
            _say(drawn, at, low - 9.0, f"{tick:g}", "middle")
    _say(drawn, _WIDE - right, low - 9.0, "µs", "end")
    said = -_WIDE
    for name, at in sorted(moments, key=lambda moment: moment[1]):
        if at < x[-1]:
            place = left + (_WIDE - left - right) * at / x[-1]
            drawn.add(Line(place, low, place, _WAVE_HIGH - high, strokeWidth=0.5, strokeDashArray=[3, 2]))
            words = f"{name} {at:.1f}"
            # Where the last word would be in the way, one line lower.
            row = 1 if place < said else 0
            _say(drawn, place + 1.5, _WAVE_HIGH - high - 5.0 - 8.0 * row, words)
            said = place + 3.0 + 0.6 * _SMALL * len(words)
    drawn.add(PolyLine([v for point in zip(px, py, strict=True) for v in point], strokeColor=black, strokeWidth=1.2))
    top = int(np.argmax(np.abs(y)))
    return Picture(title, f"{title}: {y[top]:.3g} after {x[top]:.1f} µs, {y[-1]:.3g} at {x[-1]:.0f} µs", drawn)


def _ticks(low: float, high: float) -> list[float]:
    raw = (high - low) / 4.0 or 1.0
    power = 10.0 ** floor(log10(raw))
    step = next(k * power for k in (1.0, 2.0, 5.0, 10.0) if k * power >= raw)
    first = -floor(-low / step)
    return [round(step * k, 9) for k in range(first, floor(high / step + 1e-9) + 1)]


def bar(share: float, wide: float, high: float) -> Drawing:
    """How much of a limit is used: a frame with a filled part."""
    drawn = Drawing(wide, high)
    drawn.add(Rect(0, 0, wide, high, fillColor=white, strokeWidth=0.4))
    drawn.add(Rect(0, 0, share * wide, high, fillColor=_COPPER, strokeWidth=0))
    return drawn


def _say(drawn: Drawing, x: float, y: float, words: str, anchor: str = "start") -> None:
    drawn.add(String(x, y, words, fontName=fonts.PLAIN, fontSize=_SMALL, textAnchor=anchor))
