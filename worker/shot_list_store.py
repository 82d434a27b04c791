"""Lists of shots in the store. Keys are listed in :mod:`worker.store`."""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from itertools import chain
from typing import cast

from pydantic import TypeAdapter
from redis import Redis

from physics.schema import Checked
from physics.shot import Shot
from worker import shot_list_scripts
from worker.bench import BenchUsed
from worker.codec import open_number_cursor, optional_time, seal_cursor, time_of
from worker.errors import ShotUnknown
from worker.identifiers import new_id
from worker.job_store import ANY, JobFilter, JobStore, Limits, job_key, raise_missing_job
from worker.records import LIST_PREFIX, JobState, Lease, SlotName, Status
from worker.shot_list import ShotList, ShotListProgress, ShotListRequest, ShotOutcome, Variation, slice_size
from worker.store_base import idempotency_words, key_of, raise_refused

_SCRIPTS = ("CREATE", "STEP", "END")
_SHOTS = TypeAdapter(list[Shot])
_BENCHES = TypeAdapter(list[BenchUsed])
_VARY = TypeAdapter(list[Variation])
_COLLECTION = "shot-lists"


class ShotListPage(Checked):
    """A page of lists, newest first."""

    items: list[ShotList]
    next_cursor: str | None


class OutcomePage(Checked):
    """A stretch of a list: numbers, and the outcomes of those that have one."""

    numbers: list[int]
    outcomes: dict[int, ShotOutcome]
    next_cursor: str | None


class ShotListStore(JobStore):
    """All operations on lists of shots. Safe to share between threads."""

    def __init__(self, client: Redis, limits: Limits) -> None:
        super().__init__(client, "shot list", {name: getattr(shot_list_scripts, name) for name in _SCRIPTS}, limits)

    # ---- for the API -----------------------------------------------------------------------------------------------

    def made_from(self, request: ShotListRequest, idempotency_key: str | None) -> str | None:
        """The list that the key and body made within the last day. Raises IdempotencyConflict on another body."""
        job = self.made_before(_scoped(idempotency_key), request.model_dump_json())
        return None if job is None else job.removeprefix(LIST_PREFIX)

    def create(
        self,
        request: ShotListRequest,
        shots: Sequence[Shot],
        idempotency_key: str | None = None,
        benches: Sequence[BenchUsed] = (),
        owner: str | None = None,
    ) -> tuple[str, bool]:
        """Row, slices and idempotency record in one step; returns the list's id, and whether this call made it.

        `benches` are those that the shots were resolved with.

        Raises IdempotencyConflict on another body, TooManyOpenJobs when the owner has too many.
        """
        each = slice_size(len(shots))
        outcome, job = self.run(
            "CREATE",
            f"{LIST_PREFIX}{new_id()}",
            *idempotency_words(_scoped(idempotency_key), request.model_dump_json()),
            request.name,
            _VARY.dump_json(request.vary),
            _BENCHES.dump_json(list(benches)),
            each,
            len(shots),
            owner or "",
            self._open_jobs_limit,
            *(_packed(_SHOTS.dump_json(list(shots[first : first + each]))) for first in range(0, len(shots), each)),
        )
        raise_refused(outcome)
        return job.removeprefix(LIST_PREFIX), outcome == "created"

    def get(self, list_id: str) -> ShotList:
        """The list as it stands. Raises ShotListUnknown or ShotListGone."""
        job = f"{LIST_PREFIX}{list_id}"
        with self.client.pipeline() as pipe:
            pipe.hgetall(job_key(job))
            pipe.get(key_of(f"tombstone:{job}"))
            pipe.zrank(key_of("queued"), job)
            row, tombstone, rank = pipe.execute()
        if not row:
            raise_missing_job(job, tombstone)
        return _read(list_id, row, rank)

    def page(self, limit: int = 20, cursor: str | None = None, wanted: JobFilter = ANY) -> ShotListPage:
        """Lists, newest first. Raises CursorInvalid."""
        found, following = self._page(_COLLECTION, limit, cursor, wanted)
        names = [job.removeprefix(LIST_PREFIX) for job in found]
        return ShotListPage(items=self._still_there(self.get, names), next_cursor=following)

    def outcomes(self, found: ShotList, limit: int = 50, cursor: str | None = None) -> OutcomePage:
        """Outcomes by number. Raises CursorInvalid."""
        label = f"shots of {found.id}"
        first = 0 if cursor is None else open_number_cursor(cursor, label)
        end = min(first + limit, found.progress.shots_count)
        following = seal_cursor(label, str(end)) if end < found.progress.shots_count else None
        numbers = list(range(first, end))
        rows = self._rows(f"{LIST_PREFIX}{found.id}", numbers)
        return OutcomePage(numbers=numbers, outcomes=rows, next_cursor=following)

    def shot(self, found: ShotList, number: int) -> tuple[Shot, ShotOutcome | None]:
        """One shot, and what became of it so far. Raises ShotUnknown."""
        if number >= found.progress.shots_count:
            raise ShotUnknown(f"shot list {found.id} has shots 0 to {found.progress.shots_count - 1}, not {number}")
        job = f"{LIST_PREFIX}{found.id}"
        place, within = divmod(number, slice_size(found.progress.shots_count))
        return self._slice(job, place)[within], self._rows(job, [number]).get(number)

    def cancel(self, list_id: str) -> ShotList:
        """Ask the list to stop, and return it; one that no worker holds ends at once, an ended one stays as it is."""
        self._cancel(f"{LIST_PREFIX}{list_id}")
        return self.get(list_id)

    def delete(self, list_id: str) -> None:
        """Remove an ended list, leaving a tombstone. Raises ShotListStillActive."""
        self._delete(f"{LIST_PREFIX}{list_id}")

    def keep(self, list_id: str, expires_at: datetime | None) -> None:
        """Set until when an ended list is kept; None is for good. Raises ShotListStillActive, ExpiryRefused."""
        self._keep(f"{LIST_PREFIX}{list_id}", expires_at)

    def slots(self, list_id: str) -> list[SlotName]:
        """The slices of a list."""
        job = f"{LIST_PREFIX}{list_id}"
        count = int(cast("str | None", self.client.hget(job_key(job), "islands")) or 0)
        return [SlotName(job_id=job, round=0, island=island) for island in range(count)]

    # ---- for the workers -------------------------------------------------------------------------------------------

    def open_shots(self, slot: SlotName) -> dict[int, Shot]:
        """The shots of a slice that have no outcome yet, by number."""
        assert slot.island is not None, "a list has slices only"
        shots = self._slice(slot.job_id, slot.island)
        count = int(cast("str", self.client.hget(job_key(slot.job_id), "shots")))
        first = slot.island * slice_size(count)
        numbered = dict(enumerate(shots, start=first))
        done = self._rows(slot.job_id, list(numbered))
        return {number: shot for number, shot in numbered.items() if number not in done}

    def step(self, lease: Lease, begun: int, outcomes: Sequence[ShotOutcome]) -> tuple[JobState | str, int]:
        """Hand in what is finished and note which shot is begun, in one go: should it end its worker, it is known.

        Returns the list's state, or 'lost' when the lease is void, and how often that shot has been begun.
        """
        state, tries = self.run("STEP", *self._lease_words(lease), begun, *_outcome_words(outcomes))
        return state, int(tries)

    def beat(self, lease: Lease) -> JobState | str:
        """Extend the lease. Returns the list's state, or 'lost' when the lease is void."""
        state, _ = self.run("STEP", *self._lease_words(lease), "")
        return cast("JobState | str", state)

    def end_slice(self, lease: Lease, outcomes: Sequence[ShotOutcome]) -> None:
        """Hand in the last outcomes and end the slice; the last slice ends the list. Nothing when the lease is void."""
        words = (lease.slot.job_id, lease.slot.key, lease.attempt)
        self.run("END", *words, *self._keep_words, *_outcome_words(outcomes))

    # ---- helpers ---------------------------------------------------------------------------------------------------

    def _lease_words(self, lease: Lease) -> tuple[str, str, int, float]:
        return lease.slot.job_id, lease.slot.key, lease.attempt, self._lease_seconds

    def _slice(self, job: str, place: int) -> list[Shot]:
        packed = self.read_bytes("HGET", f"{job_key(job)}:shots", str(place))
        return _SHOTS.validate_json(zlib.decompress(cast("bytes", packed)))

    def _rows(self, job: str, numbers: Sequence[int]) -> dict[int, ShotOutcome]:
        if not numbers:
            return {}
        found = cast("list[bytes | None]", self.read_bytes("HMGET", f"{job_key(job)}:rows", *map(str, numbers)))
        return {number: _outcome(row) for number, row in zip(numbers, found, strict=True) if row is not None}


