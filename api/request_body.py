"""What a request body must be before anything looks into it: JSON by name, not too large, too deep or too slow.

And what goes with it: whose it is, perhaps with a key against being taken twice.
"""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Mapping
from typing import Annotated

import numpy as np
from fastapi import Depends, Header, Request
from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.problems import ProblemError, response_for
from api.table import MEDIA_TYPE as CSV_MEDIA_TYPE

#: The rest of a refused body is not read, so the connection cannot carry another request.
_CLOSE = {"Connection": "close"}
#: The deepest body of this service is nested half as deeply.
MOST_LEVELS = 24

_SURROGATE = re.compile(rb"\\u[dD][89a-fA-F]")

_STEPS = np.zeros(256, dtype=np.int8)
_STEPS[list(b"{[")] = 1
_STEPS[list(b"}]")] = -1
_NO_MARKS = bytes(set(range(256)) - set(b'"{}[]'))


def _owner(request: Request) -> str | None:
    """Id of the access key that was shown, if one was needed."""
    found: str | None = request.state.caller.key_id
    return found


Owner = Annotated[str | None, Depends(_owner)]


def _idempotency_key(
    owner: Owner,
    idempotency_key: Annotated[
        str | None,
        Header(
            min_length=1,
            max_length=255,
            description="Choose one a thing to be made: posting again with the same key and body gives the same one.",
        ),
    ] = None,
) -> str | None:
    """The key as it was sent, set apart from those of other owners."""
    return f"{owner} {idempotency_key}" if owner and idempotency_key else idempotency_key


IdempotencyKey = Annotated[str | None, Depends(_idempotency_key)]


def require_json(request: Request) -> None:
    """Dependency of every operation with a body: refuse a body that does not say it is JSON."""
    stated = request.headers.get("content-type", "")
    media_type = stated.partition(";")[0].strip().lower()
    kind, _, subtype = media_type.partition("/")
    if kind != "application" or not (subtype == "json" or subtype.endswith("+json")):
        said = f"{media_type[:60]!r}" if media_type else "no Content-Type"
        raise ProblemError("unsupported-media-type", f"The request says {said}; send application/json.")


def require_csv(request: Request) -> None:
    """The same for a body that is a table."""
    media_type = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if media_type != CSV_MEDIA_TYPE:
        said = f"{media_type[:60]!r}" if media_type else "no Content-Type"
        raise ProblemError("unsupported-media-type", f"The request says {said}; send {CSV_MEDIA_TYPE}.")


def levels(body: bytes) -> int:
    """How deeply the brackets of a JSON text are nested, those in strings left out."""
    marks = body.replace(b"\\\\", b"").replace(b'\\"', b"").translate(None, _NO_MARKS)
    plain = np.frombuffer(marks, dtype=np.uint8)
    inside = np.logical_xor.accumulate(plain == ord('"'))
    return int(np.cumsum(_STEPS[plain[~inside]], dtype=np.int32).max(initial=0))


def is_unicode(body: bytes) -> bool:
    """False when a JSON text escapes half of a surrogate pair, which no character is: it could not be repeated."""
    if not _SURROGATE.search(body):
        return True
    try:
        json.dumps(json.loads(body), ensure_ascii=False).encode()
    except UnicodeEncodeError:
        return False
    except (ValueError, RecursionError):  # no JSON, as will be told
        return True
    return True


class BodyLimit:
    """ASGI middleware: hands a whole body on, or answers 408, 413 or 400 when it is too slow, large, deep or no text.

    A stated Content-Length is refused at once; a chunked body as soon as it has grown too long. `files` are the paths
    that take a file by PUT, which is no JSON, and how many bytes of it.
    """

    def __init__(
        self, app: ASGIApp, max_body_bytes: int, body_seconds: float, files: Mapping[re.Pattern[str], int]
    ) -> None:
        self.app = app
        self.max_body_bytes = max_body_bytes
        self.body_seconds = body_seconds
        self.files = files

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        try:
            messages = [await self._whole(scope, receive)]
        except ProblemError as problem:
            await response_for(problem, scope["path"])(scope, receive, send)
            return

        async def replayed() -> Message:
            return messages.pop() if messages else await receive()

        await self.app(scope, replayed, send)

    async def _whole(self, scope: Scope, receive: Receive) -> Message:
        """The body as one message, or that the client has gone. Raises ProblemError."""
        of_file = next((most for path, most in self.files.items() if path.fullmatch(scope["path"])), None)
        is_file = of_file is not None and scope["method"] == "PUT"
        most = of_file if of_file is not None and is_file else self.max_body_bytes
        stated = Headers(scope=scope).get("content-length", "")
        if stated.isdecimal() and int(stated) > most:
            raise _too_large(most)
        body = bytearray()
        try:
            async with asyncio.timeout(self.body_seconds):
                while True:
                    message = await receive()
                    if message["type"] != "http.request":
                        return message
                    body += message.get("body", b"")
                    if len(body) > most:
                        raise _too_large(most)
                    if not message.get("more_body", False):
                        break
        except TimeoutError:
            words = f"The body was not there within {self.body_seconds:g} s."
            raise ProblemError("body-too-slow", words, headers=_CLOSE) from None
        if is_file or not body:
            return {"type": "http.request", "body": bytes(body), "more_body": False}
        if levels(bytes(body)) > MOST_LEVELS:
            raise ProblemError("too-deep", f"At most {MOST_LEVELS} levels of objects and lists are taken.")
        if not is_unicode(bytes(body)):
            raise ProblemError("malformed-json", "A \\u escape is half of a surrogate pair, which is no character.")
        return {"type": "http.request", "body": bytes(body), "more_body": False}


def _too_large(most: int) -> ProblemError:
    return ProblemError("too-large", f"At most {most} bytes are taken.", headers=_CLOSE)
