"""The fit finds what was hidden in made-up shots, knows how far to trust it, and what it cannot know.

The made-up shots come from the model itself with quantities changed by amounts that the fit is not told, noise of known
size and a probe that is off: whether the model is right is the business of the physics tests.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import sqrt

import numpy as np
import numpy.typing as npt
import pytest
from scipy.stats import chi2

from physics import check_shot
from physics.shot import Shot
from physics.simulate import simulate_with_current
from physics.waveform import cleaned
from tests.physics.shots import TRADE_SHOT, changed
from worker.fits.estimate import Fit, Problem, fit
from worker.fits.identify import identify
from worker.fits.measured import Measured, Sizes, measured
from worker.fits.next_shot import rank
from worker.fits.parameters import Priors, priors_of, with_values

Floats = npt.NDArray[np.float64]

GAUGE_M = 3e-5
PROBE_SCALE = 1.006
PRIORS = Priors()


def shot(voltage_v: float, turns: int = 8) -> Shot:
    return check_shot(
        changed(
            TRADE_SHOT,
            bank={"charge_voltage_v": voltage_v},
            coil={"turns_count": turns},
            solver={"fidelity": "screen"},
        )
    )


def fired(name: str, planned: Shot, truth: Mapping[str, float], seed: int, off_m: float = 0.0) -> Measured:
    """What would be measured of the planned shot on a bench that really is as `truth` says."""
    random = np.random.default_rng(seed)
    result, time, current = simulate_with_current(with_values(planned, truth))
    assert result.summary is not None
    clock = np.linspace(-1e-5, 9e-5, 2000)
    value = PROBE_SCALE * np.interp(clock, time, current, left=0.0)
    value += random.normal(0.0, 0.005 * current.max(), clock.size)
    gauge = random.normal(0.0, GAUGE_M, 2)
    return measured(
        name,
        planned,
        Sizes(
            final_outer_diameter_m=result.summary.final_outer_diameter_m + gauge[0] + off_m,
            final_rim_thickness_m=result.summary.final_rim_thickness_m + gauge[1],
            size_error_m=GAUGE_M,
        ),
        cleaned(clock + 3e-7, value),
    )


def hidden(seed: int) -> dict[str, float]:
    """A bench as the priors say that benches are, half as far out."""
    random = np.random.default_rng(seed)
    return {prior.name: prior.at(0.5 * random.normal()) for prior in priors_of(shot(6e3), PRIORS)}


PLAN = [shot(6000.0), shot(6500.0, 7), shot(5500.0, 9)]


@pytest.fixture(scope="module")
def truth() -> dict[str, float]:
    return hidden(7)


@pytest.fixture(scope="module")
def records(truth: dict[str, float]) -> list[Measured]:
    return [fired(f"shot {k}", planned, truth, 10 + k) for k, planned in enumerate(PLAN)]


@pytest.fixture(scope="module")
def found(records: list[Measured]) -> Fit:
    return fit(records, PRIORS, simulate_with_current)


def test_the_hidden_bench_is_found(found: Fit, truth: dict[str, float]) -> None:
    """Every quantity within three of its errors, which are far below the priors' for what currents and sizes tell."""
    for prior, value, error in zip(found.priors, found.values, found.errors, strict=True):
        assert abs(value - truth[prior.name]) < 3.0 * error, prior.name
    ratios = identify(found).error_ratios
    for name in ("stray_inductance_henry", "stray_resistance_ohm", "capacitance_ratio", "flow_stress_ratio"):
        assert ratios[name] < 0.4, name
    assert found.probe_scale == pytest.approx(PROBE_SCALE, abs=3.0 * found.probe_scale_error)


def test_errors_are_neither_boasts_nor_excuses() -> None:
    """Over ten hidden benches the squared misses, weighed by the covariance, add up as chi-square says they must.

    One shot each; with the model's own error left out, as the made-up shots have none beyond a half per mille.
    """
    total, freedom = 0.0, 0
    for seed in range(10):
        truth = hidden(100 + seed)
        answer = fit([fired("one", PLAN[0], truth, 200 + seed)], PRIORS, simulate_with_current, model_error_ratio=1e-3)
        miss = np.array([truth[prior.name] for prior in answer.priors]) - answer.values
        total += float(miss @ np.linalg.solve(answer.covariance, miss))
        freedom += miss.size
    assert chi2.ppf(1e-4, freedom) < total < chi2.ppf(1 - 1e-3, freedom)


def test_more_shots_tell_more(records: list[Measured], found: Fit) -> None:
    """Three records leave smaller errors than one, and never larger than the prior."""
    one = fit(records[:1], PRIORS, simulate_with_current)
    assert (found.errors < one.errors).all()
    assert (np.diag(one.unknowns_covariance) <= 1.0 + 1e-9).all()


