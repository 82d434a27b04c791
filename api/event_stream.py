"""What a job does, as it happens (text/event-stream): the answer to those who follow it."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Callable
from typing import Annotated, Any

from fastapi import Header, Request, Response
from pydantic import BaseModel, ConfigDict, Field
from redis.exceptions import RedisError
from starlette.responses import StreamingResponse

from api.designs.representations import event_data_of as design_data_of
from api.feeds import Farewell, Feeds, Item, Listener, Spelled
from api.fits.representations import event_data_of as fit_data_of
from api.problems import stated
from api.shot_lists.representations import event_data_of as list_data_of
from physics.schema import Checked
from worker.errors import StoreError
from worker.events import PAGE, Content, Event, EventLog, Snapshot, order
from worker.fit import FitProgress
from worker.job_store import bare_id
from worker.records import Candidate, FrontChange, JobKind, Progress, Status, kind_of
from worker.shot_list import ShotListProgress

MEDIA_TYPE = "text/event-stream"
#: A comment is sent when nothing else was for so long, s, so that nobody in between closes the connection.
HEARTBEAT_S = 15.0
#: What a browser is told to wait before it comes back, ms.
RETRY_MS = 2000
#: How the ids of events are written.
EVENT_ID = r"^\d{1,15}-\d{1,15}$"
_HEADERS = {"Cache-Control": "no-store", "X-Accel-Buffering": "no"}
_KINDS = {
    Status: "status",
    Progress: "progress",
    ShotListProgress: "progress",
    FitProgress: "progress",
    Candidate: "candidate",
    FrontChange: "front",
}

#: What each kind of job sends as `data`.
_DATA: dict[JobKind, Callable[[str, Content], Checked]] = {
    "design": design_data_of,
    "shot list": list_data_of,
    "fit": fit_data_of,
}

LastEventId = Annotated[
    str | None,
    Header(pattern=EVENT_ID, description="Id of the last event that was received; what follows it is sent."),
]

#: One event of a stream; version 3.1 of OpenAPI has no word for a stream of them.
_EVENT = {
    "type": "object",
    "properties": {
        "id": {"type": "string", "description": "What Last-Event-ID asks for."},
        "event": {"type": "string", "enum": ["status", "progress", "candidate", "front", "reset", "end"]},
        "data": {"type": "string", "description": "JSON, of the shape that the job's own address answers with."},
    },
    "required": ["event", "data"],
}

#: The answers of an operation that follows a job.
RESPONSES: dict[int | str, dict[str, Any]] = stated("not-found", "gone", "invalid-input", "store-unavailable") | {
    200: {
        "description": "Server-sent events, one after the other; `data` is one line of JSON.",
        "content": {MEDIA_TYPE: {"schema": _EVENT}},
    },
    204: {"description": "It has ended and there is nothing after this id; do not come back."},
}


class EventQuery(BaseModel):
    """Where to go on from, for clients that cannot set headers."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    last_event_id: str | None = Field(
        default=None, pattern=EVENT_ID, description="Id of the last event that was received; the header wins."
    )


async def follow(request: Request, job_id: str, after: str | None) -> Response:
    """The events of a job, after an id if there is one. Raises what EventLog.snapshot raises."""
    feeds: Feeds = request.app.state.feeds
    now = await feeds.events.snapshot(job_id)  # whatever is wrong shows now, while it can still be told
    if after == now.id and now.status.ended:
        return Response(status_code=204)
    return StreamingResponse(_stream(feeds, job_id, now, after), media_type=MEDIA_TYPE, headers=_HEADERS)


def spell(job_id: str, event: Event) -> bytes:
    """An event as it is sent."""
    content = event.content
    data = _DATA[kind_of(job_id)](bare_id(job_id), content)
    return _words(_KINDS[type(content)], data.model_dump_json(), event.id)


def _words(kind: str, data: str, event_id: str | None = None) -> bytes:
    name = "" if event_id is None else f"id: {event_id}\n"
    return f"{name}event: {kind}\ndata: {data}\n\n".encode()


def _comment(text: str) -> bytes:
    return f": {text}\n\n".encode()


async def _stream(feeds: Feeds, job_id: str, before: Snapshot, after: str | None) -> AsyncIterator[bytes]:
    """One reader's answer. A store that fails here ends it; the reader comes back with its last id."""
    yield f"retry: {RETRY_MS}\n\n".encode()
    with feeds.joined(job_id, before.id) as listener:
        try:
            async for text in _told(feeds, job_id, listener, after):
                yield text
        except RedisError:
            yield _comment("the store does not answer; come back with the last id")
        except StoreError:
            yield _comment(Farewell.NOTHING_MORE.value)


async def _told(feeds: Feeds, job_id: str, listener: Listener, after: str | None) -> AsyncIterator[bytes]:
    if after is not None and not await feeds.events.is_whole_after(job_id, after):
        yield _words("reset", json.dumps({"reason": "events after this id are no longer kept"}))
        after = None
    if after is None:
        now = await feeds.events.snapshot(job_id)  # later than joining, so that nothing lies between the two
        yield spell(job_id, Event(now.id, now.status)) + spell(job_id, Event(now.id, now.progress))
        if now.status.ended:
            yield _end(now.status)
            return
        after = now.id
    async for item in _items(feeds, job_id, listener, after):
        if item is None:
            yield _comment("still here")
        elif isinstance(item, Farewell):
            yield _comment(item.value)
            return
        else:
            yield item.text
            if await _is_over(feeds.events, job_id, item.event):
                yield _end(item.event.content)
                return


async def _items(feeds: Feeds, job_id: str, listener: Listener, after: str) -> AsyncIterator[Item | None]:
    """Events after an id: first those that are there already, then those that the listener is handed. None: a pause."""
    while True:
        missed = await feeds.events.after(job_id, after)
        for event in missed:
            yield Spelled(event, spell(job_id, event))
            after = event.id
        if len(missed) < PAGE:
            break  # what is written later is handed to the listener, who has joined before
    while True:
        item = await listener.next(HEARTBEAT_S)
        if not isinstance(item, Spelled) or order(item.event.id) > order(after):
            yield item


async def _is_over(events: EventLog, job_id: str, event: Event) -> bool:
    """Whether the job ended with this event and was not continued since."""
    return event.last and not await events.after(job_id, event.id)


def _end(status: object) -> bytes:
    assert isinstance(status, Status)
    return _words("end", json.dumps({"status": status.state}))
