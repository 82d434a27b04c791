"""Turns whatever goes wrong in any layer into one problem+json answer."""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, cast

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.routing import APIRoute, iter_route_contexts
from kombu.exceptions import OperationalError
from pydantic import TypeAdapter, ValidationError
from redis.exceptions import RedisError
from starlette.exceptions import HTTPException
from starlette.responses import Response

from api.access.headers import SECURITY_HEADERS
from api.problems import FieldError, ProblemError, body_error, parameter_error, response_for
from api.table import MEDIA_TYPE as CSV_MEDIA_TYPE
from physics.schema import FieldProblem, field_problems, unit_of
from physics.waveform import TraceRefused
from worker.errors import (
    BenchChanged,
    BenchGone,
    BenchUnknown,
    BudgetRefused,
    CandidateUnknown,
    CursorInvalid,
    DesignGone,
    DesignNotContinuable,
    DesignStillActive,
    DesignUnknown,
    ExpiryRefused,
    FitGone,
    FitStillActive,
    FitUnknown,
    IdempotencyConflict,
    InputRefused,
    RecordGone,
    RecordUnknown,
    RevisionUnknown,
    ShotListGone,
    ShotListStillActive,
    ShotListUnknown,
    ShotUnknown,
    StoreError,
    TooManyOpenJobs,
    TraceTaken,
    TraceUnknown,
)
from worker.trace import Trace

log = logging.getLogger("shotwright.api")

RETRY_AFTER_S = 2

_SLUG_OF_STATUS = {
    400: "malformed-json",
    404: "not-found",
    405: "method-not-allowed",
    413: "too-large",
    415: "unsupported-media-type",
}

_SLUG_OF_STORE_ERROR: dict[type[StoreError], str] = {
    DesignUnknown: "not-found",
    TooManyOpenJobs: "too-many-open-jobs",
    ShotListUnknown: "not-found",
    ShotUnknown: "not-found",
    CandidateUnknown: "not-found",
    BenchUnknown: "not-found",
    RevisionUnknown: "not-found",
    RecordUnknown: "not-found",
    FitUnknown: "not-found",
    FitGone: "gone",
    FitStillActive: "fit-not-finished",
    TraceUnknown: "not-found",
    RecordGone: "gone",
    TraceTaken: "record-has-trace",
    DesignGone: "gone",
    ShotListGone: "gone",
    BenchGone: "gone",
    BenchChanged: "changed-meanwhile",
    DesignStillActive: "design-not-finished",
    ShotListStillActive: "shot-list-not-finished",
    DesignNotContinuable: "design-not-continuable",
    IdempotencyConflict: "idempotency-mismatch",
}


def install(app: FastAPI) -> None:
    """Make `app` answer every error with a problem."""

    @app.exception_handler(ProblemError)
    async def known(request: Request, error: ProblemError) -> Response:
        return response_for(error, request.url.path)

    @app.exception_handler(RequestValidationError)
    async def invalid(request: Request, error: RequestValidationError) -> Response:
        return response_for(_invalid_input(request, error), request.url.path)

    @app.exception_handler(HTTPException)
    async def plain(request: Request, error: HTTPException) -> Response:
        return response_for(_from_http(app, request, error), request.url.path)

    @app.exception_handler(InputRefused)
    async def unfit(request: Request, error: InputRefused) -> Response:
        errors = [body_error(problem) for problem in error.problems]
        return response_for(ProblemError("invalid-input", _first_words(errors), errors=errors), request.url.path)

    @app.exception_handler(TraceRefused)
    async def unreadable(request: Request, error: TraceRefused) -> Response:
        return response_for(_from_trace(request, error), request.url.path)

    @app.exception_handler(StoreError)
    async def refused(request: Request, error: StoreError) -> Response:
        return response_for(_from_store(error), request.url.path)

    @app.exception_handler(RedisError)
    @app.exception_handler(OperationalError)
    async def away(request: Request, error: Exception) -> Response:
        log.warning("store unavailable: %s", error)
        problem = ProblemError("store-unavailable", headers={"Retry-After": str(RETRY_AFTER_S)})
        return response_for(problem, request.url.path)

    @app.exception_handler(Exception)
    async def unexpected(request: Request, _: Exception) -> Response:
        # outside all middleware, so it brings the headers itself
        trace: Trace | None = request.scope.get("trace")
        headers = dict(SECURITY_HEADERS) | (trace.headers if trace else {})
        return response_for(ProblemError("internal-error", headers=headers), request.url.path)


