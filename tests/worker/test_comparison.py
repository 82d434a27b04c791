"""Predicted against measured: bias and scatter are plain statistics, drift is flagged when it is there and matters."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt
import pytest

from tests.worker.fired import planned
from worker.comparison import Comparison, Predicted, compare, trend
from worker.fits.measured import Sizes
from worker.shot_record import Record, RecordContent, Setting

#: NIST, Statistical Reference Datasets, linear regression, "Norris" (ozone monitors; y, x), and its certified values;
#: from memory, which the eleven digits below vouch for.
NORRIS = """
0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3 449.1 448.6 778.9 777.0
559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5 10.8 11.6 557.7 556.0 228.3 228.1
998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3 0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0
10.2 11.1 117.6 118.3 228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5
"""
NORRIS_SLOPE, NORRIS_SLOPE_ERROR = 1.00211681802045, 0.429796848199937e-3


def test_slope_and_its_error_are_the_certified_ones() -> None:
    """To eleven digits, on a published data set for linear regression."""
    y, x = np.array(NORRIS.split(), dtype=float).reshape(-1, 2).T
    found = trend(x, y)
    assert found.points == 36
    assert found.slope == pytest.approx(NORRIS_SLOPE, rel=1e-11)
    assert found.error == pytest.approx(NORRIS_SLOPE_ERROR, rel=1e-11)


def comparison(diameters_m: npt.NDArray[np.float64], predicted_m: float = 0.020) -> Comparison:
    """Records that differ in the measured outer diameter only."""
    shot, start = planned(6000.0, 8), datetime(2026, 3, 1, tzinfo=UTC)
    records = [
        Record(
            id=str(place),
            created_at=start,
            content=RecordContent(
                name=f"shot {place}",
                shot_of=None,
                bench=None,
                set=Setting(),
                shot=shot,
                fired_at=start + timedelta(hours=place),
                sizes=Sizes(final_outer_diameter_m=float(diameter)),
                burst_time_s=None,
                notes="",
                photographs=[],
                supersedes=None,
            ),
            trace=None,
            superseded_by=None,
        )
        for place, diameter in enumerate(diameters_m)
    ]
    said = Predicted(status="completed", figures={"final_outer_diameter_m": predicted_m})
    return compare(records, [said] * len(records))


def test_bias_and_scatter_are_mean_and_deviation() -> None:
    """Three diameters 0.1, 0.2 and 0.3 mm too large against 20 mm: bias 1 %, scatter 0.5 %, by hand."""
    found = comparison(0.020 + np.array([1e-4, 2e-4, 3e-4]))
    (summary,) = found.summary
    assert summary.bias_ratio == pytest.approx(0.01)
    assert summary.scatter_ratio == pytest.approx(0.005)
    assert summary.bias_error_ratio == pytest.approx(0.005 / 3**0.5)
    assert (summary.records_count, summary.drift_per_shot_ratio, summary.drift_flagged) == (3, None, False)
    (figure,) = found.records[2].figures
    assert figure.difference == pytest.approx(3e-4)
    assert figure.unit == "m"


def test_single_record_has_no_scatter() -> None:
    """Nothing is said that one number cannot say."""
    (summary,) = comparison(np.array([0.0202])).summary
    assert (summary.scatter_ratio, summary.bias_error_ratio) == (None, None)
    assert comparison(np.zeros(0)).summary == []


@pytest.mark.parametrize("count", [5, 8, 30])
def test_false_alarms_are_as_rare_as_promised(count: int) -> None:
    """Without drift a slope stands out in 0.93 % of series (2.6 deviations of a normal variable), however short."""
    random = np.random.default_rng(count)
    place = np.arange(count, dtype=float)
    series = 20_000
    alarms = sum(trend(place, random.normal(size=count)).stands_out for _ in range(series))
    # five standard deviations of a binomial count
    assert abs(alarms / series - 0.00932) < 5.0 * (0.00932 / series) ** 0.5


def test_drift_is_flagged_with_what_to_look_at() -> None:
    """Twelve shots whose diameter creeps up by 30 um a shot, read with 20 um: flagged, with sign and size."""
    random = np.random.default_rng(2)
    found = comparison(0.020 + 3e-5 * np.arange(12) + random.normal(0.0, 2e-5, 12))
    (summary,) = found.summary
    assert summary.drift_flagged
    assert summary.drift_per_shot_ratio == pytest.approx(1.5e-3, rel=0.2)
    (remark,) = found.remarks
    assert "outer diameter drifts by +0.1" in remark


def test_drift_that_does_not_matter_is_not_flagged() -> None:
    """However well it is known: twelve shots that creep by 5 um a shot come to less than 0.1 mm."""
    found = comparison(0.020 + 5e-6 * np.arange(12) + 1e-9 * np.sin(np.arange(12)))
    assert not found.summary[0].drift_flagged
    assert found.remarks == []


def test_run_that_did_not_end_well_is_told() -> None:
    """A record that the model has no size for keeps its measurement, and is named."""
    record = comparison(np.array([0.0202])).records[0]
    assert record.figures[0].predicted == 0.020
    shot = planned(6000.0, 8)
    content = RecordContent(
        name="the wild one",
        shot_of=None,
        bench=None,
        set=Setting(),
        shot=shot,
        fired_at=datetime(2026, 3, 1, tzinfo=UTC),
        sizes=Sizes(final_outer_diameter_m=0.01),
        burst_time_s=None,
        notes="",
        photographs=[],
        supersedes=None,
    )
    wild = Record(id="w", created_at=content.fired_at, content=content, trace=None, superseded_by=None)
    found = compare([wild], [Predicted(status="over_crushed", figures={})])
    assert found.records[0].figures[0].predicted is None
    assert found.summary == []
    assert found.remarks == ["the model's run of record the wild one ended as over_crushed"]
