"""Posting, watching, cancelling and deleting fits."""

from __future__ import annotations

from functools import partial
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Body, Depends, Query, Request, Response
from starlette.responses import JSONResponse

from api import examples
from api.fits.representations import (
    PATH,
    FitAccepted,
    FitDetail,
    FitPage,
    FitQuery,
    csv_of,
    detail_of,
    entry_of,
    links_of,
    quantities_csv,
)
from api.jobs import Expiry, polling_headers
from api.problems import stated
from api.request_body import IdempotencyKey, Owner, require_json
from api.revalidation import Tagged, answer, spelled
from api.table import MEDIA_TYPE, wants_csv
from worker.errors import FitUnknown
from worker.fit import FitJob, FitRequest
from worker.fit_service import FitService

router = APIRouter(prefix=PATH, tags=["fits"])


async def fit_service(request: Request) -> FitService:
    """Dependency: what creates and finds fits. Raises FitUnknown for what is part of a key."""
    named = request.path_params.get("fit_id", "")
    if ":" in named:
        raise FitUnknown(f"there is no fit {named}")
    service: FitService = request.app.state.fits
    return service


Service = Annotated[FitService, Depends(fit_service)]

_FOUND = ("not-found", "gone", "invalid-input", "store-unavailable")


def _accepted(found: FitJob) -> Response:
    body = FitAccepted(id=found.id, status=found.state, links=links_of(found))
    headers = {"Location": body.links.self, **polling_headers(ended=found.ended)}
    return JSONResponse(body.model_dump(), 202, headers)


@router.post(
    "",
    summary="What do these records say about their bench?",
    status_code=202,
    response_model=FitAccepted,
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
def post_fit(
    fit: Annotated[FitRequest, Body(examples=[examples.FIT])],
    service: Service,
    owner: Owner,
    idempotency_key: IdempotencyKey,
) -> Response:
    """Queues a fit of the full model to currents and sizes of fired shots; `Location` is where to watch it.

    It makes the bench's next revision, unless `makes_revision` is false; no revision is ever overwritten.
    """
    return _accepted(service.submit(fit, idempotency_key, owner))


_AS_CSV: dict[int | str, dict[str, Any]] = {200: {"content": {MEDIA_TYPE: {"schema": {"type": "string"}}}}}


@router.get(
    "",
    summary="Fits, newest first",
    response_model=FitPage,
    responses=stated("invalid-input", "store-unavailable") | _AS_CSV,
)
def list_fits(query: Annotated[FitQuery, Query()], request: Request, service: Service) -> Response:
    """A page of fits, all or some, as JSON or CSV. Paging stays stable while new ones arrive."""
    page = service.store.page(query.limit, query.cursor, query.wanted)
    entries = [entry_of(found) for found in page.items]
    if wants_csv(query.format, request.headers.get("accept", "")):
        headers = {"Vary": "Accept", **_link_to_next(query, page.next_cursor)}
        return Response(csv_of(entries), headers=headers, media_type=f"{MEDIA_TYPE}; header=present")
    body = FitPage(items=entries, next_cursor=page.next_cursor)
    return Response(body.model_dump_json(), headers={"Vary": "Accept"}, media_type="application/json")


def _link_to_next(query: FitQuery, cursor: str | None) -> dict[str, str]:
    if cursor is None:
        return {}
    words = urlencode(query.model_dump(mode="json", exclude_none=True) | {"cursor": cursor})
    return {"Link": f'<{PATH}?{words}>; rel="next"'}


@router.get(
    "/{fit_id}",
    summary="A fit as it stands",
    response_model=FitDetail,
    responses=stated(*_FOUND) | {304: {"description": "Nothing has changed since the ETag in If-None-Match."}},
)
async def get_fit(fit_id: str, request: Request, service: Service) -> Response:
    """Status and progress, and in the end the quantities with their errors, misfits, and the next shot."""
    return answer(request, await request.app.state.reads.read(("fit", fit_id), partial(_seen, service, fit_id)))


def _seen(service: FitService, fit_id: str) -> Tagged:
    found = service.store.get(fit_id)
    return spelled(detail_of(found), polling_headers(ended=found.ended))


@router.get(
    "/{fit_id}/quantities.csv",
    summary="What a fit found, as CSV",
    response_class=Response,
    responses=stated(*_FOUND) | _AS_CSV,
)
def get_quantities(fit_id: str, service: Service) -> Response:
    """A line for each quantity: stated, fitted, and their errors."""
    text = quantities_csv(detail_of(service.store.get(fit_id)))
    return Response(text, media_type=f"{MEDIA_TYPE}; header=present")


@router.post(
    "/{fit_id}/cancel",
    summary="Stop a fit",
    status_code=202,
    response_model=FitAccepted,
    responses=stated(*_FOUND),
)
def cancel_fit(fit_id: str, service: Service) -> Response:
    """Asks the fit to stop, which then makes no revision. Asking again, or asking an ended fit, changes nothing."""
    return _accepted(service.store.cancel(fit_id))


@router.patch(
    "/{fit_id}",
    summary="Keep an ended fit longer, or less long",
    response_model=FitDetail,
    dependencies=[Depends(require_json)],
    responses=stated(*_FOUND, "malformed-json", "fit-not-finished", "too-large", "unsupported-media-type"),
)
def keep_fit(fit_id: str, expiry: Annotated[Expiry, Body(examples=[examples.EXPIRY])], service: Service) -> FitDetail:
    """Sets until when the results are kept. Nothing is removed before that time, however full the store is."""
    service.store.keep(fit_id, expiry.expires_at)
    return detail_of(service.store.get(fit_id))


@router.delete(
    "/{fit_id}", summary="Delete an ended fit", status_code=204, responses=stated(*_FOUND, "fit-not-finished")
)
def delete_fit(fit_id: str, service: Service) -> Response:
    """Deletes a fit; from then on its address answers 410. The revision that it made stays."""
    service.store.delete(fit_id)
    return Response(status_code=204)
