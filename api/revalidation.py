"""Cheap polling: an ETag over the body, and 304 for a reader who has it already (RFC 9110)."""

from __future__ import annotations

import hashlib

from fastapi import Request, Response

from physics.schema import Checked


def tagged(request: Request, content: Checked, headers: dict[str, str]) -> Response:
    """Answer with `content` as JSON, or with 304 when the request's If-None-Match names it."""
    body = content.model_dump_json().encode()
    tag = f'"{hashlib.sha256(body).hexdigest()[:32]}"'
    headers = {**headers, "ETag": tag, "Cache-Control": "no-cache"}
    if _names(request.headers.get("if-none-match", ""), tag):
        return Response(status_code=304, headers=headers)
    return Response(body, headers=headers, media_type="application/json")


def _names(if_none_match: str, tag: str) -> bool:
    named = [word.strip().removeprefix("W/") for word in if_none_match.split(",")]
    return "*" in named or tag in named