def _from_store(error: StoreError) -> ProblemError:
    if isinstance(error, CursorInvalid):
        return ProblemError("invalid-input", f"cursor: {error}.", errors=[parameter_error("cursor", str(error))])
    if isinstance(error, BudgetRefused):
        problem = FieldProblem(f"/{error.field}", str(error), unit_of(error.field), minimum=error.minimum)
        return ProblemError("invalid-input", f"/{error.field}: {error}.", errors=[body_error(problem)])
    if isinstance(error, ExpiryRefused):
        return ProblemError(
            "invalid-input", f"/expires_at: {error}.", errors=[body_error(FieldProblem("/expires_at", str(error)))]
        )
    return ProblemError(_SLUG_OF_STORE_ERROR[type(error)], str(error))


#: Which field of an inline trace, or parameter of a file, a reason is about; the readings are to blame for the others.
_BLAMED = {
    "time_not_rising": "time",
    "time_unit": "time_unit_s",
    "too_coarse": "time",
    "wrong_sign": "scale_a",
    "scale": "scale_a",
    "no_column": "time_column",
}


def _from_trace(request: Request, error: TraceRefused) -> ProblemError:
    """A refused trace: where it lies in a body of JSON, or which parameter of a file is to blame, if one is."""
    name = _BLAMED.get(error.reason, "value")
    is_file = request.headers.get("content-type", "").startswith(CSV_MEDIA_TYPE)
    if not is_file:
        place = f"/trace/{name}" if name in ("time", "value") else f"/trace/probe/{name}"
        errors = [body_error(FieldProblem(place, str(error), unit_of(name)))]
    else:
        errors = [] if name in ("time", "value") else [parameter_error(name, str(error))]
    words = f"{str(error)[:1].upper()}{str(error)[1:]}."
    return ProblemError("trace-refused", words, errors=errors, extension={"reason": error.reason})


def _from_http(app: FastAPI, request: Request, error: HTTPException) -> ProblemError:
    slug = _SLUG_OF_STATUS.get(error.status_code, "internal-error")
    headers = dict(error.headers or {})
    if slug == "method-not-allowed":
        headers["Allow"] = ", ".join(sorted(_allowed_methods(app, request))) or headers.get("Allow", "")
        return ProblemError(slug, f"{request.method} does not apply to {request.url.path}.", headers=headers)
    detail = error.detail if slug == "too-large" else ""
    return ProblemError(slug, detail, headers=headers)


def _allowed_methods(app: FastAPI, request: Request) -> set[str]:
    """Methods of every route with this path; the framework names only the first route's."""
    allowed: set[str] = set()
    for context in iter_route_contexts(app.routes):
        pattern = getattr(context, "path_regex", None)
        if pattern is not None and pattern.match(request.url.path):
            allowed |= context.methods or set()
    return allowed


def _invalid_input(request: Request, error: RequestValidationError) -> ProblemError:
    entries = error.errors()
    broken = next((e for e in entries if e["type"] == "json_invalid"), None)
    if broken is not None:
        return ProblemError("malformed-json", f"{broken['ctx']['error']} at character {broken['loc'][-1]}.")
    errors = [_parameter_error(entry) for entry in entries if entry["loc"][0] != "body"]
    if any(e["loc"][0] == "body" for e in entries):
        errors += _body_errors(request, error.body)
    return ProblemError("invalid-input", _first_words(errors), errors=errors)


def _parameter_error(entry: Mapping[str, Any]) -> FieldError:
    value, name = str(entry.get("input"))[:60], str(entry["loc"][-1])
    if entry["type"] == "extra_forbidden":
        return parameter_error(name, "is not a known parameter")
    bounds = entry.get("ctx", {})
    return parameter_error(name, f"{value!r}: {entry['msg']}", minimum=bounds.get("ge"), maximum=bounds.get("le"))


def _body_errors(request: Request, body: object) -> list[FieldError]:
    """Check the body once more against its model, to get problems with units and ranges."""
    if not isinstance(body, dict):
        return [body_error(FieldProblem("", "the body must be a JSON object"))]
    model = _body_model(request)
    try:
        TypeAdapter(model).validate_python(body)
    except ValidationError as error:
        return [body_error(problem) for problem in field_problems(error, model)]
    return []


def _body_model(request: Request) -> Any:
    """The model of the operation's body, or the union of those that it may be."""
    route = cast(APIRoute, request.scope["route"])
    assert route.body_field is not None, "only operations with a body have wrong bodies"
    info = route.body_field.field_info
    return Annotated[info.annotation, info]


def _first_words(errors: Sequence[FieldError]) -> str:
    first = f"{errors[0].pointer or errors[0].parameter or 'body'}: {errors[0].detail}"
    return f"{first}." if len(errors) == 1 else f"{first}; and {len(errors) - 1} more, see errors."
