"""The current of a charged capacitor through constant inductance and resistance, and the fit of it to a trace.

I(t) = rate t e^(-a t) S(b t^2) from the moment the switch closes, with S(x) = sin(sqrt x) / sqrt x, its limit 1 and
sinh(sqrt -x) / sqrt -x: one formula for ringing, critically damped and creeping discharges. rate = V / L, a = R / 2 L,
a^2 + b = 1 / (L C). Under it lies a straight line: offset and drift of the probe.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, pi, sqrt

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

Floats = npt.NDArray[np.float64]

#: Exponents beyond this are cut off while the fit still gropes.
_LARGEST_EXPONENT = 200.0
#: Below this |b t^2| the series of S is exact to the last digit.
_SMALL = 1e-6


@dataclass(frozen=True)
class DampedFit:
    """Parameters of the fit, shape (6,): start, rate, damping, square, offset, drift."""

    parameters: Floats
    #: How much each parameter follows each point of the trace, shape (6, n).
    gain: Floats
    #: Mean square residual over noise^2, per degree of freedom: 1 when nothing but noise is left.
    chi_square: float

    @property
    def start_s(self) -> float:
        """When the switch closed."""
        return float(self.parameters[0])

    @property
    def rate_a_per_s(self) -> float:
        """Rate of rise at the start, V / L."""
        return float(self.parameters[1])

    @property
    def damping_per_s(self) -> float:
        """R / 2 L."""
        return float(self.parameters[2])

    @property
    def square_per_s2(self) -> float:
        """Square of the angular frequency; negative for a discharge that does not ring."""
        return float(self.parameters[3])

    @property
    def reversal_ratio(self) -> float:
        """Voltage at the first current zero over the charge voltage, negated; 0 without one."""
        return reversal(self.parameters)


def reversal(parameters: Floats) -> float:
    """Share of the charge voltage that a constant circuit turns round in its first half-cycle."""
    return exp(-parameters[2] * pi / sqrt(parameters[3])) if parameters[3] > 0.0 else 0.0


def damped(time: Floats, parameters: Floats) -> Floats:
    """Current (A) at `time` (s), shape (n,), without offset and drift."""
    start, rate, damping, square = parameters[:4]
    since = np.maximum(time - start, 0.0)
    phase = square * since**2
    root = np.sqrt(np.abs(phase))
    safe = np.where(root < sqrt(_SMALL), 1.0, root)
    # e^(-a t) sinh(x) / x is taken as one difference of exponentials: each by itself would overflow.
    falling = -damping * since
    creeping = 0.5 * (_bounded_exp(falling + root) - _bounded_exp(falling - root)) / safe
    ringing = _bounded_exp(falling) * np.sin(root) / safe
    shape = np.where(phase >= 0.0, ringing, creeping)
    shape = np.where(np.abs(phase) < _SMALL, _bounded_exp(falling) * (1.0 - phase / 6.0), shape)
    return np.asarray(rate * since * shape, dtype=np.float64)


def _bounded_exp(exponent: Floats) -> Floats:
    return np.asarray(np.exp(np.minimum(exponent, _LARGEST_EXPONENT)), dtype=np.float64)


def fit_damped(
    time: Floats,
    current: Floats,
    noise: float,
    start_s: float,
    peak_s: float,
    peak_a: float,
    *,
    with_line: bool,
) -> DampedFit:
    """Least squares of the damped discharge; `noise` (A) is that of each point.

    First guess: the discharge starts at `start_s` and peaks at `peak_s` with `peak_a`, once weakly and once
    strongly damped; the better fit counts. `with_line` fits offset and drift as well; otherwise both are 0.
    """
    quarter = peak_s - start_s
    omega = 0.5 * pi / quarter
    scale = np.array([quarter, peak_a * omega, omega, omega**2, peak_a, peak_a / quarter])
    middle, free = float(time.mean()), 6 if with_line else 4

    def parameters_of(scaled: Floats) -> Floats:
        return np.asarray(scale * np.concatenate((scaled, np.zeros(6 - free))), dtype=np.float64)

    def residuals(scaled: Floats) -> Floats:
        parameters = parameters_of(scaled)
        line = parameters[4] + parameters[5] * (time - middle)
        return np.asarray((damped(time, parameters) + line - current) / noise, dtype=np.float64)

    ringing = np.array([start_s / quarter, 1.0, 0.1, 1.0, 0.0, 0.0])
    creeping = np.array([start_s / quarter, 2.0, 2.0, 0.0, 0.0, 0.0])
    tries = [least_squares(residuals, guess[:free], x_scale="jac", max_nfev=200) for guess in (ringing, creeping)]
    found = min(tries, key=lambda attempt: float(attempt.cost))
    shift = np.eye(6)
    shift[4, 5] = -middle
    gain = np.zeros((6, time.size))
    gain[:free] = scale[:free, None] * np.linalg.pinv(found.jac) / noise
    return DampedFit(
        parameters=shift @ parameters_of(found.x),
        gain=shift @ gain,
        chi_square=float(2.0 * found.cost / (time.size - free)),
    )
