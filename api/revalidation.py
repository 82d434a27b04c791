"""An ETag over the body: 304 for a reader who has it already, and no overwriting of what was not read (RFC 9110)."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from fastapi import Request, Response

from physics.schema import Checked


@dataclass(frozen=True)
class Tagged:
    """An answer's body as JSON, its tag, and the headers that go with it."""

    body: bytes
    tag: str
    headers: dict[str, str]


def spelled(content: Checked, headers: dict[str, str]) -> Tagged:
    """`content` as JSON, with its tag."""
    body = content.model_dump_json().encode()
    return Tagged(body, _tag_of(body), headers)


def answer(request: Request, given: Tagged, status: int = 200) -> Response:
    """The answer itself, or 304 when the request's If-None-Match names it."""
    headers = {**given.headers, "ETag": given.tag, "Cache-Control": "no-cache"}
    if _names(request.headers.get("if-none-match", ""), given.tag):
        return Response(status_code=304, headers=headers)
    return Response(given.body, status, headers=headers, media_type="application/json")


def tagged(request: Request, content: Checked, headers: dict[str, str], status: int = 200) -> Response:
    """Answer with `content` as JSON, or with 304 when the request has it already."""
    return answer(request, spelled(content, headers), status)


def unchanged(if_match: str, content: Checked) -> bool:
    """Whether an If-Match header names `content` as it stands."""
    return _names(if_match, _tag_of(content.model_dump_json().encode()))


def _tag_of(body: bytes) -> str:
    return f'"{hashlib.sha256(body).hexdigest()[:32]}"'


def _names(header: str, tag: str) -> bool:
    named = [word.strip().removeprefix("W/") for word in header.split(",")]
    return "*" in named or tag in named
