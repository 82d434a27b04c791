"""Peaks and zeros of a trace, from polynomials through their neighbourhoods, without any circuit behind it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_DEGREE = 4
_POWERS = np.arange(_DEGREE + 1, dtype=np.float64)


@dataclass(frozen=True)
class Figure:
    """A figure read from a trace, and how much it follows each of its points, shape (n,).

    White noise of standard deviation s on the points gives it the standard deviation s |weights|.
    """

    value: float
    weights: Floats

    def __sub__(self, other: Figure) -> Figure:
        return Figure(self.value - other.value, self.weights - other.weights)

    def error(self, noise: float) -> float:
        """Standard deviation, in the figure's unit, for white noise on each point."""
        return noise * float(np.linalg.norm(self.weights))


class _Neighbourhood:
    """The polynomial in x = (t - centre) / half through the points within `half` (s) of `centre` (s)."""

    def __init__(self, time: Floats, current: Floats, centre: float, half: float) -> None:
        self.centre, self.half, self.inside = centre, half, np.abs(time - centre) <= half
        #: Coefficients, lowest first, as sums over the points.
        self.sums = np.linalg.pinv(np.vander((time[self.inside] - centre) / half, _DEGREE + 1, increasing=True))
        self.curve = np.polynomial.Polynomial(self.sums @ current[self.inside])
        self.slope = self.curve.deriv()

    def nearest_root(self, curve: np.polynomial.Polynomial) -> float:
        """The real root closest to the centre, in x, or the centre if there is none inside."""
        roots = curve.roots()
        real = roots[np.abs(roots.imag) < 1e-9].real
        inside = real[np.abs(real) <= 1.0]
        return float(inside[np.argmin(np.abs(inside))]) if inside.size else 0.0

    def figure(self, value: float, row: Floats) -> Figure:
        """A figure that follows the coefficients by `row`."""
        weights = np.zeros(self.inside.size)
        weights[self.inside] = row @ self.sums
        return Figure(value, weights)


def peak_near(time: Floats, current: Floats, guess: float, half: float) -> tuple[Figure, Figure]:
    """Time (s) and height (A) of the extreme within `half` (s) of `guess` (s)."""
    near = _Neighbourhood(time, current, guess, half)
    at = near.nearest_root(near.slope)
    slopes = np.concatenate(([0.0], _POWERS[1:] * at ** _POWERS[:-1]))
    when = near.figure(guess + at * half, -half * slopes / float(near.slope.deriv()(at)))
    return when, near.figure(float(near.curve(at)), at**_POWERS)


def zero_near(time: Floats, current: Floats, guess: float, half: float) -> Figure:
    """When (s) the current passes zero within `half` (s) of `guess` (s)."""
    near = _Neighbourhood(time, current, guess, half)
    at = near.nearest_root(near.curve)
    return near.figure(guess + at * half, -half * at**_POWERS / float(near.slope(at)))
