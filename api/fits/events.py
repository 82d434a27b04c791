"""GET /v1/fits/{id}/events: how a fit comes on, as it happens."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request, Response
from starlette.responses import StreamingResponse

from api.event_stream import RESPONSES, EventQuery, LastEventId, follow
from api.fits.endpoints import fit_service
from api.fits.representations import PATH
from worker.records import FIT_PREFIX

router = APIRouter(prefix=f"{PATH}/{{fit_id}}/events", tags=["fits"], dependencies=[Depends(fit_service)])


@router.get("", summary="Follow a fit as it happens", response_class=StreamingResponse, responses=RESPONSES)
async def follow_fit(
    fit_id: str, query: Annotated[EventQuery, Query()], request: Request, last_event_id: LastEventId = None
) -> Response:
    """Server-sent events until the fit has ended, in the same way as those of a design.

    | event | data | when |
    |---|---|---|
    | `status` | `FitStatus` | the status has changed |
    | `progress` | `FitProgress` | about once a second while the model is run |
    | `reset` | `{"reason": ...}` | events after the given id are no longer kept; a new start follows |
    | `end` | `{"status": ...}` | the fit has ended: close the source, nothing follows |

    A start without an id gives a `status` and a `progress` as they are; `Last-Event-ID`, or `last_event_id`, goes on.
    """
    return await follow(request, f"{FIT_PREFIX}{fit_id}", last_event_id or query.last_event_id)