def _scoped(idempotency_key: str | None) -> str | None:
    return None if idempotency_key is None else f"shot list {idempotency_key}"


def _packed(text: bytes) -> bytes:
    return zlib.compress(text)


def _outcome(row: bytes) -> ShotOutcome:
    """An outcome as a worker packed it, or as the script wrote it that gave a shot up."""
    if not row.startswith(b"{"):
        return ShotOutcome.model_validate_json(zlib.decompress(row))
    given_up = ShotOutcome.model_validate_json(row)
    words = f"given up after {given_up.attempts_count} attempts, each of which ended its worker without a result"
    return given_up.model_copy(update={"failure": words})


def _outcome_words(outcomes: Iterable[ShotOutcome]) -> list[str | bytes]:
    """What the scripts need of each outcome: number, state, packed outcome."""
    return list(chain.from_iterable((str(o.number), o.state, _packed(o.model_dump_json().encode())) for o in outcomes))


def _read(list_id: str, row: Mapping[str, str], rank: int | None) -> ShotList:
    status = read_list_status(list_id, row)
    return ShotList(
        **status.model_dump(exclude={"ended_because", "ending"}),
        progress=read_list_progress(row, rank),
        vary=_VARY.validate_json(row["vary"]),
        benches=_BENCHES.validate_json(row["benches"]),
    )


def read_list_progress(row: Mapping[str, str], rank: int | None) -> ShotListProgress:
    """How far a list is, from the small fields of its row and its place in the queue (from 0)."""
    return ShotListProgress(
        finished_shots_count=int(row["finished"]),
        failed_shots_count=int(row["failed"]),
        shots_count=int(row["shots"]),
        queue_place=None if rank is None else rank + 1,
        heartbeat_at=optional_time(row.get("heartbeat_at")),
        repeats_count=int(row.get("repeats", 0)),
    )


def read_list_status(list_id: str, row: Mapping[str, str]) -> Status:
    """The state of a list, from the small fields of its row."""
    failed = row["failed"]
    return Status(
        id=list_id,
        name=row["name"],
        state=cast("JobState", row["state"]),
        failure=None if failed == "0" else f"{failed} of {row['shots']} shots failed; each says why",
        created_at=time_of(row["created_at"]),
        started_at=optional_time(row.get("started_at")),
        finished_at=optional_time(row.get("finished_at")),
        expires_at=optional_time(row.get("expires_at")),
    )
