"""How the store spells things: a design's row of text fields, and the opaque cursors of its lists."""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import cast

from worker.errors import CursorInvalid
from worker.plan import rounds_in
from worker.records import Candidate, Design, DesignState, Limiting, Progress, Recommendation, SlotName
from worker.request import DesignRequest


def read_design(
    design_id: str, row: Mapping[str, str], rank: int | None, best: Candidate | None, feasible: int
) -> Design:
    """A design from its row, its place in the queue (from 0), its best candidate and its count of feasible ones."""
    request = DesignRequest.model_validate_json(row["request"])
    return Design(
        id=design_id,
        state=cast("DesignState", row["state"]),
        request=request,
        progress=_progress(row, request.budget_trials_count, rank, feasible),
        best=best,
        front_numbers=json.loads(row["front"]),
        recommended=Recommendation.model_validate_json(row["recommended"]) if "recommended" in row else None,
        limiting=Limiting.model_validate_json(row["limiting"]) if "limiting" in row else None,
        failure=row.get("failure"),
        created_at=_time(row["created_at"]),
        started_at=_optional_time(row.get("started_at")),
        finished_at=_optional_time(row.get("finished_at")),
        expires_at=_optional_time(row.get("expires_at")),
    )


def _progress(row: Mapping[str, str], budget: int, rank: int | None, feasible: int) -> Progress:
    return Progress(
        finished_trials_count=int(row["finished"]),
        budget_trials_count=budget,
        feasible_trials_count=feasible,
        lost_trials_count=int(row["lost"]),
        round_number=int(row["round"]),
        rounds_count=rounds_in(budget),
        islands_done_count=int(row["islands"]) - int(row["open"]),
        islands_count=int(row["islands"]),
        queue_place=None if rank is None else rank + 1,
        heartbeat_at=_optional_time(row.get("heartbeat_at")),
    )


def _time(text: str) -> datetime:
    return datetime.fromtimestamp(float(text), UTC)


def _optional_time(text: str | None) -> datetime | None:
    return None if text is None else _time(text)


def read_slot(design_id: str, key: str) -> SlotName:
    """The other way round from SlotName.key."""
    number, island = key.split("/")
    return SlotName(design_id=design_id, round=int(number), island=None if island == "closing" else int(island))


def seal_cursor(label: str, place: str) -> str:
    """A cursor for a list called `label`, to go on after `place`."""
    return base64.urlsafe_b64encode(f"{label}:{place}".encode()).decode().rstrip("=")


def open_cursor(cursor: str, label: str) -> str:
    """The place in a cursor. Raises CursorInvalid when it was sealed for another list, or not here at all."""
    try:
        text = base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)).decode()
    except (ValueError, binascii.Error) as problem:
        raise CursorInvalid("the cursor was not given out by this list") from problem
    if not text.startswith(f"{label}:"):
        raise CursorInvalid("the cursor was not given out by this list")
    return text.removeprefix(f"{label}:")


def open_number_cursor(cursor: str, label: str) -> int:
    """The same for places that are numbers."""
    place = open_cursor(cursor, label)
    if not (place.isascii() and place.isdecimal() and len(place) < 16):
        raise CursorInvalid("the cursor was not given out by this list")
    return int(place)
