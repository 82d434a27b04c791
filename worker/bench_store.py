"""Benches in the store: every revision is kept as it was written. Keys are listed in :mod:`worker.store`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import cast

from pydantic import Field
from redis import Redis

from physics.schema import Checked, FieldProblem
from worker import bench_scripts
from worker.bench import BenchDescription, BenchRevision, NamedBench
from worker.codec import open_cursor, open_number_cursor, seal_cursor, time_of
from worker.errors import BenchChanged, BenchGone, BenchUnknown, InputRefused, RevisionUnknown
from worker.identifiers import new_id
from worker.store_base import DAY_SECONDS, TOMBSTONE_DAYS, StoreBase, idempotency_words, key_of, raise_refused

_SCRIPTS = ("CREATE", "REVISE", "DELETE")


class BenchPage(Checked):
    """A page of benches, newest first, or of revisions, latest first."""

    items: list[BenchRevision]
    next_cursor: str | None = Field(description="Null on the last page.")


class BenchStore(StoreBase):
    """All operations on benches. Safe to share between threads."""

    def __init__(self, client: Redis) -> None:
        super().__init__(client, {name: getattr(bench_scripts, name) for name in _SCRIPTS})

    def create(self, bench: BenchDescription, idempotency_key: str | None = None) -> BenchRevision:
        """Store the first revision. The same key with the same body within a day gives the same bench.

        Raises IdempotencyConflict on another body.
        """
        text = bench.model_dump_json()
        key = None if idempotency_key is None else f"bench {idempotency_key}"
        outcome, bench_id = self.run("CREATE", new_id(), *idempotency_words(key, text), text)
        raise_refused(outcome)
        return self.get(bench_id, 1)

    def get(self, bench_id: str, revision: int | None = None) -> BenchRevision:
        """A revision, or the latest. Raises BenchUnknown or BenchGone."""
        row = self._row(bench_id)
        number = row["latest"] if revision is None else str(revision)
        if f"revision:{number}" not in row:
            raise RevisionUnknown(f"bench {bench_id} has no revision {number}; the latest is {row['latest']}")
        return _read(bench_id, row, int(number))

    def page(self, limit: int = 20, cursor: str | None = None) -> BenchPage:
        """The latest revision of each bench, newest bench first. Raises CursorInvalid."""
        below = "+" if cursor is None else f"({open_cursor(cursor, 'benches')}"
        found = cast("list[str]", self.client.zrevrangebylex(key_of("benches"), below, "-", 0, limit + 1))
        items = []
        for bench_id in found[:limit]:
            row = cast("dict[str, str]", self.client.hgetall(_bench_key(bench_id)))
            if row:  # else it was deleted in between
                items.append(_read(bench_id, row, int(row["latest"])))
        following = seal_cursor("benches", found[limit - 1]) if len(found) > limit else None
        return BenchPage(items=items, next_cursor=following)

    def revisions(self, bench_id: str, limit: int = 20, cursor: str | None = None) -> BenchPage:
        """The revisions of a bench, latest first. Raises BenchUnknown, BenchGone or CursorInvalid."""
        row = self._row(bench_id)
        label = f"revisions of {bench_id}"
        first = int(row["latest"]) if cursor is None else min(open_number_cursor(cursor, label), int(row["latest"]))
        last = max(first - limit, 0)
        items = [_read(bench_id, row, number) for number in range(first, last, -1)]
        return BenchPage(items=items, next_cursor=seal_cursor(label, str(last)) if last else None)

    def revise(self, bench_id: str, known_revision: int, bench: BenchDescription) -> BenchRevision:
        """Store the revision that follows `known_revision`. Raises BenchChanged when that is not the latest."""
        outcome = self.run("REVISE", bench_id, known_revision, bench.model_dump_json())
        if outcome == "unknown":
            self._row(bench_id)
        if outcome == "changed":
            raise BenchChanged(f"bench {bench_id} has been changed since revision {known_revision}")
        return self.get(bench_id, known_revision + 1)

    def delete(self, bench_id: str) -> None:
        """Remove the bench with its revisions, leaving a tombstone; what was resolved with it keeps what it has."""
        if self.run("DELETE", bench_id, TOMBSTONE_DAYS * DAY_SECONDS) == "unknown":
            self._row(bench_id)

    def named(self, asked: NamedBench) -> BenchRevision:
        """The bench that a request names. Raises InputRefused when there is none."""
        try:
            return self.get(asked.bench_id, asked.bench_revision)
        except RevisionUnknown as problem:
            raise InputRefused([FieldProblem("/bench_revision", str(problem))]) from problem
        except (BenchUnknown, BenchGone) as problem:
            raise InputRefused([FieldProblem("/bench_id", str(problem))]) from problem

    def _row(self, bench_id: str) -> dict[str, str]:
        row = cast("dict[str, str]", self.client.hgetall(_bench_key(bench_id)))
        if not row:
            tombstone = cast("str | None", self.client.get(key_of(f"tombstone:bench:{bench_id}")))
            self.raise_missing("bench", bench_id, tombstone)
        return row


def _bench_key(bench_id: str) -> str:
    return key_of(f"bench:{bench_id}")


def _read(bench_id: str, row: Mapping[str, str], number: int) -> BenchRevision:
    return BenchRevision(
        id=bench_id,
        revision=number,
        created_at=time_of(row["revised_at:1"]),
        revised_at=time_of(row[f"revised_at:{number}"]),
        bench=BenchDescription.model_validate_json(row[f"revision:{number}"]),
    )
