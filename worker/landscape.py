"""What the trials so far tell about a coil not yet tried: its charge voltage and its use of the limits.

Both are smooth in the logarithms of turns, wire, gap and capacitance, nearly power laws. So a Gaussian process with a
linear trend (C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning, 2006, equations 2.25, 2.26
and 2.30) predicts the voltage of a new coil within one or two per cent after some twenty trials. It gives each trial
its first voltage and the sampler something to choose by.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.linalg import LinAlgError, cho_factor, cho_solve, solve_triangular

Floats = npt.NDArray[np.float64]

#: Variance of the linear trend's coefficients; wide against any slope of a logarithm in a logarithm.
TREND_VARIANCE = 10.0
#: Lengths (in the range of the figures) and heights of the departures from the trend that are compared.
LENGTHS = (0.5, 1.0, 2.0)
HEIGHTS = (0.03, 0.1, 0.3)
#: So many points are enough; the newest are kept.
MOST_POINTS = 160


class Landscape:
    """A fit through known points: `figures` of shape (points, k) and logarithms of shape (points, outcomes).

    `errors`, shape (points,), are the standard deviations with which the outcomes are known.
    """

    def __init__(self, figures: Floats, outcomes: Floats, errors: Floats) -> None:
        """The first outcome decides how smooth the fit is; needs two points at least."""
        figures, outcomes, errors = figures[-MOST_POINTS:], outcomes[-MOST_POINTS:], errors[-MOST_POINTS:]
        self._low = figures.min(axis=0)
        self._range = np.maximum(figures.max(axis=0) - self._low, 1e-9)
        # a figure that never varied tells nothing
        self._varied = figures.max(axis=0) - self._low > 1e-6
        self._mean = outcomes.mean(axis=0)
        self._points = self._scaled(figures)
        self._fit(outcomes - self._mean, np.diag(errors**2))

    def _scaled(self, figures: Floats) -> Floats:
        scaled: Floats = ((figures - self._low) / self._range)[:, self._varied]
        return scaled

    def _fit(self, outcomes: Floats, noise: Floats) -> None:
        best = -np.inf
        squares = _squares(self._points, self._points)
        trend = TREND_VARIANCE * (1.0 + self._points @ self._points.T) + noise
        for length in LENGTHS:
            bell = np.exp(-0.5 * squares / length**2)
            for height in HEIGHTS:
                likelihood, factor = _likelihood(trend + height**2 * bell, outcomes[:, 0])
                if factor is not None and likelihood > best:
                    best, self._length, self._height, self._factor = likelihood, length, height, factor
        self._weights = cho_solve((self._factor, True), outcomes)

    def predict(self, figures: Floats) -> tuple[Floats, Floats]:
        """Expected outcomes, shape (points, outcomes), and the standard deviation of the first, shape (points,)."""
        points = self._scaled(figures)
        bell = self._height**2 * np.exp(-0.5 * _squares(points, self._points) / self._length**2)
        between = bell + TREND_VARIANCE * (1.0 + points @ self._points.T)
        own = self._height**2 + TREND_VARIANCE * (1.0 + (points**2).sum(axis=1))
        known = solve_triangular(self._factor, between.T, lower=True, check_finite=False)
        variance = np.maximum(own - (known**2).sum(axis=0), 0.0)
        return self._mean + between @ self._weights, np.sqrt(variance)


def _squares(one: Floats, other: Floats) -> Floats:
    """Squared distances of all pairs, shape (ones, others)."""
    found: Floats = ((one[:, None, :] - other[None, :, :]) ** 2).sum(axis=2)
    return found


def _likelihood(covariance: Floats, outcome: Floats) -> tuple[float, Floats | None]:
    """Logarithm of the marginal likelihood (equation 2.30, constant left out) and the Cholesky factor."""
    try:
        factor, _ = cho_factor(covariance, lower=True, check_finite=False)
    except LinAlgError:
        return -np.inf, None
    half = solve_triangular(factor, outcome, lower=True, check_finite=False)
    return float(-0.5 * half @ half - np.log(np.diag(factor)).sum()), factor
