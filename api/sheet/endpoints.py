"""The sheet of a candidate, and of any shot, as HTML or PDF."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import partial
from pathlib import Path as FilePath
from typing import Annotated, Any, Literal

from anyio import to_thread
from fastapi import APIRouter, Depends, FastAPI, Path, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field
from starlette.concurrency import run_in_threadpool
from starlette.staticfiles import StaticFiles

from api.access.headers import PAGE_POLICY
from api.benches.endpoints import Benches
from api.designs.endpoints import Service
from api.designs.representations import PATH
from api.problems import ProblemError, stated
from api.request_body import require_json
from api.shots.endpoints import PostedShot, resolved, simulate
from physics.result import ShotResult
from worker import words
from worker.records import Robustness
from worker.trial import shot_of

ASSETS = "/sheet-assets"
PDF = "application/pdf"
_ANSWER: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The sheet: two pages of A4 at most.",
        "content": {
            "text/html": {"schema": {"type": "string"}},
            PDF: {"schema": {"type": "string", "contentMediaType": PDF}},
        },
    }
}


class SheetQuery(BaseModel):
    """In which form."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    format: Literal["html", "pdf"] | None = Field(default=None, description="Wins over the Accept header.")


router = APIRouter(tags=["sheets"])


def add_sheets(app: FastAPI) -> None:
    """Add the sheets and their style."""
    app.mount(ASSETS, StaticFiles(directory=FilePath(__file__).parent / "static"), name="sheet-assets")
    app.include_router(router)


@router.get(
    f"{PATH}/{{design_id}}/candidates/{{number}}/sheet",
    summary="The shot sheet of a candidate",
    response_class=Response,
    responses=stated("not-found", "gone", "invalid-input", "store-unavailable", "no-free-core") | _ANSWER,
)
async def candidate_sheet(
    design_id: str,
    number: Annotated[int, Path(ge=0, le=10**9)],
    query: Annotated[SheetQuery, Query()],
    request: Request,
    service: Service,
) -> Response:
    """What to wind and to set, what is predicted within what, limits, hazards, go/no-go, and room for what is measured.

    The candidate's shot is run again for it.
    """
    design = await run_in_threadpool(service.store.get, design_id)
    candidate = await run_in_threadpool(service.store.candidate, design_id, number)
    shot = shot_of(design.request, candidate)
    if shot is None:
        raise ProblemError("not-found", "No shot was run for this candidate.")
    result = await simulate(request, shot)
    target = words.length(design.request.target_diameter_m)
    title = f"{design.request.name or 'Shot'}: candidate {number}, to {target}"
    spelled = f"design {design_id}, candidate {number}"
    link = f"{PATH}/{design_id}/candidates/{number}/sheet?format=pdf"
    return await _answer(request, query, title, result, candidate.robustness, spelled, link)


@router.post(
    "/v1/shots/sheet",
    summary="The shot sheet of this shot",
    dependencies=[Depends(require_json)],
    response_class=Response,
    responses=stated(
        "malformed-json", "too-large", "unsupported-media-type", "invalid-input", "store-unavailable", "no-free-core"
    )
    | _ANSWER,
)
async def shot_sheet(
    request: Request, shot: PostedShot, query: Annotated[SheetQuery, Query()], benches: Benches
) -> Response:
    """The same of any shot, whole or on a named bench."""
    result = await simulate(request, await resolved(shot, benches))
    part = result.shot.workpiece
    title = f"Shot: {part.shape} of {words.length(part.outer_diameter_m)}"
    return await _answer(request, query, title, result, None, "a shot that is stored nowhere", "")


async def _answer(
    request: Request,
    query: SheetQuery,
    title: str,
    result: ShotResult,
    robustness: Robustness | None,
    spelled: str,
    link: str,
) -> Response:
    as_pdf = query.format == "pdf" or (query.format is None and PDF in request.headers.get("accept", ""))
    write = partial(_written, title, result, robustness, spelled, link, as_pdf=as_pdf)
    content = await to_thread.run_sync(write, limiter=request.app.state.sheets_limiter)
    headers = {"Vary": "Accept", "Cache-Control": "no-store"}
    if as_pdf:
        name = f"shot-{result.provenance.input_sha256[:8]}.pdf"
        return Response(
            content, media_type=PDF, headers=headers | {"Content-Disposition": f'inline; filename="{name}"'}
        )
    return Response(
        content, media_type="text/html; charset=utf-8", headers=headers | {"Content-Security-Policy": PAGE_POLICY}
    )


def _written(
    title: str, result: ShotResult, robustness: Robustness | None, spelled: str, link: str, *, as_pdf: bool
) -> bytes:
    # What draws is loaded when the first sheet is wanted: it takes a second that a start of the service need not wait.
    from api.sheet.content import sheet_of
    from api.sheet.html import html_of
    from api.sheet.pdf import pdf_of

    sheet = sheet_of(title, result, robustness, datetime.now(UTC), spelled)
    return pdf_of(sheet) if as_pdf else html_of(sheet, link).encode()
