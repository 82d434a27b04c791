"""Spans: one for each request and each slot, exported to an OpenTelemetry collector when one is configured.

Nothing is exported, and nothing of OpenTelemetry is loaded, unless OTEL_EXPORTER_OTLP_ENDPOINT is set; its other
variables (headers, timeout, resource attributes) hold as its documentation says. The packages are the extra `otlp`.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING

from worker.trace import Trace

if TYPE_CHECKING:
    from opentelemetry.sdk.trace import TracerProvider

log = logging.getLogger(__name__)

ENDPOINT_VARIABLE = "OTEL_EXPORTER_OTLP_ENDPOINT"
#: How long spans are gathered before they are sent, ms.
_DELAY_MS = 1000


@contextmanager
def span(name: str, given: Trace) -> Iterator[Trace]:
    """Within the context is the next step of the trace `given`, which is exported when it is over."""
    provider = _provider(os.getpid())
    if provider is None:
        yield given.child()
        return
    from opentelemetry.trace import format_span_id, format_trace_id
    from opentelemetry.trace.propagation.tracecontext import TraceContextTextMapPropagator

    parent = TraceContextTextMapPropagator().extract(given.headers)
    attributes = {"request_id": given.request_id}
    with provider.get_tracer("shotwright").start_as_current_span(name, context=parent, attributes=attributes) as begun:
        known = begun.get_span_context()
        ids = format_trace_id(known.trace_id), format_span_id(known.span_id)
        yield Trace(given.request_id, *ids, f"{known.trace_flags:02x}")


def flush_spans() -> None:
    """Send what has been gathered; for the end of a process."""
    provider = _provider(os.getpid())
    if provider is not None:
        provider.shutdown()


@cache
def _provider(_process_id: int) -> TracerProvider | None:
    """One for each process, made at its first span: its thread does not survive a fork."""
    if not os.environ.get(ENDPOINT_VARIABLE):
        return None
    try:
        from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter
        from opentelemetry.sdk.resources import Resource
        from opentelemetry.sdk.trace import TracerProvider
        from opentelemetry.sdk.trace.export import BatchSpanProcessor
    except ImportError as problem:
        log.warning("%s is set, but nothing is exported: install the extra `otlp` (%s)", ENDPOINT_VARIABLE, problem)
        return None
    provider = TracerProvider(resource=Resource.create({"service.name": "shotwright"}))
    provider.add_span_processor(BatchSpanProcessor(OTLPSpanExporter(), schedule_delay_millis=_DELAY_MS))
    return provider
