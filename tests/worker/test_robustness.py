"""The chance to land within the tolerance, against plain sampling and against estimators that know no polynomial."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy.stats import sobol_indices

from physics import shot_figures, simulate_shot
from tests.worker.samples import request
from tests.worker.test_trial import COILS, solve
from worker.records import Candidate, Robustness
from worker.request import DesignRequest, Spreads
from worker.robustness import Chaos, Floats, robustness, seed_of, standard_normal, stated_spreads, strayed
from worker.trial import shot_for

TARGET_M = 0.024


def only(**spreads: float) -> dict[str, Any]:
    """Spreads that are all 0 but these."""
    return dict.fromkeys(Spreads.model_fields, 0.0) | spreads


@pytest.fixture(scope="module")
def asked() -> DesignRequest:
    return request()


@pytest.fixture(scope="module")
def candidate(asked: DesignRequest) -> Candidate:
    return solve(asked, COILS[1])


@pytest.fixture(scope="module")
def found(asked: DesignRequest, candidate: Candidate) -> Robustness:
    computed = robustness(asked, candidate, TARGET_M, shot_figures)
    assert computed is not None
    return computed


def diameters(asked: DesignRequest, candidate: Candidate, points: Floats) -> Floats:
    """Final diameters (m) at standard normal deviations, shape (points, spreads), laid round the target."""
    assert candidate.charge_voltage_v is not None
    shot = shot_for(asked, candidate.parameters, candidate.charge_voltage_v, "screen")
    names = stated_spreads(asked)

    def size(deviations: dict[str, float]) -> float:
        summary = simulate_shot(strayed(shot, asked.spreads, deviations)).summary
        return math.nan if summary is None else summary.final_outer_diameter_m

    nominal = size({})
    return np.array([size(dict(zip(names, row, strict=True))) for row in points]) - nominal + TARGET_M


def test_chance_agrees_with_a_plain_sample(asked: DesignRequest, candidate: Candidate, found: Robustness) -> None:
    """2,000 shots drawn at random and simply counted give the same chance within three standard errors of both."""
    points = np.random.default_rng(2).standard_normal((2000, len(stated_spreads(asked))))
    inside = np.abs(diameters(asked, candidate, points) - TARGET_M) <= asked.target.tolerance_m
    plain = float(inside.mean())
    error = math.sqrt(plain * (1.0 - plain) / inside.size)
    assert 0.05 < plain < 0.95
    assert found.chance_ratio == pytest.approx(plain, abs=3.0 * math.hypot(error, found.chance_error_ratio))
    assert found.chance_error_ratio < 0.02


def test_shares_agree_with_the_estimators_of_saltelli_and_jansen(
    asked: DesignRequest, candidate: Candidate, found: Robustness
) -> None:
    """Indices from real shots on two matrices and their mixtures, which know no polynomial, rank the spreads alike."""
    names = stated_spreads(asked)
    count = len(names)
    both = standard_normal(2 * count, 64, 5)
    one, other = both[:, :count], both[:, count:]
    mixed = [np.where(np.arange(count) == k, other, one) for k in range(count)]
    values = [diameters(asked, candidate, points) for points in (one, other, *mixed)]
    plain = sobol_indices(
        func={
            "f_A": values[0][None, :],
            "f_B": values[1][None, :],
            "f_AB": np.array(values[2:])[:, None, :],
        },
        n=64,
    )
    total = {share.spread: share.total_ratio for share in found.ranking}
    for name, expected in zip(names, plain.total_order.ravel(), strict=True):
        assert total[name] == pytest.approx(expected, abs=0.15)
    assert found.ranking[0].spread == names[int(np.argmax(plain.total_order))]


def test_shares_add_up(found: Robustness) -> None:
    """First-order shares stay below 1, total ones reach it, and none is larger alone than in all."""
    assert sum(share.first_order_ratio for share in found.ranking) <= 1.0 + 1e-9
    assert sum(share.total_ratio for share in found.ranking) >= 1.0 - 1e-9
    for share in found.ranking:
        assert 0.0 <= share.first_order_ratio <= share.total_ratio + 1e-12
    totals = [share.total_ratio for share in found.ranking]
    assert totals == sorted(totals, reverse=True)


def test_polynomial_gives_the_indices_of_a_known_function() -> None:
    """For y = 3 a + 2 (b² - 1) + a b + 0 c the variance is 9, 8 and 1, so the shares are known exactly."""
    points = standard_normal(3, 64, 1)
    a, b = points[:, 0], points[:, 1]
    fit = Chaos(points, 3.0 * a + 2.0 * (b**2 - 1.0) + a * b)
    alone, total = fit.shares()
    assert alone == pytest.approx([9 / 18, 8 / 18, 0.0], abs=1e-6)
    assert total == pytest.approx([10 / 18, 9 / 18, 0.0], abs=1e-6)
    assert fit.unexplained < 1e-9


def test_what_no_polynomial_follows_is_admitted() -> None:
    """A jump is not followed by a polynomial of the second degree, and the unexplained share says so."""
    points = standard_normal(3, 64, 1)
    assert Chaos(points, np.where(np.sin(9.0 * points[:, 0]) > 0.0, 1.0, -1.0)).unexplained > 0.5


def test_chance_of_one_normal_spread_is_that_of_the_normal_distribution(candidate: Candidate) -> None:
    """With the charge voltage alone straying, the chance follows from the slope of the diameter over the voltage."""
    asked = request(spreads=only(charge_voltage_ratio=0.004))
    found = robustness(asked, candidate, TARGET_M, shot_figures)
    assert found is not None
    low, high = (diameters(asked, candidate, np.array([[z]]))[0] for z in (-0.5, 0.5))
    expected = math.erf(asked.target.tolerance_m / abs(high - low) / math.sqrt(2.0))
    assert found.chance_ratio == pytest.approx(expected, abs=0.02)
    assert [share.spread for share in found.ranking] == ["charge_voltage_ratio"]
    assert found.ranking[0].total_ratio == pytest.approx(1.0)


def test_trim_centres_what_lies_aside(asked: DesignRequest, candidate: Candidate, found: Robustness) -> None:
    """A candidate 0.08 mm too wide has a lower chance, wants more voltage, and that voltage takes the 0.08 mm off."""
    aside = robustness(asked, candidate, TARGET_M + 8e-5, shot_figures)
    assert aside is not None
    assert aside.chance_ratio < found.chance_ratio - 0.02
    assert aside.voltage_trim_ratio > 0.0
    assert aside.trimmed_chance_ratio == pytest.approx(found.trimmed_chance_ratio, abs=0.01)
    assert candidate.charge_voltage_v is not None
    shot = shot_for(asked, candidate.parameters, candidate.charge_voltage_v, "screen")
    change = aside.voltage_trim_ratio - found.voltage_trim_ratio
    sizes = [simulate_shot(strayed(shot, asked.spreads, {}, part)).summary for part in (0.0, change)]
    assert sizes[0] is not None
    assert sizes[1] is not None
    assert sizes[0].final_outer_diameter_m - sizes[1].final_outer_diameter_m == pytest.approx(8e-5, rel=0.1)


def test_answer_is_repeated_bit_for_bit(asked: DesignRequest, candidate: Candidate, found: Robustness) -> None:
    """The same candidate gives the same figures again, and another number of candidate another sample."""
    assert robustness(asked, candidate, TARGET_M, shot_figures) == found
    assert seed_of(asked, candidate) != seed_of(asked, candidate.model_copy(update={"number": 1}))


def test_without_spreads_nothing_is_said(candidate: Candidate) -> None:
    """A request whose spreads are all 0 has no chance to speak of."""
    assert robustness(request(spreads=only()), candidate, TARGET_M, shot_figures) is None
