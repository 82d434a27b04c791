"""Storing, finding and reading records of fired shots."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Body, Depends, Query, Request, Response

from api import examples
from api.problems import stated
from api.records.representations import (
    PATH,
    RecordDetail,
    RecordList,
    RecordQuery,
    csv_of,
    detail_of,
    row_of,
)
from api.request_body import IdempotencyKey, require_json
from api.revalidation import tagged
from api.table import MEDIA_TYPE, wants_csv
from worker.record_service import RecordService
from worker.shot_record import RecordRequest

router = APIRouter(prefix=PATH, tags=["records"])


async def record_service(request: Request) -> RecordService:
    """Dependency: what stores and finds records."""
    service: RecordService = request.app.state.records
    return service


Service = Annotated[RecordService, Depends(record_service)]

_FOUND = ("not-found", "gone", "invalid-input", "store-unavailable")


@router.post(
    "",
    summary="Record a shot that was fired, and what was measured",
    status_code=201,
    response_model=RecordDetail,
    dependencies=[Depends(require_json)],
    responses=stated(
        "malformed-json",
        "gone",
        "too-large",
        "unsupported-media-type",
        "invalid-input",
        "trace-refused",
        "idempotency-mismatch",
        "store-unavailable",
    ),
)
def post_record(
    record: Annotated[RecordRequest, Body(examples=[examples.RECORD])],
    request: Request,
    service: Service,
    idempotency_key: IdempotencyKey,
) -> Response:
    """Stores a record, which does not expire and is never changed: one that was wrong is superseded by another.

    A short trace may come with it; a file is sent to the record's `trace` afterwards.
    """
    made = detail_of(service.submit(record, idempotency_key))
    return tagged(request, made, {"Location": made.links.self}, 201)


@router.get(
    "",
    summary="Records, all or some",
    response_model=RecordList,
    responses=stated("invalid-input", "store-unavailable")
    | {200: {"content": {MEDIA_TYPE: {"schema": {"type": "string"}}}}},
)
def list_records(query: Annotated[RecordQuery, Query()], request: Request, service: Service) -> Response:
    """A page of records as JSON or CSV, the one that was stored last first. `Link` names the next page."""
    page = service.store.page(query.limit, query.cursor, query.wanted)
    rows = [row_of(record) for record in page.items]
    headers = {"Vary": "Accept", **_link_to_next(query, page.next_cursor)}
    if wants_csv(query.format, request.headers.get("accept", "")):
        return Response(csv_of(rows), headers=headers, media_type=f"{MEDIA_TYPE}; header=present")
    body = RecordList(items=rows, next_cursor=page.next_cursor)
    return Response(body.model_dump_json(), headers=headers, media_type="application/json")


def _link_to_next(query: RecordQuery, cursor: str | None) -> dict[str, str]:
    if cursor is None:
        return {}
    words = urlencode(query.model_dump(mode="json", exclude_none=True) | {"cursor": cursor})
    return {"Link": f'<{PATH}?{words}>; rel="next"'}


@router.get(
    "/{record_id}",
    summary="One record",
    response_model=RecordDetail,
    responses=stated(*_FOUND) | {304: {"description": "Nothing has changed since the ETag in If-None-Match."}},
)
def get_record(record_id: str, request: Request, service: Service) -> Response:
    """The record with the whole shot as it was fired."""
    return tagged(request, detail_of(service.store.get(record_id)), {})


@router.delete("/{record_id}", summary="Delete a record", status_code=204, responses=stated(*_FOUND))
def delete_record(record_id: str, service: Service) -> Response:
    """Deletes a record; its address answers 410 then, and what it superseded stands again.

    Fits that used it keep what they took.
    """
    service.store.delete(record_id)
    return Response(status_code=204)
