"""GET /v1/benches/{id}/comparison: what was predicted against what was measured of a bench's records."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal

from anyio import to_thread
from fastapi import APIRouter, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from api.benches.endpoints import PATH, Benches
from api.problems import stated
from api.records.endpoints import Service as Records
from api.shots.endpoints import simulate
from api.table import MEDIA_TYPE, csv_text, wants_csv
from physics.software import Software, software
from worker.bench import BenchRevision, BenchUsed, on_bench
from worker.comparison import ComparedFigure, Comparison, Predicted, compare, predicted_of
from worker.errors import InputRefused
from worker.shot_record import Record

router = APIRouter(prefix=PATH, tags=["benches"])


class ComparisonQuery(BaseModel):
    """Which revision the predictions are of, how many records, and in which format."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    revision: int | None = Field(ge=1, le=10**6, default=None, description="Of the bench; null: the latest.")
    limit: int = Field(ge=1, le=200, default=100, description="Most records; the latest ones are taken.")
    format: Literal["json", "csv"] | None = Field(default=None, description="Wins over the Accept header.")


class BenchComparison(Comparison):
    """Predicted against measured."""

    bench: BenchUsed = Field(description="The revision that the predictions are of.")
    software: Software = Field(description="Program, model and data that the predictions are made with.")


@router.get(
    "/{bench_id}/comparison",
    summary="Predicted against measured, for the records of a bench",
    response_model=BenchComparison,
    responses=stated("not-found", "gone", "invalid-input", "store-unavailable", "no-free-core")
    | {200: {"content": {MEDIA_TYPE: {"schema": {"type": "string"}}}}},
)
async def get_comparison(
    bench_id: str, query: Annotated[ComparisonQuery, Query()], request: Request, benches: Benches, records: Records
) -> Response:
    """Figures of each record with bias, scatter and drift over the shots. The model is run once for each record.

    As CSV a line for each figure of each record.
    """
    bench = await to_thread.run_sync(benches.get, bench_id, query.revision)
    found = await to_thread.run_sync(records.store.of_bench, bench_id, query.limit)
    said = await _predicted(request, records, bench, found)
    body = compare(found, said)
    if wants_csv(query.format, request.headers.get("accept", "")):
        return Response(_csv(body), headers={"Vary": "Accept"}, media_type=f"{MEDIA_TYPE}; header=present")
    own = {name: getattr(body, name) for name in Comparison.model_fields}
    whole = BenchComparison(**own, bench=bench.used, software=software())
    return Response(whole.model_dump_json(), headers={"Vary": "Accept"}, media_type="application/json")


async def _predicted(request: Request, records: Records, bench: BenchRevision, found: list[Record]) -> list[Predicted]:
    """What the model says of each record on this revision; it is remembered, as it cannot change."""
    label = f"{bench.id}/{bench.revision}/{software().source_sha256}"
    known = await to_thread.run_sync(records.store.predicted, [record.id for record in found], label)
    said = []
    for record, text in zip(found, known, strict=True):
        if text is not None:
            said.append(Predicted.model_validate_json(text))
            continue
        try:
            shot = on_bench(record.content.shot, bench.bench)
        except InputRefused:
            said.append(Predicted(status="not_on_bench", figures={}))
            continue
        fresh = predicted_of(await simulate(request, shot))
        await to_thread.run_sync(records.store.remember_predicted, record.id, label, fresh.model_dump_json())
        said.append(fresh)
    return said


_OF_RECORD = ("record_id", "name", "fired_at", "status")
_OF_FIGURE = {("figure" if name == "name" else name): name for name in ComparedFigure.model_fields}


def _csv(body: Comparison) -> str:
    return csv_text((*_OF_RECORD, *_OF_FIGURE), _lines(body))


def _lines(body: Comparison) -> Iterator[dict[str, object]]:
    for record in body.records:
        told = {name: getattr(record, name) for name in _OF_RECORD} | {"fired_at": record.fired_at.isoformat()}
        for figure in record.figures:
            yield told | {column: getattr(figure, name) for column, name in _OF_FIGURE.items()}
