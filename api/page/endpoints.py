"""The pages, and the assets of the API documentation from the installed package."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import fastapi_offline
from fastapi import APIRouter, FastAPI, Request
from redis.exceptions import RedisError
from starlette.responses import HTMLResponse, PlainTextResponse
from starlette.staticfiles import StaticFiles

from api.access.guard import Caller
from api.access.headers import PAGE_POLICY
from api.page.pages import PAGES, Page, front_page, page_of
from api.problems import KINDS, ProblemError
from worker.store import Store

ASSETS = "/docs-assets"
_DESIGNS_SHOWN = 20
#: Our own scripts and styles; a strict policy takes none from inside a page.
PAGE_ASSETS = "/page-assets"
_STATIC = Path(__file__).parent / "static"
_POLICY = {"Content-Security-Policy": PAGE_POLICY}

router = APIRouter(include_in_schema=False)


def add_pages(app: FastAPI) -> None:
    """Add the pages, `/docs` and `/problems/{slug}` to the service."""
    app.mount(ASSETS, StaticFiles(directory=Path(fastapi_offline.__file__).parent / "static"), name="docs-assets")
    app.mount(PAGE_ASSETS, StaticFiles(directory=_STATIC), name="page-assets")
    for shown in PAGES:
        app.add_api_route(shown.path, partial(_shown, shown), response_class=HTMLResponse, include_in_schema=False)
    app.include_router(router)


async def _shown(shown: Page) -> HTMLResponse:
    return HTMLResponse(page_of(shown), headers=_POLICY)


@router.get("/")
def page(request: Request) -> HTMLResponse:
    """What this is, the designs at a glance, the cautions; it stands also while the store is away."""
    store: Store = request.app.state.designs.store
    caller: Caller = request.state.caller
    try:
        designs = store.designs(_DESIGNS_SHOWN).items if caller.may_read else None
    except RedisError:
        designs = None
    return HTMLResponse(front_page(designs, may_read=caller.may_read), headers=_POLICY)


@router.get("/docs")
def docs() -> HTMLResponse:
    """The API by example; all assets come from this service."""
    return HTMLResponse((_STATIC / "docs.html").read_text(encoding="utf-8"), headers=_POLICY)


@router.get("/problems/{slug}")
async def explain_problem(slug: str) -> PlainTextResponse:
    """What a problem's `type` means and what to do about it."""
    kind = KINDS.get(slug)
    if kind is None:
        raise ProblemError("not-found", f"No kind of problem is called {slug[:60]!r}.")
    return PlainTextResponse(f"{kind.title} (HTTP {kind.status})\n\n{kind.remedy}\n")
