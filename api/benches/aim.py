"""POST /v1/benches/{id}/aim: the next shot of a campaign towards a size."""

from __future__ import annotations

from functools import partial
from typing import Annotated

from fastapi import APIRouter, Body, Depends, Request

from api import examples
from api.benches.endpoints import PATH
from api.problems import stated
from api.request_body import require_json
from api.shots.endpoints import on_a_free_core
from worker.aim import AimAnswer, AimRequest, AimService

router = APIRouter(prefix=PATH, tags=["benches"])


@router.post(
    "/{bench_id}/aim",
    summary="How to set the next shot of this bench towards a size",
    dependencies=[Depends(require_json)],
    responses=stated(
        "malformed-json",
        "not-found",
        "gone",
        "too-large",
        "unsupported-media-type",
        "invalid-input",
        "store-unavailable",
        "no-free-core",
    ),
)
async def aim_shot(
    bench_id: str, aim: Annotated[AimRequest, Body(examples=[examples.AIM])], request: Request
) -> AimAnswer:
    """The charge voltage to set, what is expected of it within what, and how far it is safe to go. Nothing is stored.

    A campaign is this, again and again: while the bench is not fitted the shot stays short of the size on purpose; fire
    it, record it, fit the bench, and ask again, until the answer says `within_tolerance`. No shot is proposed that
    exceeds a limit of the bench, the peak current not even with two standard deviations of what is not known. It takes
    some seconds of one core.
    """
    aims: AimService = request.app.state.aims
    return await on_a_free_core(request, partial(aims.aim, bench_id, aim))
