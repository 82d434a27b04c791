"""Puts the service together."""

from __future__ import annotations

import logging
import os
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial
from typing import Any, Literal

from anyio import CapacityLimiter, to_thread
from fastapi import FastAPI
from pydantic import BaseModel
from pydantic.json_schema import models_json_schema
from redis.exceptions import RedisError
from starlette.middleware.cors import CORSMiddleware

from api.access.deadlines import SendDeadline
from api.access.guard import Guard
from api.access.headers import SecurityHeaders
from api.access.published import state_access
from api.benches import aim, comparison
from api.benches import endpoints as benches
from api.designs import candidates, export
from api.designs import endpoints as designs
from api.designs import events as design_events
from api.designs.representations import DesignStatus, FrontNumbers
from api.event_stream import spell
from api.feeds import Feeds
from api.fits import endpoints as fits
from api.fits import events as fit_events
from api.fits.representations import FitStatus
from api.health import endpoints as health
from api.health import metrics
from api.health.http_metrics import HttpMetrics, keep_counts_of_ended
from api.health.warming import Warming
from api.materials import endpoints as materials
from api.page.endpoints import add_pages
from api.problem_handlers import install
from api.problems import Problem
from api.records import endpoints as records
from api.records import export as record_export
from api.records import traces
from api.request_body import BodyLimit
from api.request_trace import RequestTrace
from api.shared_reads import SharedReads
from api.sheet.endpoints import add_sheets
from api.shot_lists import endpoints as shot_lists
from api.shot_lists import events as list_events
from api.shot_lists.representations import ShotListStatus
from api.shots import endpoints as shots
from api.wires import endpoints as wires
from physics.hazards import CAUTIONS
from physics.schema import add_units
from worker.access import Gate
from worker.aim import AimService
from worker.app import sender
from worker.connection import connect
from worker.events import EventLog
from worker.fit_service import FitService
from worker.operation import read_operation
from worker.record_service import RecordService
from worker.service import DesignService, ShotListService
from worker.settings import Settings
from worker.store import Store
from worker.telemetry import flush_spans
from worker.watchdog import Watchdog

log = logging.getLogger("shotwright.api")

API_VERSION = "1.0.0"
#: A design request is a few kilobytes; a thousand shots with every default filled in and metals of one's own are 3 MB.
MAX_BODY_BYTES = 4_000_000
#: A million lines of two numbers with all their digits.
MAX_TRACE_BYTES = 64_000_000
TRACE = re.compile(r"/v1/records/[^/]+/trace")

#: What a page of another origin may send and read, once CORS is configured.
_ASKED_HEADERS = ["Authorization", "Content-Type", "Idempotency-Key", "If-Match", "If-None-Match", "Last-Event-ID"]
_TOLD_HEADERS = ["ETag", "Link", "Location", "RateLimit", "RateLimit-Policy", "Retry-After"]

_DESCRIPTION = """
Designs capacitor-bank shots that shrink a metal part with one magnetic pulse of a single-use coil.

* **Forward**: what will this shot do? `POST /v1/shots`, answered at once.
* **Inverse**: which coil, gap, capacitance and voltage bring this part to that size inside these limits?
  `POST /v1/designs`, then watch `Location`.

All numbers are SI; the unit ends the name and is `x-unit` (UCUM) in the schema, where `@unit` stands for what the
member `unit` beside the number says, `@pointer` for the end of the pointer that the number belongs to, and `@probe` for
what the probe beside a measured column says. Times of the clock are RFC 3339, UTC. Errors are problem+json (RFC 9457).
Each answer has an `X-Request-Id`, yours if it is well-formed, and a `traceparent`. It computes and records; it never
charges or fires anything.

Where access keys are asked for, each request but those of `/livez`, `/readyz` and the documentation carries one:
`Authorization: Bearer sw_...`. Scope `read` may GET, `submit` POST and PUT as well, `admin` DELETE and PATCH as well.
`RateLimit` and `RateLimit-Policy` on each answer then tell how many requests are left.

**Cautions**

"""


#: What no operation names as its answer: errors by reference, events by name in words.
_ALSO_DOCUMENTED: list[tuple[type[BaseModel], Literal["serialization"]]] = [
    (Problem, "serialization"),
    (DesignStatus, "serialization"),
    (FrontNumbers, "serialization"),
    (ShotListStatus, "serialization"),
    (FitStatus, "serialization"),
]


