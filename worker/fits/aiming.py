"""Aiming a shot at a size with what is known of the bench, and no closer to a limit than its errors allow."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from scipy.optimize import brentq

from physics.limits import Limits
from physics.result import ShotResult
from physics.shot import Shot
from worker.fits.estimate import Fit, Floats, Simulate
from worker.fits.parameters import Prior, Priors, priors_of, with_values

#: Share of the wanted shrink that the first shot is aimed at, while only the priors are known.
FIRST_SHARE = 0.75
#: How many of its errors a figure is kept away from its limit.
SAFE_ERRORS = 2.0
#: Half width of the differences that predictions are judged by, in standard deviations of the priors.
_STEP = 0.3
#: Lowest voltage that is aimed with, as a share of the highest, and how exactly a voltage is solved.
_LOWEST, _EXACT_V = 0.2, 1.0
#: Halvings of the way to the highest safe voltage: to a thousandth.
_HALVINGS = 10


class NoSafeShotError(ValueError):
    """Even the weakest shot could be over a limit."""


@dataclass(frozen=True)
class Knowledge:
    """Quantities of bench and part, where they are in deviations of their priors, and the covariance of that."""

    quantities: list[Prior]
    unknowns: Floats
    covariance: Floats

    @classmethod
    def before(cls, plan: Shot, priors: Priors) -> Knowledge:
        """Nothing but the priors."""
        quantities = priors_of(plan, priors)
        return cls(quantities, np.zeros(len(quantities)), np.eye(len(quantities)))

    @classmethod
    def after(cls, found: Fit) -> Knowledge:
        """What a fit has told."""
        return cls(found.priors, found.unknowns, found.unknowns_covariance)

    def values_at(self, unknowns: Floats) -> dict[str, float]:
        """The quantities in their own units."""
        return {one.name: one.at(float(u)) for one, u in zip(self.quantities, unknowns, strict=True)}


class Gunner:
    """Shots of one plan, which says all but the voltage, aimed with what is known, inside limits."""

    def __init__(self, plan: Shot, limits: Limits, known: Knowledge, simulate: Simulate) -> None:
        self._plan, self._limits, self.known, self._simulate = plan, limits, known, simulate

    def aimed_at(self, diameter_m: float, high: float | None = None) -> Shot:
        """The shot that is expected to give this diameter (m), or the strongest one that is safe.

        `high` is the highest safe voltage (V), if it is known already. Raises NoSafeShotError.
        """
        high = self.safest_voltage() if high is None else high
        low = _LOWEST * high

        def missing(voltage_v: float) -> float:
            size = self._figures(self.at(voltage_v), self.known.unknowns)[0]
            return (0.0 if np.isnan(size) else size) - diameter_m

        if missing(high) >= 0.0:
            return self.at(high)
        aimed = low if missing(low) <= 0.0 else float(brentq(missing, low, high, xtol=_EXACT_V))
        # Not every figure grows with the voltage: reversal falls once the coil bursts, so a weaker shot may be over.
        if not self._is_safe(aimed):
            raise NoSafeShotError(f"the shot that is aimed so, at {aimed:.0f} V, could be over a limit")
        return self.at(aimed)

    def predict(self, shot: Shot) -> tuple[float, float]:
        """Diameter (m) expected of the shot, and its error (standard deviation, m) from what is not known."""
        slopes = self._slopes(shot)[:, 0]
        return self._figures(shot, self.known.unknowns)[0], float(np.sqrt(slopes @ self.known.covariance @ slopes))

    def expected(self, shot: Shot) -> ShotResult:
        """The run of the shot with the quantities as they are known, rated against the limits."""
        fitted = with_values(shot, self.known.values_at(self.known.unknowns))
        rated = {"limits": self._limits, "insulation": shot.insulation}
        return self._simulate(fitted.model_copy(update=rated))[0]

    def safest_voltage(self) -> float:
        """Highest voltage (V) at which no limit is exceeded, the peak current not even with two of its errors."""
        high = self._highest_voltage()
        if self._is_safe(high):
            return high
        low = _LOWEST * high
        if not self._is_safe(low):
            raise NoSafeShotError("even the weakest shot could be over a limit")
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self._is_safe(middle) else (low, middle)
        return low

    def at(self, voltage_v: float) -> Shot:
        """The plan with this charge voltage."""
        bank = self._plan.bank.model_copy(update={"charge_voltage_v": voltage_v})
        return self._plan.model_copy(update={"bank": bank})

    def _highest_voltage(self) -> float:
        """What charge voltage and stored energy allow (V)."""
        voltage, energy = self._limits.charge_voltage_v, self._limits.stored_energy_j
        bounds = [] if voltage is None else [voltage]
        bounds += [] if energy is None else [sqrt(2.0 * energy / self._plan.bank.capacitance_farad)]
        if not bounds:
            raise NoSafeShotError("neither charge voltage nor stored energy is limited")
        return min(bounds)

    def _is_safe(self, voltage_v: float) -> bool:
        shot = self.at(voltage_v)
        result = self.expected(shot)
        if any(rating.exceeded for rating in result.ratings):
            return False
        if self._limits.peak_current_a is None:
            return True
        slopes = self._slopes(shot)[:, 1]
        error = float(np.sqrt(slopes @ self.known.covariance @ slopes))
        return self._figures(shot, self.known.unknowns)[1] + SAFE_ERRORS * error <= self._limits.peak_current_a

    def _slopes(self, shot: Shot) -> Floats:
        """Change of diameter (m) and peak current (A) with each unknown, shape (unknowns, 2)."""
        rows = np.zeros((self.known.unknowns.size, 2))
        for index in range(self.known.unknowns.size):
            step = np.zeros(self.known.unknowns.size)
            step[index] = _STEP
            ahead, behind = (np.array(self._figures(shot, self.known.unknowns + side * step)) for side in (1.0, -1.0))
            rows[index] = np.nan_to_num((ahead - behind) / (2.0 * _STEP))
        return rows

    def _figures(self, shot: Shot, unknowns: Floats) -> tuple[float, float]:
        """Final diameter (m), NaN when the part has none, and peak current (A)."""
        result, _, current = self._simulate(with_values(shot, self.known.values_at(unknowns)))
        if result.summary is None:
            return float("nan"), float(np.abs(current).max(initial=0.0))
        return result.summary.final_outer_diameter_m, result.summary.peak_current_a


def first_aim(plan: Shot, diameter_m: float) -> float:
    """What the first shot of a campaign is aimed at (m): short of the size that is wanted."""
    outer = plan.workpiece.outer_diameter_m
    return outer - FIRST_SHARE * (outer - diameter_m)
