"""The highest value between the samples of a curve."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from physics.kernel_cache import kernel

Floats = NDArray[np.float64]

#: No parabola is laid through steps that differ more than so many times.
_UNEVEN = 4.0
_NEWTON_STEPS = 4


def peak_of(time: Floats, value: Floats) -> tuple[float, float]:
    """Largest value and its time (s): the quartic through the highest sample and two on either side.

    Where samples are uneven or too few it is the parabola through three, or the sample itself.
    """
    k = int(np.argmax(value))
    for reach in (2, 1):
        if reach <= k < len(value) - reach:
            near = slice(k - reach, k + reach + 1)
            found, height, at = _top(time[near].copy(), value[near].copy())
            if found:
                return height, at
    return float(value[k]), float(time[k])


@kernel
def _top(t, v):
    """Whether the polynomial through samples whose middle one is highest has its top there, how high and where.

    `v` is lost: Newton's divided differences take its place.
    """
    longest, shortest = t[1] - t[0], t[1] - t[0]
    for j in range(2, t.size):
        longest, shortest = max(longest, t[j] - t[j - 1]), min(shortest, t[j] - t[j - 1])
    if longest > _UNEVEN * shortest:
        return False, 0.0, 0.0
    for order in range(1, t.size):
        for j in range(t.size - 1, order - 1, -1):
            v[j] = (v[j] - v[j - 1]) / (t[j] - t[j - order])
    middle = t.size // 2
    at, height = t[middle], 0.0
    # His steps for the zero of the slope.
    for _ in range(_NEWTON_STEPS):
        height, slope, bend = v[t.size - 1], 0.0, 0.0
        for j in range(t.size - 2, -1, -1):
            bend = bend * (at - t[j]) + 2.0 * slope
            slope = slope * (at - t[j]) + height
            height = height * (at - t[j]) + v[j]
        if bend >= 0.0:
            return False, 0.0, 0.0
        at -= slope / bend
        if not t[middle - 1] < at < t[middle + 1]:
            return False, 0.0, 0.0
    return True, height, at
