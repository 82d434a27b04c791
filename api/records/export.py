"""All records in one answer, however many: read and sent some at a time."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain
from typing import Annotated

from fastapi import APIRouter, Query
from starlette.responses import StreamingResponse

from api.designs.export import NDJSON
from api.problems import stated
from api.records.endpoints import Service
from api.records.representations import PATH, ExportQuery, csv_of, detail_of, row_of
from api.table import MEDIA_TYPE
from worker.shot_record import Record
from worker.shot_record_store import RecordFilter, RecordStore

#: Records that are read at a time.
_PAGE = 200
_TEXT = {"schema": {"type": "string"}}

router = APIRouter(prefix=f"{PATH}/export", tags=["records"])


@router.get(
    "",
    summary="All records in one go",
    response_class=StreamingResponse,
    responses=stated("invalid-input", "store-unavailable")
    | {
        200: {
            "description": "The records, the one that was stored last first.",
            "content": {NDJSON: _TEXT, "text/csv": _TEXT},
        }
    },
)
def export_records(query: Annotated[ExportQuery, Query()], service: Service) -> StreamingResponse:
    """Each record as a line: whole with its shot as JSON, or the figures of the list as CSV.

    Traces stay where they are. Should the store fail on the way, the answer breaks off without its last chunk.
    """
    pages = _pages(service.store, RecordFilter(bench_id=query.bench_id, superseded=query.superseded))
    first = next(pages)  # whatever is wrong shows now, while it can still be told
    found = chain([first], pages)
    spelled = _csv(found) if query.format == "csv" else _ndjson(found)
    media_type = f"{MEDIA_TYPE}; header=present" if query.format == "csv" else NDJSON
    name = f'attachment; filename="records.{query.format}"'
    return StreamingResponse(spelled, headers={"Content-Disposition": name}, media_type=media_type)


def _pages(store: RecordStore, wanted: RecordFilter) -> Iterator[list[Record]]:
    cursor: str | None = None
    while True:
        page = store.page(_PAGE, cursor, wanted)
        yield page.items
        cursor = page.next_cursor
        if cursor is None:
            return


def _csv(pages: Iterator[list[Record]]) -> Iterator[str]:
    return (csv_of(map(row_of, records), header=place == 0) for place, records in enumerate(pages))


def _ndjson(pages: Iterator[list[Record]]) -> Iterator[str]:
    return ("".join(f"{detail_of(record).model_dump_json()}\n" for record in records) for records in pages)