def test_a_record_that_does_not_fit_is_weighed_down_and_named(truth: dict[str, float]) -> None:
    """A diameter read wrong by 0.6 mm among five shots does not pull the flow stress along."""
    plan = [*PLAN, shot(6200.0), shot(5800.0)]
    records = [fired(f"shot {k}", p, truth, 20 + k, off_m=6e-4 if k == 2 else 0.0) for k, p in enumerate(plan)]
    answer = fit(records, PRIORS, simulate_with_current)
    assert answer.weights[2]["final_outer_diameter_m"] < 0.3
    assert answer.misfits[2]["final_outer_diameter_m"] > 10.0
    rest = [w for k, given in enumerate(answer.weights) for n, w in given.items() if (k, n[:11]) != (2, "final_outer")]
    assert min(rest) > 0.8
    index = [prior.name for prior in answer.priors].index("flow_stress_ratio")
    assert abs(answer.values[index] - truth["flow_stress_ratio"]) < 3.0 * answer.errors[index]
    assert answer.errors[index] < 0.02


def test_a_current_alone_does_not_tell_gap_from_stray_inductance(records: list[Measured]) -> None:
    """Both only lengthen the loop's inductance: their errors are the mirror of each other, and that is said."""
    wide = PRIORS.model_copy(update={"gap_offset_m": 3e-4, "probe_scale_ratio": 0.0, "flow_stress_ratio": 0.0})
    bare = Measured(**{**vars(records[0]), "sizes": Sizes()})
    judged = identify(fit([bare], wide, simulate_with_current))
    correlations = {pair[:2]: pair[2] for pair in judged.inseparable}
    assert correlations["gap_offset_m", "stray_inductance_henry"] < -0.9
    assert "cannot tell gap_offset_m from stray_inductance_henry" in judged.statement


def test_sizes_alone_say_nothing_of_the_circuit_apart(records: list[Measured]) -> None:
    """One diameter is one number: of five quantities at most one combination is told."""
    none = np.zeros(0)
    bare = Measured("sizes", records[0].shot, records[0].sizes, none, none, 1.0, 1.0)
    answer = fit([bare], PRIORS, simulate_with_current)
    assert np.sum(np.linalg.eigvalsh(answer.information) > 1.0) <= 2
    assert identify(answer).untold


def test_information_is_that_of_the_closed_form() -> None:
    """Loop with a held part and no heating: Fisher information against differences of the trace itself.

    F = sum of (dI/dp)^2 / s^2 over the points for a single quantity, clock and probe known.
    """
    still = check_shot(
        changed(TRADE_SHOT, solver={"fidelity": "screen", "motion": False, "heating": False, "stop_time_s": 4e-5})
    )
    only = Priors(
        stray_inductance_ratio=0.3,
        stray_resistance_ratio=0.0,
        capacitance_ratio=0.0,
        gap_offset_m=0.0,
        flow_stress_ratio=0.0,
        probe_scale_ratio=0.0,
    )
    when = np.linspace(0.0, 3.5e-5, 200)
    (prior,) = priors_of(still, only)

    def current(unknown: float) -> Floats:
        _, time, values = simulate_with_current(with_values(still, {prior.name: prior.at(unknown)}))
        return np.asarray(np.interp(when, time, values))

    noise = 300.0
    exact = float((((current(0.05) - current(-0.05)) / 0.1 / noise) ** 2).sum())
    record = Measured("still", still, Sizes(), when, current(0.0), noise, 1e-12)
    # A clock that is known to a part in a billion of the time takes nothing away.
    problem = Problem([record], [prior], 0.0, simulate_with_current, 0.0)
    information = float(problem.information_at(np.zeros(1))[0, 0])
    clock = 2e-3 * when[-1]
    rate = np.gradient(current(0.0), when) * clock / noise
    slope = (current(0.05) - current(-0.05)) / 0.1 / noise
    lost = float((slope @ rate) ** 2 / (1.0 + rate @ rate))
    assert information == pytest.approx(exact - lost, rel=0.02)


def test_the_next_shot_is_the_one_that_tells_most(records: list[Measured]) -> None:
    """The promised errors come true within a fifth when that shot is fired; a weaker shot promises less on strength."""
    first = fit(records[:1], PRIORS, simulate_with_current)
    choices = [shot(3000.0), shot(6000.0), shot(6800.0, 7)]
    ranked = rank(first, choices, records[0].sizes, PRIORS, simulate_with_current)
    assert [s.gain for s in ranked] == sorted((s.gain for s in ranked), reverse=True)
    assert ranked[-1].shot.bank.charge_voltage_v == 3000.0
    best = ranked[0]
    after = fit([records[0], fired("next", best.shot, hidden(7), 30)], PRIORS, simulate_with_current)
    for prior, error in zip(after.priors, after.errors, strict=True):
        assert error == pytest.approx(best.expected_errors[prior.name], rel=0.3), prior.name
    assert sqrt(float(np.linalg.det(after.unknowns_covariance))) < sqrt(float(np.linalg.det(first.unknowns_covariance)))


@pytest.mark.parametrize(
    ("records_given", "priors", "words"),
    [(False, PRIORS, "nothing was measured"), (True, Priors(**dict.fromkeys(Priors.model_fields, 0.0)), "every prior")],
)
def test_a_fit_of_nothing_is_refused(
    records: list[Measured], *, records_given: bool, priors: Priors, words: str
) -> None:
    """No measurement, or nothing that may differ."""
    with pytest.raises(ValueError, match=words):
        fit(records if records_given else [], priors, simulate_with_current)
