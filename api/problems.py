"""Every error the service answers with: one registry, one shape (RFC 9457 problem+json)."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass

from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from physics.schema import FieldProblem, add_units

MEDIA_TYPE = "application/problem+json"
#: More wrong fields than this are counted, not listed.
MOST_ERRORS_LISTED = 50


@dataclass(frozen=True)
class Kind:
    """One kind of problem: its stable name, HTTP status, title, and what to do about it."""

    slug: str
    status: int
    title: str
    remedy: str

    @property
    def type_uri(self) -> str:
        """The stable, relative `type` of RFC 9457; GET it for the remedy in words."""
        return f"/problems/{self.slug}"


def _kinds(*kinds: Kind) -> dict[str, Kind]:
    return {kind.slug: kind for kind in kinds}


KINDS = _kinds(
    Kind("malformed-json", 400, "The body is not JSON", "Send one JSON object, UTF-8."),
    Kind(
        "too-deep", 400, "The body is nested too deeply", "No body of this service is nested as deeply; send it flat."
    ),
    Kind(
        "key-needed",
        401,
        "An access key is needed",
        "Send Authorization: Bearer sw_...; keys are made by `python -m api keys create` where the service runs.",
    ),
    Kind(
        "scope-too-small",
        403,
        "This key may not do that",
        "Looking needs read; asking for work or stopping it submit; deleting or keeping admin. Ask for another key.",
    ),
    Kind("not-found", 404, "There is nothing here", "Check the address; ids are never reused."),
    Kind("method-not-allowed", 405, "This method does not apply here", "Use a method the Allow header names."),
    Kind("body-too-slow", 408, "The body took too long", "Send it at once, on a new connection."),
    Kind(
        "too-many-open-jobs",
        409,
        "This key has too many jobs at work",
        "Wait until one has ended, or cancel one; repeating does not help before.",
    ),
    Kind("design-not-finished", 409, "The design is still at work", "Cancel it, or wait until it has ended."),
    Kind("shot-list-not-finished", 409, "The list is still at work", "Cancel it, or wait until it has ended."),
    Kind("fit-not-finished", 409, "The fit is still at work", "Cancel it, or wait until it has ended."),
    Kind(
        "record-has-trace",
        409,
        "The record has another trace already",
        "Records are never changed; post one that supersedes it, then send the trace to that.",
    ),
    Kind("design-not-continuable", 409, "Only a design that has succeeded goes on", "Post a new design."),
    Kind("gone", 410, "It was here and is deleted or expired", "Post the design again for a new answer."),
    Kind("changed-meanwhile", 412, "It was changed since it was read", "Read it again and repeat with its new ETag."),
    Kind("too-large", 413, "The body is too large", "Send a smaller body."),
    Kind(
        "unsupported-media-type",
        415,
        "The body's type is not served here",
        "Send what the operation takes: JSON, or CSV for a trace.",
    ),
    Kind("invalid-input", 422, "Some values cannot be used", "Each entry of errors names a field and its range."),
    Kind(
        "trace-refused",
        422,
        "Nothing can be read from this trace",
        "`reason` and `detail` say what is wrong with it; correct the probe's fields, or measure again.",
    ),
    Kind("idempotency-mismatch", 422, "This Idempotency-Key came with another body", "Use a new key for a new body."),
    Kind("precondition-required", 428, "If-Match is needed", "Send the ETag of what is to be changed as If-Match."),
    Kind("rate-exceeded", 429, "Too many requests", "Repeat the request after Retry-After seconds; ask less often."),
    Kind("internal-error", 500, "The service failed; the request may be sound", "Report it with its X-Request-Id."),
    Kind("store-unavailable", 503, "The store does not answer", "Repeat the request after Retry-After seconds."),
    Kind("no-free-core", 503, "Every core is at work on other shots", "Repeat after Retry-After seconds."),
    Kind("not-ready", 503, "The service is starting or has no worker", "Repeat after Retry-After seconds."),
)


class FieldError(BaseModel):
    """One wrong field or parameter and what is allowed."""

    model_config = ConfigDict(json_schema_extra=add_units)

    pointer: str | None = Field(description="JSON pointer (RFC 6901) into the body; null if not about the body.")
    parameter: str | None = Field(description="Name of the query, path or header parameter; null if in the body.")
    detail: str = Field(description="What is wrong, with the value.")
    unit: str | None = Field(description="UCUM code of the unit.")
    minimum: float | None = Field(description="Smallest allowed value, in that unit.")
    maximum: float | None = Field(description="Largest allowed value, in that unit.")
    hint: str | None = Field(description="What may have been meant.")


class Problem(BaseModel):
    """RFC 9457 problem details."""

    model_config = ConfigDict(json_schema_extra=add_units)

    type: str = Field(description="Stable, relative address of the kind of problem.", examples=["/problems/not-found"])
    title: str = Field(description="The kind of problem in words; the same each time.")
    status: int = Field(description="HTTP status, repeated.")
    detail: str = Field(description="What happened this time.")
    instance: str = Field(description="Path of the request.")
    errors: list[FieldError] = Field(description="Wrong fields; empty when no field is to blame.")


class ProblemError(Exception):
    """Raised anywhere in the service to answer with a problem."""

    def __init__(
        self,
        slug: str,
        detail: str = "",
        *,
        errors: Iterable[FieldError] = (),
        headers: dict[str, str] | None = None,
        extension: dict[str, object] | None = None,
    ) -> None:
        self.kind = KINDS[slug]
        super().__init__(detail or self.kind.title)
        self.detail = detail or self.kind.remedy
        self.errors = list(errors)
        self.headers = headers or {}
        self.extension = extension or {}


def body_error(problem: FieldProblem) -> FieldError:
    """The HTTP form of a field problem found by the physics schema."""
    return FieldError(parameter=None, **asdict(problem))


def parameter_error(name: str, detail: str, minimum: float | None = None, maximum: float | None = None) -> FieldError:
    """A wrong query, path or header parameter."""
    return FieldError(
        pointer=None, parameter=name, detail=detail, unit=None, minimum=minimum, maximum=maximum, hint=None
    )


def response_for(error: ProblemError, path: str) -> Response:
    """Render a problem; text that is not valid Unicode is escaped, so rendering never fails."""
    kind = error.kind
    left_out = len(error.errors) - MOST_ERRORS_LISTED
    detail = f"{error.detail} {left_out} more are not listed." if left_out > 0 else error.detail
    problem = Problem(
        type=kind.type_uri,
        title=kind.title,
        status=kind.status,
        detail=detail,
        instance=path,
        errors=error.errors[:MOST_ERRORS_LISTED],
    )
    body = json.dumps({**problem.model_dump(), **error.extension}, allow_nan=False)
    return Response(body, kind.status, headers=error.headers, media_type=MEDIA_TYPE)


def stated(*slugs: str) -> dict[int | str, dict[str, object]]:
    """OpenAPI `responses` for the problems an operation can answer with; 500 goes without saying."""
    by_status: dict[int | str, list[Kind]] = {}
    for slug in (*slugs, "internal-error"):
        by_status.setdefault(KINDS[slug].status, []).append(KINDS[slug])
    return {status: _stated_response(kinds) for status, kinds in by_status.items()}


def _stated_response(kinds: list[Kind]) -> dict[str, object]:
    schema = {"$ref": "#/components/schemas/Problem"}
    return {
        "description": "; ".join(f"{kind.title} (`{kind.type_uri}`)" for kind in kinds),
        "content": {MEDIA_TYPE: {"schema": schema}},
    }
