"""Posting, watching, reading, cancelling and deleting lists of shots."""

from __future__ import annotations

from functools import partial
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Body, Depends, Path, Query, Request, Response
from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse

from api import examples
from api.jobs import JobQuery, polling_headers
from api.problems import stated
from api.request_body import IdempotencyKey, Owner, require_json
from api.revalidation import Tagged, answer, spelled
from api.shot_lists.representations import (
    PATH,
    ShotDetail,
    ShotListAccepted,
    ShotListDetail,
    ShotListPage,
    ShotRowQuery,
    ShotRows,
    csv_of,
    detail_of,
    entry_of,
    links_of,
    row_of,
)
from api.shots.endpoints import simulate
from api.table import MEDIA_TYPE, wants_csv
from worker.errors import ShotListUnknown
from worker.service import ShotListService
from worker.shot_list import ShotList, ShotListRequest

router = APIRouter(prefix=PATH, tags=["shots"])


async def shot_list_service(request: Request) -> ShotListService:
    """Dependency: what creates and finds lists of shots. Raises ShotListUnknown for what is part of a key."""
    named = request.path_params.get("list_id", "")
    if ":" in named:
        raise ShotListUnknown(f"there is no shot list {named}")
    service: ShotListService = request.app.state.shot_lists
    return service


Service = Annotated[ShotListService, Depends(shot_list_service)]

_FOUND = ("not-found", "gone", "invalid-input", "store-unavailable")


def _accepted(found: ShotList) -> Response:
    body = ShotListAccepted(id=found.id, status=found.state, links=links_of(found.id))
    headers = {"Location": body.links.self, **polling_headers(ended=found.ended)}
    return JSONResponse(body.model_dump(), 202, headers)


@router.post(
    "",
    summary="What will these shots do?",
    status_code=202,
    response_model=ShotListAccepted,
    dependencies=[Depends(require_json)],
    responses=stated(
        "malformed-json",
        "too-many-open-jobs",
        "gone",
        "too-large",
        "unsupported-media-type",
        "invalid-input",
        "idempotency-mismatch",
        "store-unavailable",
    ),
)
def post_shot_list(
    shots: Annotated[ShotListRequest, Body(examples=[examples.SWEEP, examples.COMPARISON])],
    service: Service,
    owner: Owner,
    idempotency_key: IdempotencyKey,
) -> Response:
    """Queues up to 1,000 shots as one job and answers at once; `Location` is where to watch it.

    Every shot is checked first, and a wrong one is refused with its place, before anything is run.
    """
    return _accepted(service.submit(shots, idempotency_key, owner))


@router.get("", summary="Lists of shots, newest first", responses=stated("invalid-input", "store-unavailable"))
def list_shot_lists(query: Annotated[JobQuery, Query()], service: Service) -> ShotListPage:
    """A page of lists, all or some. Paging stays stable while new ones arrive."""
    page = service.store.page(query.limit, query.cursor, query.wanted)
    return ShotListPage(items=[entry_of(found) for found in page.items], next_cursor=page.next_cursor)


@router.get(
    "/{list_id}",
    summary="How far a list of shots is",
    response_model=ShotListDetail,
    responses=stated(*_FOUND) | {304: {"description": "Nothing has changed since the ETag in If-None-Match."}},
)
async def get_shot_list(list_id: str, request: Request, service: Service) -> Response:
    """Status and true progress, in the same block as those of a design."""
    return answer(request, await request.app.state.reads.read(("list", list_id), partial(_seen, service, list_id)))


def _seen(service: ShotListService, list_id: str) -> Tagged:
    found = service.store.get(list_id)
    return spelled(detail_of(found), polling_headers(ended=found.ended))


@router.get(
    "/{list_id}/shots",
    summary="The shots of a list and what became of each",
    response_model=ShotRows,
    responses=stated(*_FOUND) | {200: {"content": {MEDIA_TYPE: {"schema": {"type": "string"}}}}},
)
def list_shots(list_id: str, query: Annotated[ShotRowQuery, Query()], request: Request, service: Service) -> Response:
    """A page of shots by number as JSON or CSV, those that wait included. `Link` names the next page."""
    found = service.store.get(list_id)
    page = service.store.outcomes(found, query.limit, query.cursor)
    rows = [row_of(found, number, page.outcomes.get(number)) for number in page.numbers]
    headers = {"Vary": "Accept", **_link_to_next(list_id, query, page.next_cursor)}
    if wants_csv(query.format, request.headers.get("accept", "")):
        return Response(csv_of(found.vary, rows), headers=headers, media_type=f"{MEDIA_TYPE}; header=present")
    body = ShotRows(items=rows, next_cursor=page.next_cursor)
    return Response(body.model_dump_json(), headers=headers, media_type="application/json")


def _link_to_next(list_id: str, query: ShotRowQuery, cursor: str | None) -> dict[str, str]:
    if cursor is None:
        return {}
    words = urlencode(query.model_dump(exclude_none=True) | {"cursor": cursor})
    return {"Link": f'<{PATH}/{list_id}/shots?{words}>; rel="next"'}


@router.get(
    "/{list_id}/shots/{number}", summary="One shot of a list in full", responses=stated(*_FOUND, "no-free-core")
)
async def get_shot(
    list_id: str, number: Annotated[int, Path(ge=0, le=10**9)], request: Request, service: Service
) -> ShotDetail:
    """Its row, its whole input, and, when it is finished, its whole result, run again."""
    found = await run_in_threadpool(service.store.get, list_id)
    shot, outcome = await run_in_threadpool(service.store.shot, found, number)
    row = row_of(found, number, outcome)
    return ShotDetail(row=row, shot=shot, result=await simulate(request, shot) if row.state == "finished" else None)


@router.post(
    "/{list_id}/cancel",
    summary="Stop a list of shots; finished ones are kept",
    status_code=202,
    response_model=ShotListAccepted,
    responses=stated(*_FOUND),
)
def cancel_shot_list(list_id: str, service: Service) -> Response:
    """Asks the list to stop. Asking again, or asking an ended list, changes nothing."""
    return _accepted(service.store.cancel(list_id))


@router.delete(
    "/{list_id}",
    summary="Delete an ended list of shots",
    status_code=204,
    responses=stated(*_FOUND, "shot-list-not-finished"),
)
def delete_shot_list(list_id: str, service: Service) -> Response:
    """Deletes a list and its results; from then on its address answers 410."""
    service.store.delete(list_id)
    return Response(status_code=204)
