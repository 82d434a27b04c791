"""The fit itself: least squares of the full model to currents and sizes, with priors, and what its answer is worth.

Unknowns are measured in standard deviations of their priors, so that an unknown which the data say nothing about stays
at 0 with error 1. Each record has its own shift of the clock, and all share the probe's scale; the model is run for the
quantities of bench and part only, derivatives to the other two are known. A current that does not fit is weighed down
as a whole, a size by itself (Huber's weight on the misfit), and both are named.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from pydantic import ValidationError
from scipy.interpolate import PchipInterpolator
from scipy.optimize import least_squares

from physics.result import ShotResult
from physics.shot import Shot
from worker.fits.measured import Measured
from worker.fits.parameters import Prior, Priors, priors_of, with_values

Floats = npt.NDArray[np.float64]
#: A shot's result with times (s) and current (A) of every step.
Simulate = Callable[[Shot], tuple[ShotResult, Floats, Floats]]
#: Of each record, one number for its current, if there is one, and one for each size.
Weights = list[Floats]

#: Half width of the differences that derivatives are taken from, in standard deviations of the prior.
STEP = 0.15
#: What the model itself may be off, as a share of the peak current: it keeps many points from outvoting a gauge.
MODEL_ERROR_RATIO = 2e-3
_INDEPENDENT_POINTS = 10.0
#: A size's misfit when the run has none: larger than any real one, and flat.
_NO_SIZE = 30.0
#: Misfit of a record, in standard deviations, from which on it is weighed down; and how often weights are made anew.
HUBER = 2.5
_REWEIGHTINGS = 4
#: No quantity goes further than this, in standard deviations of its prior.
FURTHEST = 6.0


@dataclass(frozen=True)
class Fit:
    """The answer. `names` are quantities of bench and part; vectors and matrices follow that order."""

    priors: list[Prior]
    values: Floats
    #: The same in standard deviations of the priors, and their covariance after the fit.
    unknowns: Floats
    unknowns_covariance: Floats
    #: Covariance in the quantities' own units, after the fit.
    covariance: Floats
    #: Information of the data alone, in units of the priors: eigenvalues below 1 are directions the data do not tell.
    information: Floats
    probe_scale: float
    probe_scale_error: float
    #: Of each record, `current` and each size by name: misfit in standard deviations before weighing, and its weight.
    misfits: list[dict[str, float]]
    weights: list[dict[str, float]]
    #: Mean square misfit per degree of freedom, of what was weighed.
    chi_square: float
    shots_count: int

    @property
    def errors(self) -> Floats:
        """Standard deviations, in the quantities' own units."""
        return np.asarray(np.sqrt(np.diag(self.covariance)), dtype=np.float64)

    @property
    def correlation(self) -> Floats:
        """Correlation of the quantities after the fit."""
        return np.asarray(self.covariance / np.outer(self.errors, self.errors), dtype=np.float64)

    def as_values(self) -> dict[str, float]:
        """The quantities by name."""
        return {prior.name: float(value) for prior, value in zip(self.priors, self.values, strict=True)}


def fit(
    records: Sequence[Measured],
    priors: Priors,
    simulate: Simulate,
    *,
    model_error_ratio: float = MODEL_ERROR_RATIO,
) -> Fit:
    """Fit the quantities that have a prior to the records, whose shots all stand on one bench.

    Raises ValueError when nothing is to be fitted or nothing was measured.
    """
    if not records or not any(record.has_trace or record.sizes.stated for record in records):
        raise ValueError("nothing was measured: give a trace or a size")
    wanted = priors_of(records[0].shot, priors)
    if not wanted:
        raise ValueError("every prior is 0: nothing is to be fitted")
    problem = Problem(records, wanted, priors.probe_scale_ratio, simulate, model_error_ratio)
    unknowns, weights = np.zeros(problem.size), problem.all_alike()
    for _ in range(_REWEIGHTINGS):
        unknowns = problem.solve(unknowns, weights)
        # One record can only be wrong as a whole.
        fresh = problem.huber_weights(unknowns) if len(records) > 1 else weights
        settled = all(np.allclose(new, old, atol=0.02) for new, old in zip(fresh, weights, strict=True))
        weights = fresh
        if settled:
            break
    return problem.report(unknowns, weights)


