"""Which request something is done for: one id, and one W3C trace, from the request to the island.

The API takes both from the request or makes them; they go with the message and stay in the design's row, so that
whatever is done for it later, by whomever, can name them.
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import asdict, dataclass, replace

_REQUEST_ID = re.compile(r"[A-Za-z0-9._:-]{1,64}")
#: W3C Trace Context, section 3.2: version, trace id, parent id, flags. A later version may have more behind them.
_TRACEPARENT = re.compile(r"(?!ff)([0-9a-f]{2})-(?!0{32})([0-9a-f]{32})-(?!0{16})([0-9a-f]{16})-([0-9a-f]{2})(-.*)?")

REQUEST_ID_HEADER = "x-request-id"
TRACEPARENT_HEADER = "traceparent"


@dataclass(frozen=True)
class Trace:
    """Where we are in a trace, and the id of the request that it began with; `span_id` is '' before the first step."""

    request_id: str
    trace_id: str
    span_id: str
    flags: str = "00"

    @property
    def traceparent(self) -> str:
        """How the next one is told (W3C Trace Context)."""
        return f"00-{self.trace_id}-{self.span_id}-{self.flags}"

    @property
    def headers(self) -> dict[str, str]:
        """What an answer or a message carries."""
        return {REQUEST_ID_HEADER: self.request_id, TRACEPARENT_HEADER: self.traceparent}

    def child(self) -> Trace:
        """The same trace, one step further in."""
        return replace(self, span_id=secrets.token_hex(8))


_current: ContextVar[Trace | None] = ContextVar("trace", default=None)
_about: ContextVar[dict[str, str]] = ContextVar("about", default={})  # noqa: B039 - it is replaced, never changed


def read_trace(headers: Mapping[str, str]) -> Trace:
    """The trace that headers, with names in lower case, tell of; what they lack or spell wrongly is made anew."""
    given = headers.get(REQUEST_ID_HEADER, "")
    request_id = given if _REQUEST_ID.fullmatch(given) else secrets.token_hex(16)
    found = _TRACEPARENT.fullmatch(headers.get(TRACEPARENT_HEADER, ""))
    if found is None or (found[1] == "00" and found[5]):
        return Trace(request_id, secrets.token_hex(16), "")
    return Trace(request_id, found[2], found[3], found[4])


def current_trace() -> Trace | None:
    """The trace of what is being done here and now."""
    return _current.get()


def facts() -> dict[str, str]:
    """What each line of the log says of what is being done: ids of request and trace, job, slot."""
    trace = _current.get()
    ids = asdict(trace) if trace else {}
    ids.pop("flags", None)
    return ids | _about.get()


@contextmanager
def tracing(trace: Trace | None, **about: str) -> Iterator[None]:
    """What is done within the context is done for `trace`, and about what is named."""
    tokens = _current.set(trace), _about.set(_about.get() | about)
    try:
        yield
    finally:
        _current.reset(tokens[0])
        _about.reset(tokens[1])
