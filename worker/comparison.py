"""What was predicted against what was measured of the shots of a bench: bias, scatter, and drift from shot to shot."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import sqrt

import numpy as np
import numpy.typing as npt
from pydantic import Field
from scipy.special import ndtr, stdtrit

from physics.result import ShotResult
from physics.schema import Checked, unit_of
from worker.fits.measured import SIZE_NAMES
from worker.shot_record import Record

Floats = npt.NDArray[np.float64]

#: What a trace tells, with the name of its error.
_OF_TRACE = {
    "peak_current_a": "peak_current_error_a",
    "time_to_peak_s": "time_to_peak_error_s",
    "first_current_zero_s": "first_current_zero_error_s",
}
FIGURES = (*_OF_TRACE, *SIZE_NAMES, "burst_time_s")
#: A drift is told from so many standard errors of its slope on; with few records it takes as many more as make the same
#: chance of a false alarm.
DRIFT_SIGMA = 2.6
FEWEST_FOR_DRIFT = 5
#: And only if it comes to this much over all records: a hundredth of a current or a time, 0.1 mm of a size.
RELEVANT_RATIO, RELEVANT_M = 0.01, 1e-4


class Predicted(Checked):
    """What the model says of a record's shot."""

    status: str = Field(description="How the run ended, or `not_on_bench`: the bench cannot be set so.")
    figures: dict[str, float] = Field(description="Figures that can be measured, by name, in the unit of the name.")


class ComparedFigure(Checked):
    """One figure of one record."""

    name: str
    unit: str = Field(description="UCUM code of the unit of all numbers here but the last.")
    measured: float
    measured_error: float | None = Field(description="Standard deviation of the measurement; null if not known.")
    predicted: float | None = Field(description="Null when the run gave none.")
    difference: float | None = Field(description="Measured minus predicted.")
    difference_ratio: float | None = Field(description="The same over what was predicted.")


class ComparedRecord(Checked):
    """One record."""

    record_id: str
    name: str
    fired_at: datetime
    status: str = Field(description="How the run ended, or `not_on_bench`: the bench cannot be set so.")
    figures: list[ComparedFigure]


class FigureSummary(Checked):
    """One figure over all records."""

    name: str
    records_count: int
    bias_ratio: float = Field(description="Mean of measured minus predicted, over predicted.")
    bias_error_ratio: float | None = Field(description="Standard error of that mean; null for a single record.")
    scatter_ratio: float | None = Field(description="Standard deviation from shot to shot; null for a single record.")
    drift_per_shot_ratio: float | None = Field(description="Slope of the difference over the shots; null below five.")
    drift_per_shot_error_ratio: float | None = Field(description="Standard error of that slope.")
    drift_flagged: bool = Field(description="The slope stands out of the scatter, and matters.")


class Comparison(Checked):
    """All records of a bench, in the order that they were fired."""

    records: list[ComparedRecord]
    summary: list[FigureSummary]
    remarks: list[str]


@dataclass(frozen=True)
class Trend:
    """A straight line through points: slope and its standard error."""

    slope: float
    error: float
    points: int

    @property
    def stands_out(self) -> bool:
        """Whether chance alone makes such a slope no more often than a normal variable leaves 2.6 deviations."""
        limit = -stdtrit(self.points - 2, ndtr(-DRIFT_SIGMA))  # of Student's t, exceeded by chance as rarely
        return abs(self.slope) > float(limit) * self.error


def trend(place: Floats, value: Floats) -> Trend:
    """Ordinary least squares through three points or more, both columns of shape (n,)."""
    centred = place - place.mean()
    square = float(centred @ centred)
    slope = float(centred @ value) / square
    residual = value - value.mean() - slope * centred
    return Trend(slope, sqrt(float(residual @ residual) / (place.size - 2) / square), place.size)


def predicted_of(result: ShotResult) -> Predicted:
    """The figures of a run that can be measured."""
    found = {} if result.summary is None else {name: getattr(result.summary, name) for name in FIGURES}
    return Predicted(status=result.status, figures={name: value for name, value in found.items() if value is not None})


