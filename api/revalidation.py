"""An ETag over the body: 304 for a reader who has it already, and no overwriting of what was not read (RFC 9110)."""

from __future__ import annotations

import hashlib

from fastapi import Request, Response

from physics.schema import Checked


def tagged(request: Request, content: Checked, headers: dict[str, str], status: int = 200) -> Response:
    """Answer with `content` as JSON, or with 304 when the request's If-None-Match names it."""
    body = content.model_dump_json().encode()
    tag = _tag_of(body)
    headers = {**headers, "ETag": tag, "Cache-Control": "no-cache"}
    if _names(request.headers.get("if-none-match", ""), tag):
        return Response(status_code=304, headers=headers)
    return Response(body, status, headers=headers, media_type="application/json")


def unchanged(if_match: str, content: Checked) -> bool:
    """Whether an If-Match header names `content` as it stands."""
    return _names(if_match, _tag_of(content.model_dump_json().encode()))


def _tag_of(body: bytes) -> str:
    return f'"{hashlib.sha256(body).hexdigest()[:32]}"'


def _names(header: str, tag: str) -> bool:
    named = [word.strip().removeprefix("W/") for word in header.split(",")]
    return "*" in named or tag in named