class Problem:
    """Residuals of all records, in standard deviations, as functions of the unknowns.

    Unknowns: the quantities, then the probe's scale, then a shift of the clock for each record with a trace.
    """

    def __init__(
        self,
        records: Sequence[Measured],
        priors: list[Prior],
        probe_ratio: float,
        simulate: Simulate,
        model_error_ratio: float,
    ) -> None:
        self._model_error_ratio = model_error_ratio
        self.records, self.priors, self.probe_ratio = records, priors, probe_ratio
        self._simulate = simulate
        self.shots = 0
        self.size = len(priors) + 1 + len(records)

    def values(self, unknowns: Floats) -> dict[str, float]:
        """The quantities by name, in their own units."""
        return {p.name: p.at(float(u)) for p, u in zip(self.priors, unknowns, strict=False)}

    def solve(self, start: Floats, weights: Weights) -> Floats:
        """The unknowns of least weighted squares, from a start."""
        roots = self._roots(weights)
        found = least_squares(
            lambda u: self._stack(self._parts(u), u, roots),
            start,
            jac=lambda u: self._jacobian(u, roots, central=False),
            bounds=(-FURTHEST, FURTHEST),
            xtol=1e-4,
            ftol=1e-5,
            max_nfev=15,
        )
        return np.asarray(found.x, dtype=np.float64)

    def all_alike(self) -> Weights:
        """Weights of 1: of each record one for its current, if there is one, and one for each size."""
        return [np.ones(record.has_trace + len(record.sizes.stated)) for record in self.records]

    def huber_weights(self, unknowns: Floats) -> Weights:
        """By the misfits of current and sizes."""
        return [np.minimum(1.0, HUBER / np.maximum(misfits, 1e-9)) for misfits in self._misfits(self._parts(unknowns))]

    def _misfits(self, parts: list[Floats]) -> Weights:
        """Root mean square of a current's residuals, and those of the sizes, in the order of the weights."""
        found = []
        for record, part in zip(self.records, parts, strict=True):
            points = record.time_s.size
            of_current = [math.sqrt(float(np.mean(part[:points] ** 2)))] if record.has_trace else []
            found.append(np.array([*of_current, *np.abs(part[points:])]))
        return found

    def _named(self, numbers: Weights) -> list[dict[str, float]]:
        names = [["current"] * record.has_trace + list(record.sizes.stated) for record in self.records]
        return [dict(zip(n, values.tolist(), strict=True)) for n, values in zip(names, numbers, strict=True)]

    def _roots(self, weights: Weights) -> list[Floats]:
        """Of each residual the square root of its weight."""
        return [
            np.sqrt(np.repeat(given, [record.time_s.size] * record.has_trace + [1] * len(record.sizes.stated)))
            for record, given in zip(self.records, weights, strict=True)
        ]

    def report(self, unknowns: Floats, weights: Weights) -> Fit:
        """What the solution is worth: covariance from central differences, widened by what does not fit."""
        roots, count = self._roots(weights), len(self.priors)
        parts = self._parts(unknowns)
        rows = self._jacobian(unknowns, roots, central=True)
        data = rows[: -self.size]
        residuals = np.concatenate([root * part for root, part in zip(roots, parts, strict=True)])
        chi_square = float(residuals @ residuals) / max(residuals.size - count, 1)
        noise = max(chi_square, 1.0)
        covariance: Floats = np.asarray(np.linalg.inv(data.T @ data / noise + np.eye(self.size)), dtype=np.float64)
        scale = np.array([p.slope_at(float(u)) for p, u in zip(self.priors, unknowns, strict=False)])
        return Fit(
            priors=self.priors,
            values=np.array(list(self.values(unknowns).values())),
            unknowns=unknowns[:count].copy(),
            unknowns_covariance=covariance[:count, :count].copy(),
            covariance=covariance[:count, :count] * np.outer(scale, scale),
            information=_alone(data.T @ data / noise, count),
            probe_scale=1.0 + self.probe_ratio * float(unknowns[count]),
            probe_scale_error=self.probe_ratio * math.sqrt(covariance[count, count]),
            misfits=self._named(self._misfits(parts)),
            weights=self._named(weights),
            chi_square=chi_square,
            shots_count=self.shots,
        )

    def information_at(self, quantities: Floats) -> Floats:
        """Fisher information of the records about the quantities, in units of the priors, shape (n, n)."""
        unknowns = np.concatenate((quantities, np.zeros(self.size - quantities.size)))
        data = self._jacobian(unknowns, self._roots(self.all_alike()), central=True)[: -self.size]
        return _alone(data.T @ data, len(self.priors))

    # ---- residuals ---------------------------------------------------------------------------------------------------

    def _parts(self, unknowns: Floats) -> list[Floats]:
        values = self.values(unknowns)
        return [self._residuals(record, index, values, unknowns) for index, record in enumerate(self.records)]

    def _residuals(self, record: Measured, index: int, values: Mapping[str, float], unknowns: Floats) -> Floats:
        current, _, sizes = self._model(record, values, self._shift(record, index, unknowns))
        scale = 1.0 + self.probe_ratio * unknowns[len(self.priors)]
        traced = (scale * current - record.current_a) / self._current_error(record)
        return np.concatenate((traced, (sizes - _sizes_of(record)) / record.sizes.size_error_m))

    def _model(self, record: Measured, values: Mapping[str, float], shift_s: float) -> tuple[Floats, Floats, Floats]:
        """Current (A), its rate (A/s) at the record's times, and the sizes (m) that were measured."""
        self.shots += 1
        wanted = _sizes_of(record)
        try:
            result, time, current = self._simulate(with_values(record.shot, values))
        except ValidationError:
            time, result = np.zeros(0), None
        if result is None or result.summary is None or time.size < 4:
            nothing = np.zeros(record.time_s.size)
            return nothing, nothing, wanted + _NO_SIZE * record.sizes.size_error_m
        curve = PchipInterpolator(time, current)
        when = np.clip(record.time_s + shift_s, 0.0, time[-1])
        sizes = np.array([getattr(result.summary, name) for name in record.sizes.stated])
        limit = _NO_SIZE * record.sizes.size_error_m
        return curve(when), curve.derivative()(when), wanted + np.clip(sizes - wanted, -limit, limit)

    def _shift(self, record: Measured, index: int, unknowns: Floats) -> float:
        return float(unknowns[len(self.priors) + 1 + index]) * _clock_error(record)

    def _jacobian(self, unknowns: Floats, roots: list[Floats], *, central: bool) -> Floats:
        """Derivatives of the stacked residuals, shape (residuals, unknowns)."""
        count, columns = len(self.priors), []
        base = None if central else self._parts(unknowns)
        for index in range(count):
            step = np.zeros(self.size)
            # Towards the middle, so that no quantity leaves its range.
            step[index] = STEP if unknowns[index] <= 0.0 else -STEP
            ahead = self._parts(unknowns + step)
            behind = self._parts(unknowns - step) if base is None else base
            width = (2.0 if base is None else 1.0) * step[index]
            columns.append(np.concatenate([r * (a - b) / width for r, a, b in zip(roots, ahead, behind, strict=True)]))
        return np.vstack((np.column_stack((*columns, *self._known_columns(unknowns, roots))), np.eye(self.size)))

    def _known_columns(self, unknowns: Floats, roots: list[Floats]) -> list[Floats]:
        """Derivatives to the probe's scale and to each record's clock."""
        values, count = self.values(unknowns), len(self.priors)
        scale = 1.0 + self.probe_ratio * unknowns[count]
        blocks = []
        for index, record in enumerate(self.records):
            current, rate, sizes = self._model(record, values, self._shift(record, index, unknowns))
            error, none = self._current_error(record), np.zeros(sizes.size)
            by_scale = np.concatenate((self.probe_ratio * current / error, none))
            by_shift = np.concatenate((scale * rate * _clock_error(record) / error, none))
            blocks.append((roots[index] * by_scale, roots[index] * by_shift))
        rows = [block[0].size for block in blocks]
        starts = np.concatenate(([0], np.cumsum(rows)))
        found = [np.concatenate([block[0] for block in blocks])]
        for index, block in enumerate(blocks):
            column = np.zeros(starts[-1])
            column[starts[index] : starts[index + 1]] = block[1]
            found.append(column)
        return found

    def _current_error(self, record: Measured) -> float:
        """Standard deviation (A) that the difference of each point counts with.

        The noise of the trace differs from point to point. What the model is off does not, so that many points do not
        lower it: it counts as if there were ten of them.
        """
        if not record.has_trace:
            return 1.0
        model = self._model_error_ratio * float(np.abs(record.current_a).max())
        return math.hypot(record.noise_a, model * math.sqrt(max(record.time_s.size / _INDEPENDENT_POINTS, 1.0)))

    def _stack(self, parts: list[Floats], unknowns: Floats, roots: list[Floats]) -> Floats:
        return np.concatenate([*(root * part for root, part in zip(roots, parts, strict=True)), unknowns])


def _sizes_of(record: Measured) -> Floats:
    return np.array(list(record.sizes.stated.values()), dtype=np.float64)


def _clock_error(record: Measured) -> float:
    """How far a record's start may be off, s: its own error, and what a moving circuit does to its fit."""
    if not record.has_trace:
        return 1.0
    return math.hypot(3.0 * record.start_error_s, 2e-3 * float(record.time_s[-1]))


def _alone(information: Floats, count: int) -> Floats:
    """Information about the first `count` unknowns once the others, with their priors, are let go."""
    rest = information[count:, count:] + np.eye(information.shape[0] - count)
    across = information[:count, count:]
    return np.asarray(information[:count, :count] - across @ np.linalg.solve(rest, across.T), dtype=np.float64)
