"""The pages, and the assets of the API documentation from the installed package."""

from __future__ import annotations

from pathlib import Path

import fastapi_offline
from fastapi import APIRouter, FastAPI, Request
from fastapi.openapi.docs import get_swagger_ui_html
from redis.exceptions import RedisError
from starlette.responses import HTMLResponse, PlainTextResponse
from starlette.staticfiles import StaticFiles

from api.page.front_page import front_page
from api.problems import KINDS, ProblemError
from worker.store import Store

ASSETS = "/docs-assets"
_DESIGNS_SHOWN = 20
#: The page has no script and loads nothing.
_POLICY = {"Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; img-src data:"}

router = APIRouter(include_in_schema=False)


def add_pages(app: FastAPI) -> None:
    """Add `/`, `/docs` and `/problems/{slug}` to the service."""
    app.mount(ASSETS, StaticFiles(directory=Path(fastapi_offline.__file__).parent / "static"), name="docs-assets")
    app.include_router(router)


@router.get("/")
def page(request: Request) -> HTMLResponse:
    """What this is, the designs at a glance, the cautions; it stands also while the store is away."""
    store: Store = request.app.state.designs.store
    try:
        designs = store.designs(_DESIGNS_SHOWN).items
    except RedisError:
        designs = None
    return HTMLResponse(front_page(designs), headers=_POLICY)


@router.get("/docs")
async def docs(request: Request) -> HTMLResponse:
    """The API by example; all assets come from this service."""
    return get_swagger_ui_html(
        openapi_url=str(request.app.openapi_url),
        title=f"{request.app.title} API",
        swagger_js_url=f"{ASSETS}/swagger-ui-bundle.js",
        swagger_css_url=f"{ASSETS}/swagger-ui.css",
        swagger_favicon_url=f"{ASSETS}/favicon.png",
        swagger_ui_parameters={"validatorUrl": None},
    )


@router.get("/problems/{slug}")
async def explain_problem(slug: str) -> PlainTextResponse:
    """What a problem's `type` means and what to do about it."""
    kind = KINDS.get(slug)
    if kind is None:
        raise ProblemError("not-found", f"No kind of problem is called {slug[:60]!r}.")
    return PlainTextResponse(f"{kind.title} (HTTP {kind.status})\n\n{kind.remedy}\n")