class _Application(FastAPI):
    """A FastAPI application whose OpenAPI document also holds the schemas of problems and of events."""

    def openapi(self) -> dict[str, Any]:
        """The document, made once."""
        document = super().openapi()
        _, schemas = models_json_schema(_ALSO_DOCUMENTED, ref_template="#/components/schemas/{model}")
        document["components"]["schemas"].update(schemas["$defs"])
        state_access(document)
        for operations in document["paths"].values():
            for operation in operations.values():
                for asked in operation.get("parameters", []):
                    add_units({"properties": {asked["name"]: asked["schema"]}})
        return document


def create_app(settings: Settings) -> FastAPI:
    """The service on the Redis server that `settings` names."""
    if settings.redis_url is None:
        raise ValueError("REDIS_URL is not set; `python -m api` starts a private server and everything else")
    app = _Application(
        title="Shotwright",
        version=API_VERSION,
        description=_DESCRIPTION + "\n".join(f"* {caution}" for caution in CAUTIONS),
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        separate_input_output_schemas=False,
        lifespan=_lifespan,
    )
    client = connect(settings.redis_url)
    store = Store(
        client,
        result_days=settings.result_days,
        lease_seconds=settings.lease_seconds,
        attempts_limit=settings.attempts_limit,
        open_jobs_limit=settings.open_jobs_limit,
    )
    send = sender(settings.redis_url)
    app.state.designs = DesignService(store, send)
    app.state.shot_lists = ShotListService(app.state.designs)
    app.state.records = RecordService(store, app.state.designs.benches)
    app.state.fits = FitService(app.state.designs, app.state.records.store)
    app.state.aims = AimService(app.state.designs.benches, app.state.records, app.state.fits.store)
    # Here, too: a design can be cancelled, or its lost message found, while no worker is alive.
    app.state.watchdog = Watchdog(store, send)
    app.state.feeds = Feeds(EventLog(settings.redis_url), spell)
    app.state.reads = SharedReads()
    app.state.read_operation = partial(read_operation, client)
    app.state.shots_limiter = CapacityLimiter(os.cpu_count() or 1)
    app.state.files_limiter = CapacityLimiter(1)
    app.state.sheets_limiter = CapacityLimiter(1)
    app.state.shot_wait_s = settings.shot_wait_seconds
    app.state.warming = Warming()
    app.state.gate = Gate(settings.redis_url, settings.rate_per_minute)
    _add_layers(app, settings)
    install(app)
    of_designs = (designs, design_events, candidates, export)
    of_records = (record_export, records, traces, fits, fit_events, comparison)
    # Routes are tried one after the other: what is polled comes first.
    for resource in (
        *of_designs, shot_lists, list_events, health, shots, benches, aim, *of_records, materials, wires, metrics,
    ):  # fmt: skip
        app.include_router(resource.router)
    add_sheets(app)
    add_pages(app)
    return app


def _add_layers(app: FastAPI, settings: Settings) -> None:
    """What each request passes before it is routed; the last one added is the first one passed."""
    app.add_middleware(
        BodyLimit, max_body_bytes=MAX_BODY_BYTES, body_seconds=settings.body_seconds, files={TRACE: MAX_TRACE_BYTES}
    )
    app.add_middleware(Guard, gate=app.state.gate, access=settings.access)
    if settings.cors_origins:
        app.add_middleware(
            CORSMiddleware,
            allow_origins=settings.cors_origins,
            allow_methods=["GET", "POST", "PUT", "PATCH", "DELETE"],
            allow_headers=_ASKED_HEADERS,
            expose_headers=_TOLD_HEADERS,
        )
    app.add_middleware(SecurityHeaders)
    app.add_middleware(SendDeadline, send_seconds=settings.send_seconds)
    app.add_middleware(HttpMetrics)
    app.add_middleware(RequestTrace)


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    keep_counts_of_ended()
    await to_thread.run_sync(_prepare, app.state.designs.store)
    app.state.warming.start()
    app.state.watchdog.start()
    yield
    await app.state.feeds.close()
    await to_thread.run_sync(app.state.watchdog.stop)
    await app.state.gate.close()
    await to_thread.run_sync(flush_spans)


def _prepare(store: Store) -> None:
    """An unfit server stops the start; one that is away does not, since forward shots need none."""
    try:
        store.prepare()
    except RedisError as problem:
        log.warning("the store is away: %s", problem)
