"""Traces that cannot be trusted are refused, each with its reason; the noise of the others is stated."""

from __future__ import annotations

from math import sqrt

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

#: Fewer points than this show no waveform.
FEWEST_POINTS = 60
#: A pulse stands out of its noise by at least this factor.
LEAST_SIGNAL = 8.0
#: A flat top of so many points is looked at, if it is this share of the range away from where the trace begins.
_FLAT_POINTS = 5
_FLAT_SHARE = 0.1
#: Half a flat top beyond its ends a parabola has fallen by three of its own steps, a clipped pulse by far more.
_CLIPPED_FALL = 12.0
#: Median absolute value of normal noise, in standard deviations.
_MEDIAN_OF_NORMAL = 0.6744897501960817


class TraceRefused(ValueError):
    """A trace that nothing can be read from. `reason` is a short name, the text says what to do."""

    def __init__(self, reason: str, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason


def check_columns(time: Floats, value: Floats) -> None:
    """Raises TraceRefused for columns that are no trace: too few points, not finite, time not rising, or clipped."""
    if time.shape != value.shape or time.ndim != 1:
        raise TraceRefused("shape", "time and value must be two columns of the same length")
    if time.size < FEWEST_POINTS:
        raise TraceRefused("too_short", f"{time.size} points show no waveform; at least {FEWEST_POINTS} are needed")
    if not (np.isfinite(time).all() and np.isfinite(value).all()):
        line = int(np.argmin(np.isfinite(time) & np.isfinite(value)))
        raise TraceRefused("not_finite", f"point {line + 1} is not a finite number")
    if (np.diff(time) <= 0.0).any():
        line = int(np.argmax(np.diff(time) <= 0.0)) + 1
        raise TraceRefused("time_not_rising", f"time does not rise at point {line + 1}; are the columns swapped?")
    for extreme, side in ((value.max(), "top"), (value.min(), "bottom")):
        if _is_clipped(value, extreme):
            raise TraceRefused(
                "clipped", f"the {side} of the trace is cut off at {extreme:.6g}; measure again with less gain"
            )


def step_of(value: Floats) -> float:
    """The smallest step between neighbours that differ: the resolution of the digitiser; 0 for a constant."""
    steps = np.abs(np.diff(value))
    return float(steps[steps > 0.0].min()) if (steps > 0.0).any() else 0.0


def noise(value: Floats) -> float:
    """Standard deviation of white noise on a smooth curve: from its second differences, robust against jumps.

    Rounding by the digitiser counts as noise of a twelfth of its step squared (variance), which the differences of a
    trace with many points a step do not show.
    """
    second = value[2:] - 2.0 * value[1:-1] + value[:-2]
    scatter = float(np.median(np.abs(second - np.median(second)))) / (_MEDIAN_OF_NORMAL * sqrt(6.0))
    return max(float(scatter), step_of(value) / sqrt(12.0))


def _is_clipped(value: Floats, extreme: float) -> bool:
    """Whether the trace stays at an extreme that it reached too fast to be rounding off by itself."""
    if abs(extreme - np.median(value[: max(value.size // 20, 5)])) < _FLAT_SHARE * np.ptp(value):
        return False
    first, last = _longest_run(value == extreme)
    width = last - first
    if width < _FLAT_POINTS:
        return False
    beside = [i for i in (first - 1 - width // 2, last + width // 2) if 0 <= i < value.size]
    fall = min((abs(value[i] - extreme) for i in beside), default=0.0)
    return bool(fall > _CLIPPED_FALL * step_of(value))


def _longest_run(flags: npt.NDArray[np.bool_]) -> tuple[int, int]:
    """First index of the longest run of true flags and the one after its last."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    starts, ends = edges[::2], edges[1::2]
    if starts.size == 0:
        return 0, 0
    longest = int((ends - starts).argmax())
    return int(starts[longest]), int(ends[longest])
