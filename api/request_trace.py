"""Gives each request its id and its place in a trace, tells both in the answer, and writes one line about it."""

from __future__ import annotations

import logging
import time

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from worker.telemetry import span
from worker.trace import read_trace, tracing

log = logging.getLogger("shotwright.requests")


class RequestTrace:
    """ASGI middleware, outermost of all. `X-Request-Id` and `traceparent` are taken when they are well-formed."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        given = read_trace(dict(Headers(scope=scope)))
        begun_s, status = time.perf_counter(), 500

        async def marked(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                MutableHeaders(scope=message).update(trace.headers)
            await send(message)

        with span(f"{scope['method']} request", given) as trace, tracing(trace):
            scope["trace"] = trace  # for the answer to an error that nobody expected, which is made further out
            try:
                await self.app(scope, receive, marked)
            except Exception:
                log.exception("the request failed")
                raise
            finally:
                elapsed_s = round(time.perf_counter() - begun_s, 4)
                # the path without its query, where a careless client may have put a secret
                said = {"method": scope["method"], "path": scope["path"], "status": status, "duration_s": elapsed_s}
                log.info("%s %s: %d", scope["method"], scope["path"], status, extra={"facts": said})
