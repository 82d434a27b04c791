"""A sequence of shots towards a size while the bench is not yet known well: start weak, fit, aim again.

Every shot is aimed with what the shots before it have told. None is fired that could, within two of the errors that are
left, be over a limit. It ends when a measured part is within the tolerance.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from physics.shot import Shot
from worker.fits.estimate import Fit, Floats, Simulate, fit
from worker.fits.measured import Measured
from worker.fits.parameters import Prior, Priors, priors_of, with_values

#: Share of the wanted shrink that the first shot is aimed at, while only the priors are known.
FIRST_SHARE = 0.75
#: How many of its errors a figure is kept away from its limit.
SAFE_ERRORS = 2.0
#: Half width of the differences that predictions are judged by, in standard deviations of the priors.
_STEP = 0.3
#: Lowest voltage that is aimed with, as a share of the highest, and how exactly a voltage is solved.
_LOWEST, _EXACT_V = 0.2, 1.0
MOST_SHOTS = 6

#: Fires a shot on the real bench and measures it.
Fire = Callable[[Shot], Measured]


@dataclass(frozen=True)
class Aim:
    """What is wanted, and what must not be exceeded."""

    final_outer_diameter_m: float
    tolerance_m: float
    charge_voltage_v: float
    peak_current_a: float | None = None


@dataclass(frozen=True)
class Step:
    """One shot of a campaign: what was expected of it before it was fired, and what was measured."""

    shot: Shot
    predicted_m: float
    predicted_error_m: float
    measured_m: float
    hit: bool


def campaign(plan: Shot, aim: Aim, priors: Priors, simulate: Simulate, fire: Fire) -> list[Step]:
    """Fire until a part is within the tolerance, or `MOST_SHOTS` were fired. `plan` says all but the voltage.

    Each measurement needs a final outer diameter. Raises ValueError when even the weakest shot could be over a limit.
    """
    gunner = _Gunner(plan, aim, priors, simulate)
    steps: list[Step] = []
    while len(steps) < MOST_SHOTS and not (steps and steps[-1].hit):
        wanted = aim.final_outer_diameter_m
        if not steps:
            outer = plan.workpiece.outer_diameter_m
            wanted = outer - FIRST_SHARE * (outer - wanted)
        shot = gunner.aimed_at(wanted)
        predicted, error = gunner.predict(shot)
        measured = fire(shot)
        size = measured.sizes.final_outer_diameter_m
        if size is None:
            raise ValueError("a campaign needs the final outer diameter of each part")
        gunner.learn(measured)
        hit = abs(size - aim.final_outer_diameter_m) <= aim.tolerance_m
        steps.append(Step(shot, predicted, error, size, hit))
    return steps


class _Gunner:
    """What is known of the bench so far, and shots that are aimed with it."""

    def __init__(self, plan: Shot, aim: Aim, priors: Priors, simulate: Simulate) -> None:
        self._plan, self._aim, self._priors, self._simulate = plan, aim, priors, simulate
        self._quantities: list[Prior] = priors_of(plan, priors)
        self._unknowns = np.zeros(len(self._quantities))
        self._covariance = np.eye(len(self._quantities))
        self._records: list[Measured] = []

    def learn(self, measured: Measured) -> None:
        """Fit all that was measured so far."""
        self._records.append(measured)
        found: Fit = fit(self._records, self._priors, self._simulate)
        self._unknowns, self._covariance = found.unknowns, found.unknowns_covariance

    def aimed_at(self, diameter_m: float) -> Shot:
        """The shot that is expected to give this diameter (m), or the strongest that is safe."""
        high = self._safest_voltage()
        low = _LOWEST * high

        def missing(voltage_v: float) -> float:
            size = self._figures(self._at(voltage_v), self._unknowns)[0]
            return (0.0 if np.isnan(size) else size) - diameter_m

        if missing(high) >= 0.0:
            return self._at(high)
        if missing(low) <= 0.0:
            return self._at(low)
        return self._at(float(brentq(missing, low, high, xtol=_EXACT_V)))

    def predict(self, shot: Shot) -> tuple[float, float]:
        """Diameter (m) expected of the shot, and its error (standard deviation, m) from what is not known."""
        slopes = self._slopes(shot)[:, 0]
        return self._figures(shot, self._unknowns)[0], float(np.sqrt(slopes @ self._covariance @ slopes))

    def _safest_voltage(self) -> float:
        """Highest voltage (V) at which the peak current stays below its limit by two of its errors."""
        high, limit = self._aim.charge_voltage_v, self._aim.peak_current_a
        if limit is None:
            return high

        def room(voltage_v: float) -> float:
            shot = self._at(voltage_v)
            slopes = self._slopes(shot)[:, 1]
            error = float(np.sqrt(slopes @ self._covariance @ slopes))
            return limit - self._figures(shot, self._unknowns)[1] - SAFE_ERRORS * error

        if room(high) >= 0.0:
            return high
        low = _LOWEST * high
        if room(low) <= 0.0:
            raise ValueError("even the weakest shot could be over the limit of the peak current")
        # From below, so that what is solved is on the safe side.
        return float(brentq(room, low, high, xtol=_EXACT_V)) - _EXACT_V

    def _slopes(self, shot: Shot) -> Floats:
        """Change of diameter (m) and peak current (A) with each unknown, shape (unknowns, 2)."""
        rows = []
        for index in range(self._unknowns.size):
            step = np.zeros(self._unknowns.size)
            step[index] = _STEP
            ahead, behind = (np.array(self._figures(shot, self._unknowns + side * step)) for side in (1.0, -1.0))
            rows.append(np.nan_to_num((ahead - behind) / (2.0 * _STEP)))
        return np.array(rows)

    def _figures(self, shot: Shot, unknowns: Floats) -> tuple[float, float]:
        """Final diameter (m), NaN when the part has none, and peak current (A)."""
        values = {prior.name: prior.at(float(u)) for prior, u in zip(self._quantities, unknowns, strict=True)}
        result, _, current = self._simulate(with_values(shot, values))
        if result.summary is None:
            return float("nan"), float(np.abs(current).max(initial=0.0))
        return result.summary.final_outer_diameter_m, result.summary.peak_current_a

    def _at(self, voltage_v: float) -> Shot:
        bank = self._plan.bank.model_copy(update={"charge_voltage_v": voltage_v})
        return self._plan.model_copy(update={"bank": bank})
