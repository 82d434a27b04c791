"""What goes with a request body: JSON by name, not too large, perhaps with a key against being taken twice."""

from __future__ import annotations

from typing import Annotated

from fastapi import Header, Request
from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.problems import ProblemError, response_for

#: The rest of a refused body is not read, so the connection cannot carry another request.
_CLOSE = {"Connection": "close"}


IdempotencyKey = Annotated[
    str | None,
    Header(
        min_length=1,
        max_length=255,
        description="Choose one a thing to be made: posting again with the same key and body gives the same one.",
    ),
]


def require_json(request: Request) -> None:
    """Dependency of every operation with a body: refuse a body that does not say it is JSON."""
    stated = request.headers.get("content-type", "")
    media_type = stated.partition(";")[0].strip().lower()
    kind, _, subtype = media_type.partition("/")
    if kind != "application" or not (subtype == "json" or subtype.endswith("+json")):
        said = f"{media_type[:60]!r}" if media_type else "no Content-Type"
        raise ProblemError("unsupported-media-type", f"The request says {said}; send application/json.")


class BodyLimit:
    """ASGI middleware: answers 413 when a body is, or turns out to be, longer than allowed.

    A stated Content-Length is refused at once; a chunked body as soon as it has grown too long.
    """

    def __init__(self, app: ASGIApp, max_body_bytes: int) -> None:
        self.app = app
        self.max_body_bytes = max_body_bytes
        self._words = f"At most {max_body_bytes} bytes are taken."

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        stated = Headers(scope=scope).get("content-length", "")
        if stated.isdecimal() and int(stated) > self.max_body_bytes:
            answer = response_for(ProblemError("too-large", self._words, headers=_CLOSE), scope["path"])
            await answer(scope, receive, send)
            return
        seen_bytes = 0

        async def counted() -> Message:
            nonlocal seen_bytes
            message = await receive()
            seen_bytes += len(message.get("body", b""))
            if seen_bytes > self.max_body_bytes:
                raise HTTPException(413, self._words, headers=_CLOSE)
            return message

        await self.app(scope, counted, send)
