"""All candidates of a design in one answer, however many: read and sent a few hundred at a time."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain
from typing import Annotated

from fastapi import APIRouter, Query
from starlette.responses import StreamingResponse

from api.designs import representations
from api.designs.endpoints import Service
from api.designs.queries import ExportQuery
from api.designs.representations import PATH, CandidateRow, row_of
from api.problems import stated
from api.table import MEDIA_TYPE
from worker.records import Candidate, Design

NDJSON = "application/x-ndjson"

router = APIRouter(prefix=f"{PATH}/{{design_id}}/export", tags=["designs"])

_TEXT = {"schema": {"type": "string"}}


@router.get(
    "",
    summary="All trials of a design in one go",
    response_class=StreamingResponse,
    responses=stated("not-found", "gone", "invalid-input", "store-unavailable")
    | {
        200: {
            "description": "The candidates, in the order they arrived.",
            "content": {NDJSON: _TEXT, "text/csv": _TEXT},
        }
    },
)
def export_candidates(design_id: str, query: Annotated[ExportQuery, Query()], service: Service) -> StreamingResponse:
    """Every candidate as a line of JSON or CSV, with the names and digits of the list.

    Of a design at work those are sent that have arrived by the time their turn comes. Should the store fail on the way,
    the answer breaks off without its last chunk, which a client sees as an incomplete answer.
    """
    design = service.store.get(design_id)
    chunks = service.store.all_candidates(design_id, query.only)
    first = next(chunks)  # whatever is wrong shows now, while it can still be told
    spell, media_type = (csv_of, f"{MEDIA_TYPE}; header=present") if query.format == "csv" else (ndjson_of, NDJSON)
    name = f'attachment; filename="{design_id}.{query.format}"'
    return StreamingResponse(
        spell(design, chain([first], chunks)), headers={"Content-Disposition": name}, media_type=media_type
    )


def ndjson_of(design: Design, chunks: Iterator[list[Candidate]]) -> Iterator[str]:
    """Candidates as one line of JSON each."""
    return ("".join(f"{row.model_dump_json()}\n" for row in rows) for rows in _rows(design, chunks))


def csv_of(design: Design, chunks: Iterator[list[Candidate]]) -> Iterator[str]:
    """Candidates as CSV with one header line in front."""
    return (representations.csv_of(rows, header=place == 0) for place, rows in enumerate(_rows(design, chunks)))


def _rows(design: Design, chunks: Iterator[list[Candidate]]) -> Iterator[list[CandidateRow]]:
    return ([row_of(design, candidate) for candidate in chunk] for chunk in chunks)
