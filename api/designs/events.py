"""GET /v1/designs/{id}/events: what a design does, as it happens."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request, Response
from starlette.responses import StreamingResponse

from api.designs.endpoints import design_service
from api.designs.representations import PATH
from api.event_stream import RESPONSES, EventQuery, LastEventId, follow

router = APIRouter(prefix=f"{PATH}/{{design_id}}/events", tags=["designs"], dependencies=[Depends(design_service)])


@router.get("", summary="Follow a design as it happens", response_class=StreamingResponse, responses=RESPONSES)
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
    return await follow(request, design_id, last_event_id or query.last_event_id)
