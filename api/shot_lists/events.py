"""GET /v1/shot-lists/{id}/events: how a list of shots comes on, as it happens."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request, Response
from starlette.responses import StreamingResponse

from api.event_stream import RESPONSES, EventQuery, LastEventId, follow
from api.shot_lists.endpoints import shot_list_service
from api.shot_lists.representations import PATH
from worker.records import LIST_PREFIX

router = APIRouter(prefix=f"{PATH}/{{list_id}}/events", tags=["shots"], dependencies=[Depends(shot_list_service)])


@router.get("", summary="Follow a list of shots as it happens", response_class=StreamingResponse, responses=RESPONSES)
async def follow_shot_list(
    list_id: str, query: Annotated[EventQuery, Query()], request: Request, last_event_id: LastEventId = None
) -> Response:
    """Server-sent events until the list has ended, in the same way as those of a design.

    | event | data | when |
    |---|---|---|
    | `status` | `ShotListStatus` | the status has changed |
    | `progress` | `ShotListProgress` | about once a second while shots are run |
    | `reset` | `{"reason": ...}` | events after the given id are no longer kept; a new start follows |
    | `end` | `{"status": ...}` | the list has ended: close the source, nothing follows |

    A start without an id gives a `status` and a `progress` as they are; `Last-Event-ID`, or `last_event_id`, goes on.
    """
    return await follow(request, f"{LIST_PREFIX}{list_id}", last_event_id or query.last_event_id)
