"""What becomes of a shot when bench, coil and part are not quite as designed: the chance to land in the tolerance.

Every spread of the request is a normal distribution. A scrambled Sobol' sample of them is shot at `screen`, and only
differences to the nominal shot are used, so that what the coarse mesh leaves drops out; they are laid round the
diameter that the finest mesh gives. Through the sample goes a polynomial in the standard normal variables: Hermite
polynomials up to the second degree, with the products of the most important variables. Its coefficients are the
variance-based indices (B. Sudret, Reliability Engineering and System Safety 93, 2008, equations 35 to 38), and what it
fails to reproduce is measured by leaving out one shot at a time.
"""

from __future__ import annotations

import hashlib
import itertools
import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

from physics.shot import Shot
from worker.records import Candidate, Robustness, SpreadShare
from worker.request import DesignRequest, Spreads
from worker.search_space import GAP_RANGE_M
from worker.sobol import sobol
from worker.trial import TOO_STRONG, Simulate, shot_for

Floats = npt.NDArray[np.float64]

#: Shots of the sample; a power of two keeps the Sobol' points even.
SAMPLE = 64
#: Points at which the fitted polynomial is held against the tolerance.
FINE_SAMPLE = 4096
#: Variables whose products are fitted as well: so many of the largest slopes.
PRODUCTS_OF = 3
#: Above this share of unexplained variance the chance is counted from the shots.
WORST_UNEXPLAINED = 0.1
#: The sample is cut into so many parts, each left out once, for the error of the chance.
PARTS = 8
#: Steps of the charge voltage for the trim, relative.
TRIM_STEP = 0.005
#: No sample is further out than this, in standard deviations.
FURTHEST = 4.0


def robustness(request: DesignRequest, candidate: Candidate, centre_m: float, simulate: Simulate) -> Robustness | None:
    """The chance of a candidate whose final diameter is `centre_m` (m) when everything is as designed.

    None when the nominal shot has no size at `screen`, when no spread is stated, or when nearly every shot fails.
    """
    names = stated_spreads(request)
    assert candidate.charge_voltage_v is not None, "a candidate on the front has a voltage"
    sample = _Sample(request, candidate, simulate)
    nominal = sample.diameter({})
    if not names or nominal is None:
        return None
    points = standard_normal(len(names), SAMPLE, seed_of(request, candidate))
    sizes = np.array([_number(sample.diameter(dict(zip(names, row, strict=True)))) for row in points])
    has_size = np.isfinite(sizes)
    if has_size.sum() < SAMPLE // 2:
        return None
    offsets = sizes - nominal + centre_m - request.target_diameter_m
    fit = Chaos(points[has_size], offsets[has_size])
    tolerance = request.target.tolerance_m
    chance, error = _chance(fit, points, offsets, tolerance)
    centred, _ = _chance(fit, points, offsets - fit.mean, tolerance)
    return Robustness(
        chance_ratio=chance,
        chance_error_ratio=error,
        spread_m=fit.deviation,
        voltage_trim_ratio=_trim(sample, fit.mean),
        trimmed_chance_ratio=centred,
        ranking=_ranking(names, fit),
        unexplained_ratio=fit.unexplained,
        shots_count=sample.shots,
    )


def stated_spreads(request: DesignRequest) -> list[str]:
    """The spreads above 0, by name."""
    return [name for name in Spreads.model_fields if getattr(request.spreads, name) > 0.0]


def seed_of(request: DesignRequest, candidate: Candidate) -> int:
    """A seed of its own for each candidate, the same on every machine."""
    digest = hashlib.sha256(f"{request.seed}/spreads/{candidate.number}".encode()).digest()
    return int.from_bytes(digest[:4], "big")


def standard_normal(variables: int, count: int, seed: int) -> Floats:
    """Scrambled Sobol' points as standard normal numbers, shape (count, variables)."""
    return np.asarray(np.clip(ndtri(sobol(variables, count, seed)), -FURTHEST, FURTHEST), dtype=np.float64)


