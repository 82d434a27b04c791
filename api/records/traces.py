"""Traces of records: sent as a file, read back, analysed; and analysed without being stored."""

from __future__ import annotations

from functools import partial
from typing import Annotated, Any, Literal

import numpy as np
from anyio import to_thread
from fastapi import APIRouter, Body, Depends, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field, model_validator

import physics.waveform
from api import examples
from api.problems import stated
from api.records.endpoints import Service
from api.records.representations import PATH, RecordDetail, TraceReading, detail_of, facts_of, trace_csv
from api.request_body import require_csv, require_json
from api.revalidation import tagged
from api.table import MEDIA_TYPE
from physics.schema import Checked
from physics.waveform import Probe, TraceAnalysis
from worker.errors import TraceUnknown
from worker.kept_trace import InlineTrace

router = APIRouter(tags=["records"])

_FOUND = ("not-found", "gone", "invalid-input", "store-unavailable")
_FILE: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {MEDIA_TYPE: {"schema": {"type": "string", "examples": [examples.TRACE_FILE]}}},
    }
}


class FileQuery(Probe):
    """Which columns of a file hold the trace, and how they read."""

    model_config = ConfigDict(strict=False)

    time_column: str | None = Field(
        min_length=1, max_length=120, default=None, description="Its name in the line above; null: the first column."
    )
    value_column: str | None = Field(
        min_length=1, max_length=120, default=None, description="Its name in the line above; null: the second column."
    )

    @model_validator(mode="after")
    def _both_or_none(self) -> FileQuery:
        if (self.time_column is None) != (self.value_column is None):
            raise ValueError("name both columns or none")
        return self

    @property
    def names(self) -> tuple[str, str] | None:
        """Both names, if they are given."""
        return None if self.time_column is None or self.value_column is None else (self.time_column, self.value_column)

    @property
    def probe(self) -> Probe:
        """How the columns read."""
        return Probe(**{name: getattr(self, name) for name in Probe.model_fields})


class ColumnsQuery(BaseModel):
    """Which columns of a trace are wanted."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    columns: Literal["current", "stored"] = Field(
        default="current",
        description="`current`: time from the start and current without baseline, averaged; `stored`: as the "
        "oscilloscope stored them, of a long trace the lowest and highest of each stretch.",
    )


class AnalysisRequest(Checked):
    """A trace, and what is known of the bank that it is of."""

    trace: InlineTrace
    capacitance_farad: float | None = Field(ge=1e-7, le=2e-2, default=None, description="Of the bank, if known.")
    charge_voltage_v: float | None = Field(ge=1.0, le=1e5, default=None, description="Of the bank, if known.")


@router.put(
    f"{PATH}/{{record_id}}/trace",
    summary="Send the trace of a record as a file",
    response_model=RecordDetail,
    dependencies=[Depends(require_csv)],
    openapi_extra=_FILE,
    responses=stated(*_FOUND, "record-has-trace", "too-large", "unsupported-media-type", "trace-refused"),
)
async def put_trace(
    record_id: str, query: Annotated[FileQuery, Query()], request: Request, service: Service
) -> Response:
    """Takes up to 1,000,000 points as lines of text, analyses all, and keeps 20,000 with every peak.

    Words may stand above the numbers; between columns commas, semicolons or tabs. The same file again changes nothing,
    another one is refused: a record is never changed.
    """
    file = await request.body()
    add = partial(service.add_file, record_id, file, query.names, query.probe)
    record = await to_thread.run_sync(add, limiter=request.app.state.files_limiter)
    return tagged(request, detail_of(record), {})


@router.get(
    f"{PATH}/{{record_id}}/trace.csv",
    summary="The trace of a record",
    response_class=Response,
    responses=stated(*_FOUND) | {200: {"content": {MEDIA_TYPE: {"schema": {"type": "string"}}}}},
)
def get_trace(record_id: str, query: Annotated[ColumnsQuery, Query()], service: Service) -> Response:
    """Two columns, as CSV."""
    columns = service.store.columns(service.store.get(record_id))
    text = trace_csv(columns, stored=query.columns == "stored")
    return Response(text, media_type=f"{MEDIA_TYPE}; header=present")


@router.get(f"{PATH}/{{record_id}}/analysis", summary="What a record's trace says", responses=stated(*_FOUND))
def get_analysis(record_id: str, service: Service) -> TraceReading:
    """Landmarks, damping, charge, action and effective circuit, from the whole trace as it came."""
    record = service.store.get(record_id)
    facts = facts_of(record)
    if record.trace is None or facts is None:
        raise TraceUnknown(f"record {record_id} has no trace")
    return TraceReading(trace=facts, analysis=record.trace.analysis)


@router.post(
    "/v1/traces/analyse",
    summary="What does this trace say?",
    dependencies=[Depends(require_json)],
    responses=stated("malformed-json", "too-large", "unsupported-media-type", "invalid-input", "trace-refused"),
)
def analyse_trace(asked: Annotated[AnalysisRequest, Body(examples=[examples.ANALYSIS])]) -> TraceAnalysis:
    """Analyses a trace of up to 20,000 points without storing it."""
    time, value = (np.array(column) for column in (asked.trace.time, asked.trace.value))
    return physics.waveform.analyse(
        time,
        value,
        asked.trace.probe,
        capacitance_farad=asked.capacitance_farad,
        charge_voltage_v=asked.charge_voltage_v,
    )
