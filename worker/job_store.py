"""What all jobs share in the store: slots that are leased, cancelling, deleting, and finding them."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NoReturn, TypeVar, cast

from pydantic import Field
from redis import Redis

from physics.schema import Checked
from worker import scripts
from worker.codec import open_cursor, seal_cursor, time_of
from worker.errors import DesignStillActive, ExpiryRefused, FitStillActive, ShotListStillActive, StoreError
from worker.records import FIT_PREFIX, LIST_PREFIX, JobState, Lease, SlotName, kind_of
from worker.store_base import DAY_SECONDS, TOMBSTONE_DAYS, Kind, StoreBase, key_of, raise_missing
from worker.trace import Trace, read_trace

#: Rows of jobs that are looked at in one go while some are searched for.
_BLOCK = 200
_ACTIVE: dict[Kind, type[StoreError]] = {
    "design": DesignStillActive,
    "shot list": ShotListStillActive,
    "fit": FitStillActive,
}
_SCRIPTS = ("SENT", "LEASE", "CANCEL", "DELETE", "KEEP")


class JobFilter(Checked):
    """Which jobs of a list are wanted; what is null does not matter."""

    status: JobState | None = None
    name: str | None = Field(default=None, description="Part of the name, in any case.")
    created_after: datetime | None = Field(default=None, description="At this time or later.")
    created_before: datetime | None = Field(default=None, description="Before this time.")

    def takes(self, state: str | None, name: str | None, created_at: str | None) -> bool:
        """Whether a job with such a row is wanted."""
        if state is None or created_at is None:
            return False
        at = time_of(created_at)
        return (
            (self.status is None or state == self.status)
            and (self.name is None or self.name.casefold() in (name or "").casefold())
            and (self.created_after is None or at >= self.created_after)
            and (self.created_before is None or at < self.created_before)
        )


ANY = JobFilter()
Job = TypeVar("Job")


@dataclass(frozen=True)
class Limits:
    """How long jobs are kept and leased, how often one is tried, and how many of an owner may be open."""

    result_days: float
    lease_seconds: float
    attempts_limit: int
    open_jobs_limit: int


class JobStore(StoreBase):
    """Operations on jobs of one kind. Safe to share between threads."""

    def __init__(
        self,
        client: Redis,
        kind: Kind,
        own_scripts: Mapping[str, str],
        limits: Limits,
    ) -> None:
        super().__init__(client, {**{name: getattr(scripts, name) for name in _SCRIPTS}, **own_scripts})
        self._kind = kind
        self._keep_words = (limits.result_days * DAY_SECONDS, TOMBSTONE_DAYS * DAY_SECONDS)
        self._lease_seconds = limits.lease_seconds
        self._attempts_limit = limits.attempts_limit
        self._open_jobs_limit = limits.open_jobs_limit

    @property
    def lease_seconds(self) -> float:
        """How long a slot stays leased after a sign of life."""
        return self._lease_seconds

    def sent(self, slot: SlotName) -> None:
        """Note that the slot's message is on the queue."""
        self.run("SENT", slot.job_id, slot.key, self._lease_seconds)

    def note_trace(self, job_id: str, trace: Trace) -> None:
        """Note the request that the job is worked on for; it only helps to find log lines."""
        self.client.hset(job_key(job_id), "trace", json.dumps(trace.headers))

    def trace(self, job_id: str) -> Trace:
        """The request that was noted; a trace that begins here if there is none."""
        noted = cast("str | None", self.client.hget(job_key(job_id), "trace"))
        return read_trace(json.loads(noted) if noted else {})

    def lease(self, slot: SlotName) -> Lease | None:
        """Take the slot, or None when it is over, in other hands, or tried too often."""
        attempt = self.run("LEASE", slot.job_id, slot.key, self._lease_seconds, self._attempts_limit)
        return Lease(slot=slot, attempt=int(attempt)) if attempt else None

    def _cancel(self, job_id: str) -> bool:
        """Ask the job to stop; an ended one stays as it is. Returns whether its closing is ready to be run."""
        self._require(job_id)
        _, ready = self.run("CANCEL", job_id, *self._keep_words)
        return bool(ready)

    def _delete(self, job_id: str) -> None:
        """Remove an ended job, leaving a tombstone. Raises that it is still active."""
        outcome = self.run("DELETE", job_id, TOMBSTONE_DAYS * DAY_SECONDS)
        if outcome == "unknown":
            self._require(job_id)
        if outcome == "active":
            raise _ACTIVE[self._kind](f"{self._kind} {bare_id(job_id)} has not ended; cancel it first")

    def _keep(self, job_id: str, expires_at: datetime | None) -> None:
        """Set until when an ended job is kept. Raises ExpiryRefused, DesignStillActive or ShotListStillActive."""
        until = "" if expires_at is None else expires_at.timestamp()
        outcome = self.run("KEEP", job_id, until, self._keep_words[1])
        if outcome == "unknown":
            self._require(job_id)
        if outcome == "active":
            words = f"{self._kind} {bare_id(job_id)} has not ended; it is kept at least until then"
            raise _ACTIVE[self._kind](words)
        if outcome == "late":
            raise ExpiryRefused(f"the time has passed already; delete the {self._kind} if that is meant")

    def _require(self, job_id: str) -> None:
        if not self.client.exists(job_key(job_id)):
            raise_missing_job(job_id, cast("str | None", self.client.get(key_of(f"tombstone:{job_id}"))))

    def _page(self, collection: str, limit: int, cursor: str | None, wanted: JobFilter) -> tuple[list[str], str | None]:
        """Wanted jobs, newest first, and the cursor to go on with. Jobs that have expired are taken off the list."""
        below = None if cursor is None else open_cursor(cursor, collection)
        found: list[str] = []
        for job_id in self._wanted(collection, below, wanted, limit + 1):
            found.append(job_id)
            if len(found) > limit:
                return found[:limit], seal_cursor(collection, found[limit - 1])
        return found, None

    def _still_there(self, read: Callable[[str], Job], names: Sequence[str]) -> list[Job]:
        """Those that can be read; what was deleted since the list was, or is of an older version, is left out."""
        found = []
        for name in names:
            try:
                found.append(read(name))
            except StoreError:
                continue
        return found

    def _wanted(self, collection: str, below: str | None, wanted: JobFilter, block: int) -> Iterator[str]:
        size = block if wanted == ANY else _BLOCK
        while True:
            start = "+" if below is None else f"({below}"
            names = cast("list[str]", self.client.zrevrangebylex(key_of(collection), start, "-", 0, size))
            with self.client.pipeline(transaction=False) as pipe:
                for name in names:
                    pipe.hmget(job_key(name), ["state", "name", "created_at"])
                rows = pipe.execute()
            for name, (state, label, created_at) in zip(names, rows, strict=True):
                if state is None:
                    self.client.zrem(key_of(collection), name)
                elif wanted.takes(state, label, created_at):
                    yield name
            if len(names) < size:
                return
            below = names[-1]


def job_key(job_id: str) -> str:
    """The key of a job's row, and the start of its other keys."""
    return key_of(f"design:{job_id}" if kind_of(job_id) == "design" else job_id)


def raise_missing_job(job_id: str, tombstone: str | None) -> NoReturn:
    """Say that the job is gone when there is a tombstone, else that it is not known."""
    raise_missing(kind_of(job_id), bare_id(job_id), tombstone)


def bare_id(job_id: str) -> str:
    """The id of a job without what kind it is."""
    return job_id.removeprefix(LIST_PREFIX).removeprefix(FIT_PREFIX)