def _number(value: float | None) -> float:
    return math.nan if value is None else value


# ---- shots that stray ------------------------------------------------------------------------------------------------


class _Sample:
    """Shots of one candidate that stray from it."""

    def __init__(self, request: DesignRequest, candidate: Candidate, simulate: Simulate) -> None:
        assert candidate.charge_voltage_v is not None, "a candidate on the front has a voltage"
        self._shot = shot_for(request, candidate.parameters, candidate.charge_voltage_v, "screen")
        self._spreads = request.spreads
        self._simulate = simulate
        self.shots = 0

    def diameter(self, deviations: Mapping[str, float], voltage_ratio: float = 0.0) -> float | None:
        """Final diameter (m) with each spread so many standard deviations out; None when the shot has no size."""
        self.shots += 1
        shot = strayed(self._shot, self._spreads, deviations, voltage_ratio)
        result = self._simulate(shot)
        if result.summary is None or result.status in TOO_STRONG:
            return None
        return result.summary.final_outer_diameter_m


def strayed(
    shot: Shot,
    spreads: Spreads,
    deviations: Mapping[str, float],
    voltage_ratio: float = 0.0,
) -> Shot:
    """A shot with each quantity off by so many of its standard deviations, and the voltage changed by a share.

    Insulation is not looked at: it does not change a size.
    """
    off = {name: getattr(spreads, name) * deviations.get(name, 0.0) for name in Spreads.model_fields}
    body = shot.model_dump(exclude={"insulation", "limits"})
    bank, coil, part = body["bank"], body["coil"], body["workpiece"]
    bank["charge_voltage_v"] *= (1.0 + off["charge_voltage_ratio"]) * (1.0 + voltage_ratio)
    bank["capacitance_farad"] *= 1.0 + off["capacitance_ratio"]
    _scale(body, "inductance_henry", 1.0 + off["stray_inductance_ratio"])
    _scale(body, "resistance_ohm", 1.0 + off["stray_resistance_ratio"])
    body["gap_m"] = max(body["gap_m"] + off["gap_m"], GAP_RANGE_M[0])
    thicker = off["wire_diameter_ratio"] * coil["wire_diameter_m"]
    for name in ("wire_diameter_m", "pitch_m", "layer_pitch_m"):
        coil[name] = None if coil[name] is None else coil[name] + thicker
    part["thickness_m"] += off["thickness_m"]
    for name in ("flow_stress_ratio", "resistivity_ratio"):
        body["calibration"][name] *= 1.0 + off[name]
    return Shot.model_validate(body)


def _scale(body: dict[str, Any], ending: str, factor: float) -> None:
    for name in (ending, f"capacitor_{ending}"):
        body["bank"][name] *= factor
    for place in ("switch", "leads"):
        body[place][ending] *= factor


# ---- what the sample says --------------------------------------------------------------------------------------------


