"""Posting, watching, cancelling and deleting designs."""

from __future__ import annotations

from functools import partial
from typing import Annotated

from fastapi import APIRouter, Body, Depends, Query, Request, Response
from starlette.responses import JSONResponse

from api import examples
from api.designs.representations import (
    PATH,
    DesignAccepted,
    DesignDetail,
    DesignList,
    detail_of,
    entry_of,
    links_of,
)
from api.jobs import Expiry, JobQuery, polling_headers
from api.problems import stated
from api.request_body import IdempotencyKey, Owner, require_json
from api.revalidation import Tagged, answer, spelled
from worker.bench import AskedDesign
from worker.budget import Budget
from worker.errors import DesignUnknown
from worker.records import Design
from worker.request_check import DesignCheck
from worker.service import DesignService

router = APIRouter(prefix=PATH, tags=["designs"])


async def design_service(request: Request) -> DesignService:
    """Dependency: what creates, cancels and finds designs. Raises DesignUnknown for what is part of a key."""
    named = request.path_params.get("design_id", "")
    if ":" in named:
        raise DesignUnknown(f"there is no design {named}")
    service: DesignService = request.app.state.designs
    return service


Service = Annotated[DesignService, Depends(design_service)]


def _accepted(design: Design) -> Response:
    body = DesignAccepted(id=design.id, status=design.state, links=links_of(design.id))
    headers = {"Location": body.links.self, **polling_headers(ended=design.ended)}
    return JSONResponse(body.model_dump(), 202, headers)


@router.post(
    "",
    summary="Which shot brings this part to that size?",
    status_code=202,
    response_model=DesignAccepted,
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
def post_design(
    design: Annotated[AskedDesign, Body(examples=[examples.DESIGN])],
    service: Service,
    owner: Owner,
    idempotency_key: IdempotencyKey,
) -> Response:
    """Queues a search and answers at once; `Location` is where to watch it.

    It may name a bench instead of repeating bank, switch, leads, limits and stock; the limits that it states itself may
    only tighten the bench's.
    """
    submission = service.submit(design, idempotency_key, owner)
    return _accepted(service.store.get(submission.design_id))


@router.post(
    "/check",
    summary="What would be searched?",
    dependencies=[Depends(require_json)],
    responses=stated(
        "malformed-json", "gone", "too-large", "unsupported-media-type", "invalid-input", "store-unavailable"
    ),
)
def check_design(design: Annotated[AskedDesign, Body(examples=[examples.DESIGN])], service: Service) -> DesignCheck:
    """Fills in bench and defaults and tells in words what will be searched; nothing is queued.

    It refuses what `POST /v1/designs` refuses, in the same words.
    """
    return service.check(design)


@router.get(
    "",
    summary="Designs, newest first",
    responses=stated("invalid-input", "store-unavailable"),
)
def list_designs(query: Annotated[JobQuery, Query()], service: Service) -> DesignList:
    """A page of designs, all or some. Paging stays stable while new designs arrive."""
    page = service.store.designs(query.limit, query.cursor, query.wanted)
    return DesignList(items=[entry_of(design) for design in page.items], next_cursor=page.next_cursor)


@router.get(
    "/{design_id}",
    summary="How far a design is, and what it has found",
    response_model=DesignDetail,
    responses=stated("not-found", "gone", "invalid-input", "store-unavailable")
    | {304: {"description": "Nothing has changed since the ETag in If-None-Match."}},
)
async def get_design(design_id: str, request: Request, service: Service) -> Response:
    """Status, true progress, best so far, the recommended candidate with its reason, or what limits the design."""
    return answer(request, await request.app.state.reads.read(design_id, partial(_seen, service, design_id)))


def _seen(service: DesignService, design_id: str) -> Tagged:
    design = service.store.get(design_id)
    return spelled(detail_of(design), polling_headers(ended=design.ended))


@router.post(
    "/{design_id}/cancel",
    summary="Stop a design; finished trials are kept",
    status_code=202,
    response_model=DesignAccepted,
    responses=stated("not-found", "gone", "invalid-input", "store-unavailable"),
)
def cancel_design(design_id: str, service: Service) -> Response:
    """Asks the design to stop. Asking again, or asking an ended design, changes nothing."""
    return _accepted(service.cancel(design_id))


@router.post(
    "/{design_id}/continue",
    summary="Go on with a design that has succeeded",
    status_code=202,
    response_model=DesignAccepted,
    dependencies=[Depends(require_json)],
    responses=stated(
        "malformed-json",
        "not-found",
        "design-not-finished",
        "design-not-continuable",
        "too-many-open-jobs",
        "gone",
        "too-large",
        "unsupported-media-type",
        "invalid-input",
        "idempotency-mismatch",
        "store-unavailable",
    ),
)
def continue_design(
    design_id: str,
    budget: Annotated[Budget, Body(examples=[examples.CONTINUATION])],
    service: Service,
    idempotency_key: IdempotencyKey,
) -> Response:
    """Gives the design a larger total of trials, or a later time to end by; its results are then kept on.

    What was found stays as it is, with its numbers; the next round starts from the front. Trials are the new total, so
    repeating the call adds nothing.
    """
    return _accepted(service.extend(design_id, budget, idempotency_key))


@router.patch(
    "/{design_id}",
    summary="Keep an ended design longer, or less long",
    response_model=DesignDetail,
    dependencies=[Depends(require_json)],
    responses=stated(
        "malformed-json",
        "not-found",
        "design-not-finished",
        "gone",
        "too-large",
        "unsupported-media-type",
        "invalid-input",
        "store-unavailable",
    ),
)
def keep_design(
    design_id: str, expiry: Annotated[Expiry, Body(examples=[examples.EXPIRY])], service: Service
) -> DesignDetail:
    """Sets until when the results are kept. Nothing is removed before that time, however full the store is."""
    service.store.keep(design_id, expiry.expires_at)
    return detail_of(service.store.get(design_id))


@router.delete(
    "/{design_id}",
    summary="Delete an ended design",
    status_code=204,
    responses=stated("not-found", "design-not-finished", "gone", "invalid-input", "store-unavailable"),
)
def delete_design(design_id: str, service: Service) -> Response:
    """Deletes a design and its candidates; from then on its address answers 410."""
    service.store.delete(design_id)
    return Response(status_code=204)
