"""Following a job: what its stream of events holds, read without a thread for each reader.

The scripts write the stream (see event_scripts.py); its ids are the store's, grow with time and are what a reader goes
on from. Only this module and the store know the keys.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from redis.asyncio import BlockingConnectionPool, Redis
from redis.asyncio.retry import Retry
from redis.backoff import NoBackoff

from worker.codec import RowPacker, read_progress, read_status
from worker.event_scripts import TOLD_FIELDS
from worker.fit import FitProgress
from worker.fit_store import read_fit_progress, read_fit_status
from worker.job_store import bare_id, job_key, raise_missing_job
from worker.records import Candidate, FrontChange, Progress, Status, kind_of
from worker.shot_list import ShotListProgress
from worker.shot_list_store import read_list_progress, read_list_status
from worker.store import raise_outdated
from worker.store_base import key_of

#: Events that are read at a time.
PAGE = 100
#: How long a read waits for news, s, before it looks whether the job is still there.
WAIT_SECONDS = 10.0
#: Connections for reads that do not wait, and how long one may have to be waited for, s.
QUICK_CONNECTIONS = 8
QUICK_SECONDS = 20.0
#: The id before all others.
START = "0-0"
#: Designs whose packers are remembered.
MOST_PACKERS = 64


AnyProgress = Progress | ShotListProgress | FitProgress
#: What an event tells; of a list of shots, and of a fit, there are states and progress only.
Content = Status | AnyProgress | Candidate | FrontChange


@dataclass(frozen=True)
class Event:
    """One entry of a job's stream."""

    id: str
    content: Content

    @property
    def last(self) -> bool:
        """Whether the job ended with it; should it be continued, others follow all the same."""
        return isinstance(self.content, Status) and self.content.ended


@dataclass(frozen=True)
class Snapshot:
    """A job as it is just after the event `id`."""

    id: str
    status: Status
    progress: AnyProgress


class EventLog:
    """Reads events from the server at `url`. All methods raise redis.exceptions.RedisError while it is away.

    Quick reads share a few connections, however many readers come at once; each read that waits has its own meanwhile.
    """

    def __init__(self, url: str) -> None:
        patience: dict[str, Any] = {"retry": Retry(NoBackoff(), 1), "socket_connect_timeout": 2.0}
        shared = BlockingConnectionPool.from_url(
            url, max_connections=QUICK_CONNECTIONS, timeout=QUICK_SECONDS, socket_timeout=5.0, **patience
        )
        self._redis = Redis.from_pool(shared)
        self._waiting = Redis.from_url(url, socket_timeout=WAIT_SECONDS + 5.0, **patience)
        self._packers: dict[str, RowPacker] = {}

    async def snapshot(self, job_id: str) -> Snapshot:
        """State and progress, and the last event they include. Raises that the job is unknown or gone."""
        key = job_key(job_id)
        async with self._redis.pipeline(transaction=True) as pipe:
            pipe.hmget(key, list(TOLD_FIELDS))
            pipe.zrank(key_of("queued"), job_id)
            pipe.lindex(f"{key}:given_up", -1)
            pipe.get(key_of(f"tombstone:{job_id}"))
            pipe.xrevrange(_stream(job_id), count=1)
            values, rank, given_up, tombstone, last = await pipe.execute()
        row = {name: value.decode() for name, value in zip(TOLD_FIELDS, values, strict=True) if value is not None}
        if not row:
            raise_missing_job(job_id, _text(tombstone))
        if kind_of(job_id) == "design" and "plan" not in row:
            raise_outdated(job_id)
        return Snapshot(
            id=last[0][0].decode() if last else START,
            status=_status(job_id, row, _text(given_up)),
            progress=_progress(job_id, row, rank),
        )

    async def after(self, job_id: str, event_id: str) -> list[Event]:
        """Up to `PAGE` events after `event_id`, none when there are no more."""
        found: Any = await self._redis.xrange(_stream(job_id), min=f"({event_id}", count=PAGE)
        return await self._read(job_id, found)

    async def wait(self, job_id: str, event_id: str) -> list[Event]:
        """The same, but waits up to `WAIT_SECONDS` for the first. Raises what `snapshot` raises."""
        found: Any = await self._waiting.xread({_stream(job_id): event_id}, PAGE, int(1000 * WAIT_SECONDS))
        if not found:
            await self.snapshot(job_id)
            return []
        ((_, entries),) = found
        return await self._read(job_id, entries)

    async def is_whole_after(self, job_id: str, event_id: str) -> bool:
        """Whether every event after `event_id` is still there, and none of them is from before a loss of data."""
        stream = _stream(job_id)
        if not await self._redis.exists(stream):
            return False
        told = await self._redis.xinfo_stream(stream)
        place, first = order(event_id), order(told["first-entry"][0].decode())
        untrimmed = told["entries-added"] == told["length"]
        return (untrimmed or place >= first) and place <= order(_text(told["last-generated-id"]) or START)

    async def close(self) -> None:
        """Close all connections."""
        await self._redis.aclose()
        await self._waiting.aclose()

    async def _read(self, job_id: str, entries: list[tuple[bytes, dict[bytes, bytes]]]) -> list[Event]:
        return [Event(name.decode(), await self._content(job_id, fields)) for name, fields in entries]

    async def _content(self, job_id: str, fields: Mapping[bytes, bytes]) -> Content:
        kind = fields[b"kind"]
        if kind == b"candidate":
            return (await self._packer(job_id)).unpack(fields[b"row"])
        row = {name.decode(): value.decode() for name, value in fields.items()}
        if kind == b"front":
            return FrontChange.model_validate_json(f'{{"round_number":{row["round"]},"numbers":{row["numbers"]}}}')
        if kind == b"progress":
            return _progress(job_id, row, int(row["rank"]) if "rank" in row else None)
        return _status(job_id, row, row.get("given_up"))

    async def _packer(self, job_id: str) -> RowPacker:
        if job_id not in self._packers:
            if len(self._packers) >= MOST_PACKERS:
                self._packers.clear()
            sample = await self._redis.get(f"{job_key(job_id)}:sample")
            self._packers[job_id] = RowPacker(_text(sample) or "")
        return self._packers[job_id]


def order(event_id: str) -> tuple[int, int]:
    """What ids are ordered by."""
    milliseconds, _, sequence = event_id.partition("-")
    return int(milliseconds), int(sequence)


def _status(job_id: str, row: Mapping[str, str], last_given_up: str | None) -> Status:
    kind = kind_of(job_id)
    if kind == "design":
        return read_status(job_id, row, last_given_up)
    return (read_list_status if kind == "shot list" else read_fit_status)(bare_id(job_id), row)


def _progress(job_id: str, row: Mapping[str, str], rank: int | None) -> AnyProgress:
    kind = kind_of(job_id)
    if kind == "design":
        return read_progress(row, rank)
    return read_list_progress(row, rank) if kind == "shot list" else read_fit_progress(row, rank)


def _stream(job_id: str) -> str:
    return f"{job_key(job_id)}:events"


def _text(value: bytes | str | None) -> str | None:
    return value.decode() if isinstance(value, bytes) else value
