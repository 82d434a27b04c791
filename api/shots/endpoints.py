"""POST /v1/shots and /v1/shots/check."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Annotated, Any, TypeVar

from anyio import CapacityLimiter, move_on_after, to_thread
from fastapi import APIRouter, Body, Depends, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field

import physics
from api import examples
from api.benches.endpoints import Benches
from api.problem_handlers import RETRY_AFTER_S
from api.problems import ProblemError, stated
from api.request_body import require_json
from api.table import MEDIA_TYPE, csv_text
from physics.gallery.frames import SectionFrames, section_frames
from physics.result import Series, ShotResult
from physics.shot import Shot
from physics.shot_check import ShotCheck, inspect_shot
from physics.simulate import simulate_whole
from worker.bench import AskedShot, ShotOnBench
from worker.bench_store import BenchStore

Result = TypeVar("Result")

#: Answer of an operation that gives the whole series.
SERIES: dict[int | str, dict[str, Any]] = {
    200: {"description": "A row for every step.", "content": {MEDIA_TYPE: {"schema": {"type": "string"}}}}
}


class FramesQuery(BaseModel):
    """How finely the time is cut."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    frames_count: int = Field(ge=2, le=60, default=20, description="Fewest instants; those that are marked count.")


router = APIRouter(prefix="/v1/shots", tags=["shots"])

PostedShot = Annotated[AskedShot, Body(examples=[examples.SHOT])]

_REFUSALS = ("malformed-json", "too-large", "unsupported-media-type", "invalid-input", "store-unavailable")


@router.post(
    "",
    summary="What will this shot do?",
    dependencies=[Depends(require_json)],
    responses=stated(*_REFUSALS, "no-free-core"),
)
async def run_shot(request: Request, shot: PostedShot, benches: Benches) -> ShotResult:
    """Simulates one discharge and answers with its figures, energy balance, ratings, hazards and series.

    A run that over-crushes the part, leaves the range of the material data or does not converge is
    answered with 200 and a `status` that says so, with advice. A shot may name a bench instead of describing it.
    """
    return await simulate(request, await resolved(shot, benches))


@router.post(
    "/check",
    summary="What can be said about this shot without running it?",
    dependencies=[Depends(require_json)],
    responses=stated(*_REFUSALS),
)
async def check_shot(shot: PostedShot, benches: Benches) -> ShotCheck:
    """Fills in every default, works out what needs no run, and warns of what is better looked at before it is run.

    It refuses what `POST /v1/shots` refuses, in the same words.
    """
    return inspect_shot(await resolved(shot, benches))


@router.post(
    "/series",
    summary="The whole series of this shot, as CSV",
    dependencies=[Depends(require_json)],
    response_class=Response,
    responses=stated(*_REFUSALS, "no-free-core") | SERIES,
)
async def run_series(request: Request, shot: PostedShot, benches: Benches) -> Response:
    """Simulates the shot as `POST /v1/shots` does, and answers with every column of `series` at every step.

    Of a run that does not converge there is the line of names only.
    """
    return await series_csv(request, await resolved(shot, benches))


@router.post(
    "/section",
    summary="The section of this shot through time",
    dependencies=[Depends(require_json)],
    response_model=SectionFrames,
    responses=stated(*_REFUSALS, "no-free-core"),
)
async def run_section(
    request: Request, shot: PostedShot, query: Annotated[FramesQuery, Query()], benches: Benches
) -> Response:
    """Outlines, current density and field lines at the marked instants and evenly between, for whoever draws them.

    The model is run once for each instant, up to it; it takes most of a second.
    """
    whole = await resolved(shot, benches)
    frames = await on_a_free_core(request, partial(section_frames, whole, query.frames_count))
    return Response(frames.model_dump_json(), media_type="application/json")


async def series_csv(request: Request, shot: Shot) -> Response:
    """The series of a shot with a row for every step."""
    _, series = await on_a_free_core(request, partial(simulate_whole, shot))
    columns = tuple(Series.model_fields)
    rows = () if series is None else zip(*(getattr(series, name) for name in columns), strict=True)
    text = csv_text(columns, (dict(zip(columns, row, strict=True)) for row in rows))
    return Response(text, media_type=f"{MEDIA_TYPE}; header=present")


async def resolved(shot: Shot | ShotOnBench, benches: BenchStore) -> Shot:
    """The whole shot; the store is asked only when a bench is named."""
    return shot if isinstance(shot, Shot) else shot.resolved(await to_thread.run_sync(benches.named, shot))


async def simulate(request: Request, shot: Shot) -> ShotResult:
    """Run the physics; see :func:`on_a_free_core`."""
    return await on_a_free_core(request, partial(physics.simulate_shot, shot))


async def on_a_free_core(request: Request, run: Callable[[], Result]) -> Result:
    """Run the physics in a thread: its kernels release the interpreter, so other requests go on.

    A shot that is begun runs to its end; one that no core is free for is refused after a while.
    """
    limiter: CapacityLimiter = request.app.state.shots_limiter
    borrower = object()
    with move_on_after(request.app.state.shot_wait_s) as waiting:
        await limiter.acquire_on_behalf_of(borrower)
    if waiting.cancelled_caught:
        raise ProblemError("no-free-core", headers={"Retry-After": str(RETRY_AFTER_S)})
    try:
        return await to_thread.run_sync(run, limiter=CapacityLimiter(1))
    finally:
        limiter.release_on_behalf_of(borrower)
