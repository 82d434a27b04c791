"""POST /v1/shots."""

from __future__ import annotations

from typing import Annotated

from anyio import CapacityLimiter, move_on_after, to_thread
from fastapi import APIRouter, Body, Depends, Request

import physics
from api import examples
from api.problem_handlers import RETRY_AFTER_S
from api.problems import ProblemError, stated
from api.request_body import require_json
from physics.result import ShotResult
from physics.shot import Shot

router = APIRouter(prefix="/v1/shots", tags=["shots"])


@router.post(
    "",
    summary="What will this shot do?",
    dependencies=[Depends(require_json)],
    responses=stated("malformed-json", "too-large", "unsupported-media-type", "invalid-input", "no-free-core"),
)
async def run_shot(request: Request, shot: Annotated[Shot, Body(examples=[examples.SHOT])]) -> ShotResult:
    """Simulates one discharge and answers with its figures, energy balance, ratings, hazards and series.

    A run that over-crushes the part, leaves the range of the material data or does not converge is
    answered with 200 and a `status` that says so, with advice.
    """
    return await simulate(request, shot)


async def simulate(request: Request, shot: Shot) -> ShotResult:
    """Run the physics in a thread: its kernels release the interpreter, so other requests go on.

    A shot that is begun runs to its end; one that no core is free for is refused after a while.
    """
    limiter: CapacityLimiter = request.app.state.shots_limiter
    run = object()
    with move_on_after(request.app.state.shot_wait_s) as waiting:
        await limiter.acquire_on_behalf_of(run)
    if waiting.cancelled_caught:
        raise ProblemError("no-free-core", headers={"Retry-After": str(RETRY_AFTER_S)})
    try:
        return await to_thread.run_sync(physics.simulate_shot, shot, limiter=CapacityLimiter(1))
    finally:
        limiter.release_on_behalf_of(run)
