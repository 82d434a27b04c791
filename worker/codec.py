"""How the store spells things: a design's row of text fields, packed candidates, the opaque cursors of its lists."""

from __future__ import annotations

import base64
import binascii
import json
import zlib
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import cast

from pydantic import TypeAdapter

from physics.software import Software
from worker.bench import BenchUsed
from worker.budget import Budget
from worker.errors import CursorInvalid
from worker.plan import rounds_in, trials_in
from worker.records import (
    Candidate,
    Design,
    EndedBecause,
    GivenUp,
    JobState,
    Limiting,
    Pace,
    Progress,
    Recommendation,
    SlotName,
    Stage,
    Status,
)
from worker.request import DesignRequest

_PLAN = TypeAdapter(list[Stage])
_BUDGETS = TypeAdapter(list[Budget])

#: Rows of one design are much alike, so each is deflated with a sample of them as dictionary: names, wires and the
#: phrases of explanations then cost next to nothing, and numbers, which keep all their digits, about eight bytes.
SAMPLE_CHARACTERS = 6000
_WINDOW, _MEMORY, _LEVEL = -13, 5, 6


class RowPacker:
    """Packs candidates as JSON deflated with a sample of the design's rows, and unpacks them."""

    def __init__(self, sample: str) -> None:
        self._sample = sample.encode()

    def pack(self, candidate: Candidate) -> bytes:
        """A candidate in a few hundred bytes."""
        deflate = zlib.compressobj(_LEVEL, zlib.DEFLATED, _WINDOW, _MEMORY, zlib.Z_DEFAULT_STRATEGY, self._sample)
        return deflate.compress(candidate.model_dump_json().encode()) + deflate.flush()

    def unpack(self, row: bytes) -> Candidate:
        """The other way round; every number comes back bit for bit."""
        return Candidate.model_validate_json(zlib.decompressobj(_WINDOW, self._sample).decompress(row))


def sample_of(rows: Sequence[Candidate]) -> str:
    """A sample of rows for a packer: one of each reason first, then as many as there is room for."""
    firsts = {row.reason: row for row in reversed(rows)}
    chosen = [*firsts.values(), *(row for row in rows if row is not firsts[row.reason])]
    # what comes last in the dictionary is reached with the shortest codes
    text = "".join(row.model_dump_json() for row in reversed(chosen[:20]))
    return text[-SAMPLE_CHARACTERS:]


def read_design(
    design_id: str, row: Mapping[str, str], rank: int | None, best: Candidate | None, given_up: Sequence[str]
) -> Design:
    """A design from its row, its place in the queue (from 0), its best candidate and the islands given up."""
    plan = _PLAN.validate_json(row["plan"])
    lost = [GivenUp.model_validate_json(text) for text in given_up]
    return Design(
        id=design_id,
        state=cast("JobState", row["state"]),
        request=DesignRequest.model_validate_json(row["request"]),
        continuations=_BUDGETS.validate_json(row.get("continuations", "[]")),
        plan=plan,
        pace=_pace(row),
        round_began_at=optional_time(row.get("round_began_at")),
        progress=read_progress(row, rank),
        best=best,
        bench=BenchUsed.model_validate_json(row["bench"]) if row.get("bench") else None,
        software=Software.model_validate_json(row["software"]) if row.get("software") else None,
        front_numbers=json.loads(row["front"]),
        recommended=Recommendation.model_validate_json(row["recommended"]) if "recommended" in row else None,
        limiting=Limiting.model_validate_json(row["limiting"]) if "limiting" in row else None,
        failure=_failure(row, plan, lost),
        given_up=lost,
        ended_because=cast("EndedBecause | None", row.get("ended_because")),
        ending=row.get("ending"),
        created_at=time_of(row["created_at"]),
        started_at=optional_time(row.get("started_at")),
        finished_at=optional_time(row.get("finished_at")),
        expires_at=optional_time(row.get("expires_at")),
    )


def read_progress(row: Mapping[str, str], rank: int | None) -> Progress:
    """How far a design is, from the small fields of its row and its place in the queue (from 0)."""
    plan = _PLAN.validate_json(row["plan"])
    return Progress(
        finished_trials_count=int(row["finished"]),
        budget_trials_count=trials_in(plan),
        deadline_at=optional_time(row.get("deadline")),
        feasible_trials_count=int(row["feasible"]),
        lost_trials_count=int(row["lost"]),
        round_number=int(row["round"]),
        rounds_count=rounds_in(plan),
        still_rounds_count=_pace(row).still_rounds_count,
        islands_done_count=int(row["islands"]) - int(row["open"]),
        islands_count=int(row["islands"]),
        queue_place=None if rank is None else rank + 1,
        heartbeat_at=optional_time(row.get("heartbeat_at")),
        repeats_count=int(row.get("repeats", 0)),
    )


def read_status(design_id: str, row: Mapping[str, str], last_given_up: str | None) -> Status:
    """The state of a design, from the small fields of its row and the island that was given up last."""
    lost = [GivenUp.model_validate_json(last_given_up)] if last_given_up else []
    return Status(
        id=design_id,
        name=row.get("name", ""),
        state=cast("JobState", row["state"]),
        failure=_failure(row, _PLAN.validate_json(row["plan"]), lost),
        ended_because=cast("EndedBecause | None", row.get("ended_because")),
        ending=row.get("ending"),
        created_at=time_of(row["created_at"]),
        started_at=optional_time(row.get("started_at")),
        finished_at=optional_time(row.get("finished_at")),
        expires_at=optional_time(row.get("expires_at")),
    )


def _pace(row: Mapping[str, str]) -> Pace:
    return Pace.model_validate_json(row["pace"]) if "pace" in row else Pace()


def _failure(row: Mapping[str, str], plan: Sequence[Stage], lost: Sequence[GivenUp]) -> str | None:
    """Islands that were given up are told even when the rest suffices."""
    if row.get("failure") or not lost:
        return row.get("failure")
    islands, last, budget = int(row["islands_lost"]), lost[-1], trials_in(plan)
    of_budget = "" if budget is None else f" of {budget}"
    words = f"{row['lost']}{of_budget} trials were lost: " if row["lost"] != "0" else ""
    words += "an island was given up" if islands == 1 else f"{islands} islands were given up"
    words += f" after {last.attempts_count} attempts, each ended without a result"
    if last.under_way is not None and last.under_way.trial_number is not None:
        words += f"; the last one at trial {last.under_way.trial_number}"
    return f"{words}; nothing usable is left" if row["state"] == "failed" else words


def time_of(text: str) -> datetime:
    """A time as the store keeps it."""
    return datetime.fromtimestamp(float(text), UTC)


def optional_time(text: str | None) -> datetime | None:
    """The same where there may be none."""
    return time_of(text) if text else None


def read_slot(job_id: str, key: str) -> SlotName:
    """The other way round from SlotName.key."""
    number, island = key.split("/")
    return SlotName(job_id=job_id, round=int(number), island=None if island == "closing" else int(island))


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