def compare(records: Sequence[Record], predicted: Sequence[Predicted]) -> Comparison:
    """Records in the order that they were fired, with what the model says of each."""
    rows = [_compared(record, said) for record, said in zip(records, predicted, strict=True)]
    summary = [found for name in FIGURES if (found := _summary(name, rows)) is not None]
    return Comparison(records=rows, summary=summary, remarks=list(_remarks(rows, summary)))


def _compared(record: Record, said: Predicted) -> ComparedRecord:
    return ComparedRecord(
        record_id=record.id,
        name=record.content.name,
        fired_at=record.content.fired_at,
        status=said.status,
        figures=[_figure(name, value, error, said.figures.get(name)) for name, value, error in _measured(record)],
    )


def _measured(record: Record) -> Iterator[tuple[str, float, float | None]]:
    """Name, value and error of each figure that was measured."""
    content = record.content
    if record.trace is not None:
        for name, error in _OF_TRACE.items():
            value = getattr(record.trace.analysis, name)
            if value is not None:
                yield name, value, getattr(record.trace.analysis, error)
    for name, value in content.sizes.stated.items():
        yield name, value, content.sizes.size_error_m
    if content.burst_time_s is not None:
        yield "burst_time_s", content.burst_time_s, None


def _figure(name: str, measured: float, error: float | None, predicted: float | None) -> ComparedFigure:
    difference = None if predicted is None else measured - predicted
    return ComparedFigure(
        name=name,
        unit=unit_of(name) or "1",
        measured=measured,
        measured_error=error,
        predicted=predicted,
        difference=difference,
        difference_ratio=difference / predicted if difference is not None and predicted else None,
    )


def _summary(name: str, rows: Iterable[ComparedRecord]) -> FigureSummary | None:
    found = [
        (place, figure)
        for place, row in enumerate(rows)
        for figure in row.figures
        if figure.name == name and figure.difference_ratio is not None
    ]
    if not found:
        return None
    places = np.array([place for place, _ in found], dtype=np.float64)
    ratios = np.array([figure.difference_ratio for _, figure in found], dtype=np.float64)
    scatter = float(ratios.std(ddof=1)) if ratios.size > 1 else None
    line = trend(places, ratios) if ratios.size >= FEWEST_FOR_DRIFT else None
    return FigureSummary(
        name=name,
        records_count=ratios.size,
        bias_ratio=float(ratios.mean()),
        bias_error_ratio=None if scatter is None else scatter / sqrt(ratios.size),
        scatter_ratio=scatter,
        drift_per_shot_ratio=None if line is None else line.slope,
        drift_per_shot_error_ratio=None if line is None else line.error,
        drift_flagged=line is not None and line.stands_out and _matters(name, line, places, found[-1][1]),
    )


def _matters(name: str, line: Trend, places: Floats, last: ComparedFigure) -> bool:
    change = abs(line.slope) * float(np.ptp(places))
    if name in SIZE_NAMES:
        return last.predicted is not None and change * last.predicted > RELEVANT_M
    return change > RELEVANT_RATIO


_WORDS = {
    "peak_current_a": "peak current",
    "time_to_peak_s": "time to peak",
    "first_current_zero_s": "first current zero",
    "final_outer_diameter_m": "outer diameter",
    "final_inner_diameter_m": "bore",
    "final_rim_thickness_m": "thickness at the rim",
    "final_centre_thickness_m": "thickness in the middle",
    "burst_time_s": "time of burst",
}
#: What is worth looking at when a figure drifts; common practice, no source.
_LOOK_AT = {
    "peak_current_a": "capacitors that age, joints that loosen, a switch that changes, or the probe",
    "time_to_peak_s": "capacitors that age, or leads that were moved",
    "first_current_zero_s": "capacitors that age, or leads that were moved",
}


def _remarks(rows: Sequence[ComparedRecord], summary: Iterable[FigureSummary]) -> Iterator[str]:
    for found in summary:
        if found.drift_flagged and found.drift_per_shot_ratio is not None:
            look = _LOOK_AT.get(found.name, "the metal's lot, the winding, or what drives them")
            yield (
                f"{_WORDS[found.name]} drifts by {found.drift_per_shot_ratio:+.2%} of the prediction a shot: "
                f"look at {look}"
            )
    strange = [row for row in rows if row.status not in ("completed", "insulation_failed")]
    for row in strange:
        yield f"the model's run of record {row.name or row.record_id} ended as {row.status}"
