"""What the endpoints of records answer with."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from api.paging import PageQuery
from api.table import csv_text
from physics.hazards import CAUTIONS
from physics.schema import Checked
from physics.waveform import TraceAnalysis
from worker.budget import ClockTime
from worker.fits.measured import Sizes
from worker.kept_trace import Floats, TraceColumns, TraceFacts
from worker.shot_record import Record, RecordContent
from worker.shot_record_store import RecordFilter

PATH = "/v1/records"


class RecordLinks(Checked):
    """Where to go from here."""

    self: str
    trace: str
    analysis: str


class RecordDetail(RecordContent):
    """A record of a fired shot."""

    id: str
    created_at: datetime
    superseded_by: str | None = Field(description="The record that took its place, if one did.")
    trace: TraceFacts | None = Field(description="Null as long as it has none.")
    cautions: list[str]
    links: RecordLinks


class RecordRow(Checked):
    """A record's line among others: how the shot was set, and what was measured."""

    id: str
    name: str
    fired_at: datetime
    bench_id: str | None
    bench_revision: int | None
    design_id: str | None
    candidate_number: int | None
    charge_voltage_v: float
    capacitance_farad: float
    turns_count: int
    gap_m: float
    outer_diameter_m: float = Field(description="Of the part before the shot.")
    thickness_m: float = Field(description="Of the part before the shot.")
    final_outer_diameter_m: float | None
    final_inner_diameter_m: float | None
    final_rim_thickness_m: float | None
    final_centre_thickness_m: float | None
    size_error_m: float
    burst_time_s: float | None
    peak_current_a: float | None = Field(description="From the trace; null without one.")
    time_to_peak_s: float | None = Field(description="From the trace.")
    first_current_zero_s: float | None = Field(description="From the trace.")
    notes: str
    superseded_by: str | None
    link: str


class RecordList(Checked):
    """A page of records, the one that was stored last first."""

    items: list[RecordRow]
    next_cursor: str | None = Field(description="Give it as `cursor` for the next page; null on the last one.")


class TraceReading(Checked):
    """What a record's trace says."""

    trace: TraceFacts
    analysis: TraceAnalysis


class RecordQuery(PageQuery):
    """Paging, filter and format of a list of records."""

    limit: int = Field(ge=1, le=1000, default=20, description="Most entries on a page.")
    bench_id: str | None = Field(max_length=64, default=None, description="Only those fired on this bench.")
    design_id: str | None = Field(max_length=64, default=None, description="Only those of this design's candidates.")
    fired_after: ClockTime | None = Field(default=None, description="Fired at this time or later, RFC 3339.")
    fired_before: ClockTime | None = Field(default=None, description="Fired before this time, RFC 3339.")
    text: str | None = Field(min_length=1, max_length=120, default=None, description="Part of name or notes.")
    superseded: bool = Field(default=False, description="Also those that another record has taken the place of.")
    format: Literal["json", "csv"] | None = Field(default=None, description="Wins over the Accept header.")

    @property
    def wanted(self) -> RecordFilter:
        """The filter alone."""
        return RecordFilter.model_validate({name: getattr(self, name) for name in RecordFilter.model_fields})


class ExportQuery(BaseModel):
    """Filter and format of an export."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    bench_id: str | None = Field(max_length=64, default=None, description="Only those fired on this bench.")
    superseded: bool = Field(default=False, description="Also those that another record has taken the place of.")
    format: Literal["ndjson", "csv"] = Field(default="ndjson", description="One JSON object a line, or CSV.")


def links_of(record_id: str) -> RecordLinks:
    """Addresses of a record, relative to the service."""
    base = f"{PATH}/{record_id}"
    return RecordLinks(self=base, trace=f"{base}/trace", analysis=f"{base}/analysis")


def detail_of(record: Record) -> RecordDetail:
    """A record with everything but its columns."""
    content = {name: getattr(record.content, name) for name in RecordContent.model_fields}
    return RecordDetail(
        **content,
        id=record.id,
        created_at=record.created_at,
        superseded_by=record.superseded_by,
        trace=facts_of(record),
        cautions=list(CAUTIONS),
        links=links_of(record.id),
    )


def facts_of(record: Record) -> TraceFacts | None:
    """What is known of a record's trace."""
    if record.trace is None:
        return None
    return TraceFacts(**{name: getattr(record.trace, name) for name in TraceFacts.model_fields})


def row_of(record: Record) -> RecordRow:
    """A record's line."""
    content, shot = record.content, record.content.shot
    analysis = record.trace.analysis if record.trace else None
    return RecordRow(
        id=record.id,
        name=content.name,
        fired_at=content.fired_at,
        bench_id=content.bench.id if content.bench else None,
        bench_revision=content.bench.revision if content.bench else None,
        design_id=content.shot_of.design_id if content.shot_of else None,
        candidate_number=content.shot_of.number if content.shot_of else None,
        charge_voltage_v=shot.bank.charge_voltage_v,
        capacitance_farad=shot.bank.capacitance_farad,
        turns_count=shot.coil.turns_count,
        gap_m=shot.gap_m,
        outer_diameter_m=shot.workpiece.outer_diameter_m,
        thickness_m=shot.workpiece.thickness_m,
        **{name: getattr(content.sizes, name) for name in Sizes.model_fields},
        burst_time_s=content.burst_time_s,
        peak_current_a=analysis.peak_current_a if analysis else None,
        time_to_peak_s=analysis.time_to_peak_s if analysis else None,
        first_current_zero_s=analysis.first_current_zero_s if analysis else None,
        notes=content.notes,
        superseded_by=record.superseded_by,
        link=f"{PATH}/{record.id}",
    )


def csv_of(rows: Iterable[RecordRow], *, header: bool = True) -> str:
    """The rows as CSV."""
    return csv_text(tuple(RecordRow.model_fields), (_flat(row) for row in rows), header=header)


def _flat(row: RecordRow) -> dict[str, object]:
    return row.model_dump() | {"fired_at": row.fired_at.isoformat()}


def trace_csv(columns: TraceColumns, *, stored: bool) -> str:
    """A trace as two columns of CSV: as stored by the oscilloscope, or the current from the start."""
    if stored:
        return _two_columns("time", columns.stored_time, "value", columns.stored_value)
    return _two_columns("time_s", columns.time_s, "current_a", columns.current_a)


def _two_columns(time_name: str, time: Floats, value_name: str, value: Floats) -> str:
    points = zip(time.tolist(), value.tolist(), strict=True)
    return csv_text((time_name, value_name), ({time_name: at, value_name: reading} for at, reading in points))
