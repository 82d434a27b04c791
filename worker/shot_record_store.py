"""Records of fired shots in the store: never changed, only superseded. Keys are listed in :mod:`worker.store`."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from itertools import chain
from typing import Any, cast

from pydantic import Field
from redis import Redis

from physics.schema import Checked, FieldProblem
from worker import shot_record_scripts
from worker.codec import open_cursor, seal_cursor, time_of
from worker.errors import InputRefused, RecordGone, RecordUnknown, TraceTaken, TraceUnknown
from worker.identifiers import new_id
from worker.kept_trace import KeptTrace, NewTrace, TraceColumns, pack, unpack
from worker.shot_record import Record, RecordContent, RecordRequest
from worker.store_base import (
    DAY_SECONDS,
    TOMBSTONE_DAYS,
    StoreBase,
    idempotency_words,
    key_of,
    raise_missing,
    raise_refused,
)

_SCRIPTS = ("CREATE", "ADD_TRACE", "DELETE")
_COLUMNS = ("stored_time", "stored_value", "time_s", "current_a")
#: Rows that are looked at in one go while some are searched for.
_BLOCK = 200
#: How long figures are remembered that can be computed again.
PREDICTED_DAYS = 30


class RecordFilter(Checked):
    """Which records are wanted; what is null does not matter."""

    bench_id: str | None = None
    design_id: str | None = None
    fired_after: datetime | None = None
    fired_before: datetime | None = None
    text: str | None = None
    superseded: bool = False

    def takes(self, row: Mapping[str, str | None]) -> bool:
        """Whether a record with such a row is wanted."""
        if row["fired_at"] is None:
            return False
        at = time_of(row["fired_at"])
        return (
            (self.superseded or row["superseded_by"] is None)
            and (self.bench_id is None or row["bench"] == self.bench_id)
            and (self.design_id is None or row["design"] == self.design_id)
            and (self.fired_after is None or at >= self.fired_after)
            and (self.fired_before is None or at < self.fired_before)
            and (self.text is None or self.text.casefold() in (row["text"] or ""))
        )


_LOOKED_AT = ("fired_at", "superseded_by", "bench", "design", "text")
_CURRENT = RecordFilter()


class RecordPage(Checked):
    """A page of records, the one that was stored last first."""

    items: list[Record]
    next_cursor: str | None = Field(description="Null on the last page.")


class RecordStore(StoreBase):
    """All operations on records. Safe to share between threads."""

    def __init__(self, client: Redis) -> None:
        super().__init__(client, {name: getattr(shot_record_scripts, name) for name in _SCRIPTS})

    def made_from(self, request: RecordRequest, idempotency_key: str | None) -> str | None:
        """The record that key and body made within the last day. Raises IdempotencyConflict on another body."""
        return self.made_before(_scoped(idempotency_key), request.model_dump_json())

    def create(
        self,
        request: RecordRequest,
        content: RecordContent,
        trace: NewTrace | None = None,
        idempotency_key: str | None = None,
    ) -> Record:
        """Store a record. The same key with the same request within a day gives the same one.

        Raises IdempotencyConflict on another body, InputRefused when what it supersedes is unknown or superseded.
        """
        outcome, record_id = self.run(
            "CREATE",
            new_id(),
            *idempotency_words(_scoped(idempotency_key), request.model_dump_json()),
            content.model_dump_json(),
            content.bench.id if content.bench else "",
            content.fired_at.timestamp(),
            content.shot_of.design_id if content.shot_of else "",
            f"{content.name}\n{content.notes}".casefold(),
            content.supersedes or "",
            *self._trace_words(trace),
        )
        raise_refused(outcome)
        if outcome == "unknown":
            raise InputRefused([FieldProblem("/supersedes", f"there is no record {record_id}")])
        if outcome == "superseded":
            words = f"record {content.supersedes} has been superseded by {record_id}; supersede that one"
            raise InputRefused([FieldProblem("/supersedes", words)])
        return self.get(record_id)

    def get(self, record_id: str) -> Record:
        """A record. Raises RecordUnknown or RecordGone."""
        row = cast("dict[str, str]", self.client.hgetall(_record_key(record_id)))
        if not row:
            raise_missing("record", record_id, cast("str | None", self.client.get(_tombstone_key(record_id))))
        return _read(record_id, row)

    def page(self, limit: int = 20, cursor: str | None = None, wanted: RecordFilter = _CURRENT) -> RecordPage:
        """Wanted records, the one that was stored last first. Raises CursorInvalid."""
        below = None if cursor is None else open_cursor(cursor, "records")
        found: list[str] = []
        for record_id in self._wanted(below, wanted, limit + 1):
            found.append(record_id)
            if len(found) > limit:
                following = seal_cursor("records", found[limit - 1])
                return RecordPage(items=self._still_there(found[:limit]), next_cursor=following)
        return RecordPage(items=self._still_there(found), next_cursor=None)

    def of_bench(self, bench_id: str, most: int, since: datetime | None = None) -> list[Record]:
        """The latest `most` records of a bench in the order they were fired, superseded ones left out."""
        low = "-inf" if since is None else since.timestamp()
        key = key_of(f"bench:{bench_id}:records")
        found = cast("list[str]", self.client.zrevrangebyscore(key, "+inf", low, 0, most))
        return self._still_there(found[::-1])

    def add_trace(self, record_id: str, trace: NewTrace) -> Record:
        """Give a record its trace; the same file and probe again change nothing.

        Raises RecordUnknown, RecordGone, TraceTaken.
        """
        outcome = self.run("ADD_TRACE", record_id, *self._trace_words(trace))
        if outcome == "taken":
            raise TraceTaken(f"record {record_id} has another trace; post a record that supersedes it")
        return self.get(record_id)

    def columns(self, record: Record) -> TraceColumns:
        """The columns of a record's trace. Raises TraceUnknown."""
        key = f"{_record_key(record.id)}:trace"
        found = cast("list[bytes | None]", self.read_bytes("HMGET", key, *_COLUMNS, "noise_a"))
        present = [value for value in found if value is not None]
        if len(present) < len(found):
            raise TraceUnknown(f"record {record.id} has no trace")
        *columns, noise = present
        stored_time, stored_value, time, current = map(unpack, columns)
        return TraceColumns(stored_time, stored_value, time, current, float(noise))

    def delete(self, record_id: str) -> None:
        """Remove a record, leaving a tombstone; what it superseded stands again."""
        if self.run("DELETE", record_id, TOMBSTONE_DAYS * DAY_SECONDS) == "unknown":
            self.get(record_id)

    # ---- figures that were computed before ---------------------------------------------------------------------------

    def predicted(self, record_ids: Sequence[str], label: str) -> list[str | None]:
        """What is remembered of each record under a label, as text."""
        with self.client.pipeline(transaction=False) as pipe:
            for record_id in record_ids:
                pipe.hget(f"{_record_key(record_id)}:predicted", label)
            return cast("list[str | None]", pipe.execute())

    def remember_predicted(self, record_id: str, label: str, text: str) -> None:
        """Remember it for some weeks."""
        key = f"{_record_key(record_id)}:predicted"
        with self.client.pipeline(transaction=True) as pipe:
            pipe.hset(key, label, text)
            pipe.expire(key, PREDICTED_DAYS * DAY_SECONDS)
            pipe.execute()

    # ---- helpers -----------------------------------------------------------------------------------------------------

    def _trace_words(self, trace: NewTrace | None) -> list[str | bytes]:
        if trace is None:
            return []
        columns: dict[str, str | bytes] = {name: pack(getattr(trace.columns, name)) for name in _COLUMNS}
        columns["noise_a"] = repr(trace.columns.noise_a)
        told = trace.kept(self.now())
        known = hashlib.sha256(f"{told.sha256} {told.probe.model_dump_json()}".encode()).hexdigest()
        return [told.model_dump_json(), known, *chain.from_iterable(columns.items())]

    def _still_there(self, names: Sequence[str]) -> list[Record]:
        """Those that were not deleted since they were listed."""
        found = []
        for name in names:
            try:
                found.append(self.get(name))
            except (RecordUnknown, RecordGone):
                continue
        return found

    def _wanted(self, below: str | None, wanted: RecordFilter, block: int) -> Iterator[str]:
        size = block if wanted == _CURRENT else _BLOCK
        while True:
            start = "+" if below is None else f"({below}"
            names = cast("list[str]", self.client.zrevrangebylex(key_of("records"), start, "-", 0, size))
            with self.client.pipeline(transaction=False) as pipe:
                for name in names:
                    pipe.hmget(_record_key(name), list(_LOOKED_AT))
                rows = cast("list[list[Any]]", pipe.execute())
            for name, row in zip(names, rows, strict=True):
                if wanted.takes(dict(zip(_LOOKED_AT, row, strict=True))):
                    yield name
            if len(names) < size:
                return
            below = names[-1]


def _record_key(record_id: str) -> str:
    return key_of(f"record:{record_id}")


def _tombstone_key(record_id: str) -> str:
    return key_of(f"tombstone:record:{record_id}")


def _scoped(idempotency_key: str | None) -> str | None:
    return None if idempotency_key is None else f"record {idempotency_key}"


def _read(record_id: str, row: Mapping[str, str]) -> Record:
    return Record(
        id=record_id,
        created_at=time_of(row["created_at"]),
        content=RecordContent.model_validate_json(row["content"]),
        trace=KeptTrace.model_validate_json(row["trace"]) if "trace" in row else None,
        superseded_by=row.get("superseded_by"),
    )
