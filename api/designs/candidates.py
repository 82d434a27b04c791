"""The candidates of a design, as table and one by one."""

from __future__ import annotations

from functools import partial
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Path, Query, Request, Response
from starlette.concurrency import run_in_threadpool

from api.designs.endpoints import Service
from api.designs.queries import CandidateQuery
from api.designs.representations import PATH, CandidateDetail, CandidateList, csv_of, row_of
from api.problems import ProblemError, stated
from api.shots.endpoints import SERIES, on_a_free_core, series_csv, simulate
from api.table import MEDIA_TYPE, wants_csv
from physics import shot_figures
from worker.records import Robustness
from worker.robustness import robustness
from worker.trial import shot_of

router = APIRouter(prefix=f"{PATH}/{{design_id}}/candidates", tags=["designs"])

_RESPONSES = stated("not-found", "gone", "invalid-input", "store-unavailable")


@router.get(
    "",
    summary="The trials of a design",
    response_model=CandidateList,
    responses=_RESPONSES | {200: {"content": {MEDIA_TYPE: {"schema": {"type": "string"}}}}},
)
def list_candidates(
    design_id: str, query: Annotated[CandidateQuery, Query()], request: Request, service: Service
) -> Response:
    """A page of candidates as JSON or CSV. `Link` names the next page, in the same format.

    The order is the order of arrival, so that a page read once stays what it was.
    """
    design = service.store.get(design_id)
    page = service.store.candidates(design_id, query.limit, query.cursor, query.only)
    rows = [row_of(design, candidate) for candidate in page.items]
    headers = {"Vary": "Accept", **_link_to_next(design_id, query, page.next_cursor)}
    if wants_csv(query.format, request.headers.get("accept", "")):
        return Response(csv_of(rows), headers=headers, media_type=f"{MEDIA_TYPE}; header=present")
    body = CandidateList(items=rows, next_cursor=page.next_cursor)
    return Response(body.model_dump_json(), headers=headers, media_type="application/json")


def _link_to_next(design_id: str, query: CandidateQuery, cursor: str | None) -> dict[str, str]:
    if cursor is None:
        return {}
    words = urlencode(query.model_dump(exclude_none=True) | {"cursor": cursor})
    return {"Link": f'<{PATH}/{design_id}/candidates?{words}>; rel="next"'}


@router.get(
    "/{number}",
    summary="One candidate with its whole shot and series",
    responses=_RESPONSES | stated("store-unavailable", "no-free-core"),
)
async def get_candidate(
    design_id: str,
    number: Annotated[int, Path(ge=0, le=10**9)],
    request: Request,
    service: Service,
) -> CandidateDetail:
    """The candidate's row, and its shot run again at the fidelity that the row states."""
    design = await run_in_threadpool(service.store.get, design_id)
    candidate = await run_in_threadpool(service.store.candidate, design_id, number)
    shot = shot_of(design.request, candidate)
    result = None if shot is None else await simulate(request, shot)
    return CandidateDetail(
        candidate=row_of(design, candidate),
        ratings=[] if result is None else result.ratings,
        confirmation=candidate.confirmation,
        robustness=candidate.robustness,
        result=result,
    )


@router.get(
    "/{number}/robustness",
    summary="What strays do to a candidate",
    responses=_RESPONSES | stated("store-unavailable", "no-free-core"),
)
async def get_robustness(
    design_id: str,
    number: Annotated[int, Path(ge=0, le=10**9)],
    request: Request,
    service: Service,
) -> Robustness:
    """Scatter of its size, its chance to land, and what matters for it, with the design's spreads: of any candidate.

    Those of the final front have it already; for another one the model is run some 70 times, most of a second.
    """
    design = await run_in_threadpool(service.store.get, design_id)
    candidate = await run_in_threadpool(service.store.candidate, design_id, number)
    if candidate.robustness is not None:
        return candidate.robustness
    if candidate.charge_voltage_v is None or candidate.final_outer_diameter_m is None:
        raise ProblemError("not-found", "This candidate has no size that could stray.")
    run = partial(robustness, design.request, candidate, candidate.final_outer_diameter_m, shot_figures)
    found = await on_a_free_core(request, run)
    if found is None:
        raise ProblemError("not-found", "No spread is stated, or next to no shot that strays has a size.")
    return found


@router.get(
    "/{number}/series",
    summary="The whole series of a candidate's shot, as CSV",
    response_class=Response,
    responses=_RESPONSES | stated("store-unavailable", "no-free-core") | SERIES,
)
async def get_series(
    design_id: str,
    number: Annotated[int, Path(ge=0, le=10**9)],
    request: Request,
    service: Service,
) -> Response:
    """Runs the candidate's shot again, and answers with every column of `series` at every step."""
    design = await run_in_threadpool(service.store.get, design_id)
    candidate = await run_in_threadpool(service.store.candidate, design_id, number)
    shot = shot_of(design.request, candidate)
    if shot is None:
        raise ProblemError("not-found", "No shot was run for this candidate.")
    return await series_csv(request, shot)