class Chaos:
    """A polynomial of the second degree in standard normal variables, fitted to a sample by least squares.

    `points` has the shape (shots, variables), `values` (shots,). The terms are orthogonal and of unit variance, so the
    square of a coefficient is what its term adds to the variance.
    """

    def __init__(self, points: Floats, values: Floats, pairs: list[tuple[int, int]] | None = None) -> None:
        self.pairs = _important_pairs(points, values) if pairs is None else pairs
        terms = self._terms(points)
        self.coefficients: Floats = np.asarray(np.linalg.lstsq(terms, values, rcond=None)[0], dtype=np.float64)
        leverage = np.einsum("ij,ji->i", terms, np.linalg.pinv(terms))
        left_out = (values - terms @ self.coefficients) / np.maximum(1.0 - leverage, 1e-6)
        variance = float(values.var(ddof=1))
        self.unexplained = 0.0 if variance == 0.0 else min(float((left_out**2).mean()) / variance, 1.0)
        #: Standard deviation of what the polynomial misses.
        self.rest = float(np.sqrt((left_out**2).mean()))
        self.mean = float(self.coefficients[0])
        self.deviation = float(np.sqrt((self.coefficients[1:] ** 2).sum() + self.rest**2))
        self._variables = points.shape[1]

    def _terms(self, points: Floats) -> Floats:
        squares = (points**2 - 1.0) / math.sqrt(2.0)
        products = [points[:, i] * points[:, j] for i, j in self.pairs]
        return np.column_stack([np.ones(len(points)), points, squares, *products])

    def __call__(self, points: Floats) -> Floats:
        """Values at points of shape (points, variables)."""
        found: Floats = self._terms(points) @ self.coefficients
        return found

    def shares(self) -> tuple[Floats, Floats]:
        """First-order and total share of the polynomial's variance of each variable."""
        count = self._variables
        squares = self.coefficients[1:] ** 2
        alone = squares[:count] + squares[count : 2 * count]
        total = alone.copy()
        for square, pair in zip(squares[2 * count :], self.pairs, strict=True):
            total[list(pair)] += square
        variance = squares.sum()
        return (alone / variance, total / variance) if variance > 0.0 else (alone, total)

    def chance_within(self, tolerance_m: float, points: Floats) -> float:
        """Share of `points` within the tolerance, with what the polynomial misses taken as normal."""
        values, rest = self(points), max(self.rest, 1e-12)
        inside = ndtr((tolerance_m - values) / rest) - ndtr((-tolerance_m - values) / rest)
        return float(np.clip(inside.mean(), 0.0, 1.0))


def _important_pairs(points: Floats, values: Floats) -> list[tuple[int, int]]:
    slopes = np.linalg.lstsq(np.column_stack([np.ones(len(points)), points]), values, rcond=None)[0][1:]
    largest = sorted(np.argsort(-np.abs(slopes), kind="stable")[:PRODUCTS_OF].tolist())
    return list(itertools.combinations(largest, 2))


def _chance(fit: Chaos, points: Floats, offsets: Floats, tolerance_m: float) -> tuple[float, float]:
    """The chance and its standard error; `offsets` (m) are not finite where a shot had no size, which is a miss."""
    has_size = np.isfinite(offsets)
    if fit.unexplained > WORST_UNEXPLAINED or not has_size.all():
        inside = int((np.abs(offsets[has_size]) <= tolerance_m).sum())
        # Laplace's rule keeps the error above 0 when all or none hit
        likely = (inside + 1.0) / (len(offsets) + 2.0)
        return inside / len(offsets), math.sqrt(likely * (1.0 - likely) / len(offsets))
    fine = standard_normal(points.shape[1], FINE_SAMPLE, 0)
    chance = Chaos(points, offsets, fit.pairs).chance_within(tolerance_m, fine)
    part = np.arange(len(points)) % PARTS
    without = np.array(
        [Chaos(points[part != k], offsets[part != k], fit.pairs).chance_within(tolerance_m, fine) for k in range(PARTS)]
    )
    # jackknife over the parts
    return chance, float(np.sqrt((PARTS - 1) / PARTS * ((without - without.mean()) ** 2).sum()))


def _trim(sample: _Sample, mean_offset_m: float) -> float:
    """Relative change of the voltage that brings the mean size to the target, by the slope at the nominal shot."""
    low, high = sample.diameter({}, -TRIM_STEP), sample.diameter({}, TRIM_STEP)
    if low is None or high is None or high >= low:
        return 0.0
    return -mean_offset_m * 2.0 * TRIM_STEP / (high - low)


def _ranking(names: list[str], fit: Chaos) -> list[SpreadShare]:
    alone, total = fit.shares()
    shares = [
        SpreadShare(spread=name, first_order_ratio=float(one), total_ratio=float(whole))
        for name, one, whole in zip(names, alone, total, strict=True)
    ]
    return sorted(shares, key=lambda share: (-share.total_ratio, share.spread))
