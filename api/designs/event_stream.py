"""GET /v1/designs/{id}/events: what a design does, as it happens (text/event-stream)."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from typing import Annotated

from fastapi import APIRouter, Header, Query, Request, Response
from redis.exceptions import RedisError
from starlette.responses import StreamingResponse

from api.designs.feeds import Farewell, Feeds, Item, Listener, Spelled
from api.designs.queries import EVENT_ID, EventQuery
from api.designs.representations import PATH, event_data_of
from api.problems import stated
from worker.errors import StoreError
from worker.events import Event, EventLog, Snapshot, order
from worker.records import Candidate, FrontChange, Progress, Status

MEDIA_TYPE = "text/event-stream"
#: A comment is sent when nothing else was for so long, s, so that nobody in between closes the connection.
HEARTBEAT_S = 15.0
#: What a browser is told to wait before it comes back, ms.
RETRY_MS = 2000
_HEADERS = {"Cache-Control": "no-store", "X-Accel-Buffering": "no"}
_KINDS = {Status: "status", Progress: "progress", Candidate: "candidate", FrontChange: "front"}

router = APIRouter(prefix=f"{PATH}/{{design_id}}/events", tags=["designs"])

LastEventId = Annotated[
    str | None,
    Header(pattern=EVENT_ID, description="Id of the last event that was received; what follows it is sent."),
]


@router.get(
    "",
    summary="Follow a design as it happens",
    response_class=StreamingResponse,
    responses=stated("not-found", "gone", "invalid-input", "store-unavailable")
    | {
        200: {
            "description": "Server-sent events; `data` is one line of JSON.",
            "content": {MEDIA_TYPE: {"schema": {"type": "string"}}},
        },
        204: {"description": "The design has ended and there is nothing after this id; do not come back."},
    },
)
async def follow_design(
    design_id: str, query: Annotated[EventQuery, Query()], request: Request, last_event_id: LastEventId = None
) -> Response:
    """Server-sent events until the design has ended, for any number of readers.

    | event | data | when |
    |---|---|---|
    | `status` | `DesignStatus` | the status has changed; the last one of an ended design says why |
    | `progress` | `Progress` | about once a second while trials are finished, and at the end of each round |
    | `candidate` | `CandidateRow` | a trial has less energy than all before it, or has joined the front after a round |
    | `front` | `FrontNumbers` | a round has ended: the numbers on the front |
    | `reset` | `{"reason": ...}` | events after the given id are no longer kept; a new start follows |
    | `end` | `{"status": ...}` | the design has ended: close the source, nothing follows |

    A start without an id gives a `status` and a `progress` as they are, then what happens from there on. A client that
    comes back names the `id` of the last event in the header `Last-Event-ID`, as browsers do by themselves, or as
    `last_event_id` where headers cannot be set, and misses nothing. Lines that begin with a colon are comments.
    """
    feeds: Feeds = request.app.state.feeds
    after = last_event_id or query.last_event_id
    now = await feeds.events.snapshot(design_id)  # whatever is wrong shows now, while it can still be told
    if after == now.id and now.status.ended:
        return Response(status_code=204)
    return StreamingResponse(_stream(feeds, design_id, now, after), media_type=MEDIA_TYPE, headers=_HEADERS)


def spell(design_id: str, event: Event) -> bytes:
    """An event as it is sent."""
    return _words(_KINDS[type(event.content)], event_data_of(design_id, event.content).model_dump_json(), event.id)


def _words(kind: str, data: str, event_id: str | None = None) -> bytes:
    name = "" if event_id is None else f"id: {event_id}\n"
    return f"{name}event: {kind}\ndata: {data}\n\n".encode()


def _comment(text: str) -> bytes:
    return f": {text}\n\n".encode()


async def _stream(feeds: Feeds, design_id: str, before: Snapshot, after: str | None) -> AsyncIterator[bytes]:
    """One reader's answer. A store that fails here ends it; the reader comes back with its last id."""
    yield f"retry: {RETRY_MS}\n\n".encode()
    with feeds.joined(design_id, before.id) as listener:
        try:
            async for text in _told(feeds, design_id, listener, after):
                yield text
        except RedisError:
            yield _comment("the store does not answer; come back with the last id")
        except StoreError:
            yield _comment(Farewell.NOTHING_MORE.value)


async def _told(feeds: Feeds, design_id: str, listener: Listener, after: str | None) -> AsyncIterator[bytes]:
    if after is not None and not await feeds.events.is_whole_after(design_id, after):
        yield _words("reset", json.dumps({"reason": "events after this id are no longer kept"}))
        after = None
    if after is None:
        now = await feeds.events.snapshot(design_id)  # later than joining, so that nothing lies between the two
        yield spell(design_id, Event(now.id, now.status)) + spell(design_id, Event(now.id, now.progress))
        if now.status.ended:
            yield _end(now.status)
            return
        after = now.id
    async for item in _items(feeds, design_id, listener, after):
        if item is None:
            yield _comment("still here")
        elif isinstance(item, Farewell):
            yield _comment(item.value)
            return
        else:
            yield item.text
            if await _is_over(feeds.events, design_id, item.event):
                yield _end(item.event.content)
                return


async def _items(feeds: Feeds, design_id: str, listener: Listener, after: str) -> AsyncIterator[Item | None]:
    """Events after an id: first those that are there already, then those that the listener is handed. None: a pause."""
    while missed := await feeds.events.after(design_id, after):
        for event in missed:
            yield Spelled(event, spell(design_id, event))
            after = event.id
    while True:
        item = await listener.next(HEARTBEAT_S)
        if not isinstance(item, Spelled) or order(item.event.id) > order(after):
            yield item


async def _is_over(events: EventLog, design_id: str, event: Event) -> bool:
    """Whether the design ended with this event and was not continued since."""
    return event.last and not await events.after(design_id, event.id)


def _end(status: object) -> bytes:
    assert isinstance(status, Status)
    return _words("end", json.dumps({"status": status.state}))
