"""Posting, watching, cancelling and deleting fits."""

from __future__ import annotations

from functools import partial
from typing import Annotated

from fastapi import APIRouter, Body, Depends, Query, Request, Response
from starlette.responses import JSONResponse

from api import examples
from api.fits.representations import PATH, FitAccepted, FitDetail, FitPage, detail_of, entry_of, links_of
from api.jobs import Expiry, JobQuery, polling_headers
from api.problems import stated
from api.request_body import IdempotencyKey, Owner, require_json
from api.revalidation import Tagged, answer, spelled
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


@router.get("", summary="Fits, newest first", responses=stated("invalid-input", "store-unavailable"))
def list_fits(query: Annotated[JobQuery, Query()], service: Service) -> FitPage:
    """A page of fits, all or some. Paging stays stable while new ones arrive."""
    page = service.store.page(query.limit, query.cursor, query.wanted)
    return FitPage(items=[entry_of(found) for found in page.items], next_cursor=page.next_cursor)


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
