"""Backup and restore on real servers: a round trip of every kind of key, and what is refused."""

from __future__ import annotations

import json
import os
import stat
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, cast

import pytest
from redis import Redis
from redis.exceptions import ResponseError

from api.examples import BENCH, RECORD, SWEEP
from tests.worker.samples import candidate, miss, request, ringing_trace
from worker import scripts
from worker.backup import backup
from worker.backup_lines import checked_header
from worker.bench import BenchDescription
from worker.bench_store import BenchStore
from worker.connection import connect
from worker.embedded import embedded_server
from worker.errors import BackupRefused, DesignGone
from worker.fit import FitRequest
from worker.fit_service import FitService
from worker.plan import numbers_of
from worker.record_service import RecordService
from worker.records import Candidate, Ending
from worker.restore import restore
from worker.service import DesignService
from worker.shot_list import BenchesOnce, ShotListRequest, ShotOutcome, shots_of
from worker.shot_record import RecordRequest
from worker.store import Store

P = scripts.PREFIX


@pytest.fixture
def raw(client: Redis, redis_url: str) -> Iterator[Redis]:
    """A client that reads bytes, on the same emptied server."""
    assert client.dbsize() == 0
    with connect(redis_url, text=False) as found:
        yield found


def contents(client: Redis, pattern: str = f"{P}*") -> dict[bytes, tuple[bytes, int, Any]]:
    """Every key with its kind, when it expires (ms since 1970, -1 never) and its value, as the server tells it."""
    readers: dict[bytes, Any] = {
        b"string": client.get,
        b"hash": client.hgetall,
        b"list": lambda key: client.lrange(key, 0, -1),
        b"set": client.smembers,
        b"zset": lambda key: client.zrange(key, 0, -1, withscores=True),
        b"stream": client.xrange,
    }
    found = {}
    for key in client.scan_iter(match=pattern):
        kind = cast("bytes", client.type(key))
        found[key] = (kind, client.pexpiretime(key), readers[kind](key))
    return found


def make_designs(store: Store) -> None:
    """One design that has ended, one in the middle of a round, one deleted, one idempotency record."""
    rows: list[Candidate]
    for ended in (True, False):
        design_id = store.create(request(), idempotency_key="the same" if ended else None).design_id
        plan = store.get(design_id).plan
        for slot in store.first_slots(design_id):
            lease = store.lease(slot)
            assert lease is not None
            rows = [candidate(n) if n % 3 else miss(n, 0.1 * n) for n in numbers_of(plan, slot)]
            store.record(lease, rows[:5])
            if ended:
                store.fill(lease, rows[5:], [])
        if ended:
            lease = store.lease(store.closing_of(design_id))
            assert lease is not None
            end = Ending(front_numbers=[1], recommended=None, limiting=None, ended_because="budget", state="succeeded")
            store.close(lease, end, [])
    store.cancel(gone := store.create(request()).design_id)
    closing = store.lease(store.closing_of(gone))
    assert closing is not None
    store.close(
        closing, Ending(front_numbers=[], recommended=None, limiting=None, ended_because="cancelled", state=None), []
    )
    store.delete(gone)


def make_benches_and_lists(store: Store) -> None:
    """One bench with two revisions, one deleted; one list of shots at work, of which one shot is finished."""
    bench = BenchDescription.model_validate(BENCH)
    benches = BenchStore(store.client)
    benches.revise(benches.create(bench).id, 1, bench)
    benches.delete(benches.create(bench).id)
    asked = ShotListRequest.model_validate(SWEEP)
    list_id, _ = store.shot_lists.create(asked, shots_of(asked, BenchesOnce(benches.named)), owner="a")
    lease = store.shot_lists.lease(store.shot_lists.slots(list_id)[0])
    assert lease is not None
    words = "given up"
    store.shot_lists.step(lease, 1, [ShotOutcome(number=0, state="failed", attempts_count=1, failure=words)])


def make_records(store: Store) -> None:
    """Two records of a bench, one with a trace that the other has taken the place of, and a fit at work."""
    benches = BenchStore(store.client)
    records = RecordService(store, benches)
    bench = {"id": benches.create(BenchDescription.model_validate(BENCH)).id}
    first = records.submit(RecordRequest.model_validate(RECORD | {"bench": bench, "trace": ringing_trace()}))
    records.submit(RecordRequest.model_validate(RECORD | {"bench": bench, "supersedes": first.id}))
    records.store.remember_predicted(first.id, "a label", "figures")
    fits = FitService(DesignService(store, lambda _: None), records.store)
    lease = store.fits.lease(store.fits.slots(fits.submit(FitRequest.model_validate({"bench": bench})).id)[0])
    assert lease is not None
    store.fits.beat(lease, 3)


def make_every_kind(raw: Redis) -> None:
    """Keys of each kind the server has, some too large for one line, with text, bytes, odd numbers and expiry."""
    raw.set(f"{P}t:text", "µ is \u0000 text\n", ex=4000)
    raw.set(f"{P}t:bytes", bytes(range(256)) * 40)
    raw.set(f"{P}t:empty", b"")
    raw.rpush(f"{P}t:list", *(f"member {n}" for n in range(1203)))
    raw.sadd(f"{P}t:set", *(os.urandom(9) for _ in range(1203)))
    raw.hset(f"{P}t:hash", mapping={f"f{n}": os.urandom(30) for n in range(1203)})
    raw.hset(f"{P}t:sly", mapping={"base64": "is a field's name here"})
    raw.zadd(f"{P}t:zset", {f"m{n}": n / 7 + 1.7e9 for n in range(1203)})
    for n in range(1203):
        raw.xadd(f"{P}t:stream", {"kind": "progress", "data": json.dumps({"n": n})}, id=f"{n + 1}-{n % 3}")
    raw.pexpire(f"{P}t:stream", 5_000_000)


def test_round_trip_brings_every_byte_back(store: Store, raw: Redis, tmp_path: Path) -> None:
    """What is restored into an empty server is, key by key, what was backed up: kind, value and time of expiry."""
    make_designs(store)
    make_benches_and_lists(store)
    make_records(store)
    make_every_kind(raw)
    before = contents(raw)
    assert {f"{P}{name}".encode() for name in ("benches", "shot-lists", "open:a", "records", "fits")} <= before.keys()
    count = backup(raw, tmp_path / "file")
    assert contents(raw, "*") == before  # nothing is left of the copies
    raw.flushdb()
    done = restore(raw, tmp_path / "file")
    stamp = cast("dict[Any, Any]", contents(raw))
    assert stamp.pop(f"{P}schema".encode())[2] == b"1"
    before.pop(f"{P}schema".encode(), None)
    assert stamp == before
    assert done.keys_count == count == len(before)
    assert contents(raw, "*").keys() == before.keys() | {f"{P}schema".encode()}


def test_backup_is_readable_and_private(store: Store, raw: Redis, tmp_path: Path) -> None:
    """The file is lines of JSON in which a design's request can be read, and only its owner may read it."""
    make_designs(store)
    path = tmp_path / "file"
    backup(raw, path)
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    assert [line["line"] for line in (lines[0], lines[-1])] == ["header", "end"]
    requests = [line["value"]["request"] for line in lines if line.get("kind") == "hash" and "request" in line["value"]]
    assert request().model_dump_json() in requests
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [found.name for found in tmp_path.iterdir()] == ["file"]


def test_large_keys_are_written_in_pieces(raw: Redis, tmp_path: Path) -> None:
    """No line holds more than a few hundred entries, so that neither side holds a large design whole."""
    raw.hset(f"{P}t:hash", mapping={str(n): os.urandom(200) for n in range(20_000)})
    backup(raw, tmp_path / "file")
    assert max(len(line) for line in (tmp_path / "file").read_text().splitlines()) < 1_000_000


def test_backup_is_of_one_instant(store: Store, raw: Redis, tmp_path: Path) -> None:
    """Trials that arrive while the file is written are wholly in it or not at all: counts agree with rows."""
    design_id = store.create(request(budget_trials_count=60)).design_id
    lease = store.lease(store.first_slots(design_id)[0])
    assert lease is not None
    store.record(lease, [candidate(0)])

    class Busy:
        """Hands everything on to the server, and records a trial before each look at it."""

        number = 0

        def __getattr__(self, name: str) -> Any:
            assert lease is not None
            if name not in ("eval", "info") and self.number < 40:
                type(self).number += 1
                store.record(lease, [candidate(self.number)])
            return getattr(raw, name)

    backup(cast("Redis", Busy()), tmp_path / "file")
    raw.flushdb()
    restore(raw, tmp_path / "file")
    found = store.get(design_id).progress.finished_trials_count
    assert found == len(store.candidates(design_id, 100).items) == raw.hlen(f"{P}design:{design_id}:rows")
    assert 1 <= found < 40


def test_key_whose_time_is_over_is_left_out_and_counted(raw: Redis, tmp_path: Path) -> None:
    """What has expired between backup and restore does not come back, and that is said."""
    raw.set(f"{P}t:short", "x", px=30)
    raw.set(f"{P}t:long", "x")
    backup(raw, tmp_path / "file")
    raw.flushdb()
    time.sleep(0.05)
    done = restore(raw, tmp_path / "file")
    assert (done.keys_count, done.expired_count) == (1, 1)
    assert contents(raw).keys() == {f"{P}t:long".encode(), f"{P}schema".encode()}


def test_store_that_holds_something_is_only_replaced_on_demand(store: Store, raw: Redis, tmp_path: Path) -> None:
    """A restore into a store with designs is refused and changes nothing; with replace it is as the backup was."""
    backed = store.create(request()).design_id
    backup(raw, tmp_path / "file")
    before = contents(raw)
    later = store.create(request()).design_id
    held = contents(raw, "*")
    with pytest.raises(BackupRefused, match="not empty"):
        restore(raw, tmp_path / "file")
    assert contents(raw, "*") == held
    restore(raw, tmp_path / "file", replace=True)
    assert {key: entry for key, entry in contents(raw).items() if not key.endswith(b"schema")} == before
    assert [design.id for design in store.designs().items] == [backed]
    assert later not in str(contents(raw, "*"))


def test_restore_under_a_running_service_is_refused(raw: Redis, tmp_path: Path) -> None:
    """While somebody sweeps the store, it is not replaced."""
    backup(raw, tmp_path / "file")
    raw.set(f"{P}sweeper", "someone", ex=60)
    with pytest.raises(BackupRefused, match="stop it first"):
        restore(raw, tmp_path / "file", replace=True)


def _cut(lines: list[bytes]) -> list[bytes]:
    return lines[:-1]


def _lost(lines: list[bytes]) -> list[bytes]:
    return lines[:2] + lines[3:]


def _half(lines: list[bytes]) -> list[bytes]:
    return [*lines[:-1], lines[-1][:20]]


def _changed(lines: list[bytes]) -> list[bytes]:
    return [lines[0], lines[1].replace(b"member 1", b"member 2"), *lines[2:]]


def _twice(lines: list[bytes]) -> list[bytes]:
    return lines + lines


def _newer_layout(lines: list[bytes]) -> list[bytes]:
    return [json.dumps(json.loads(lines[0]) | {"schema_version": 99}).encode(), *lines[1:]]


@pytest.mark.parametrize("spoil", [_cut, _lost, _half, _changed, _twice, _newer_layout])
def test_damaged_file_is_refused(raw: Redis, tmp_path: Path, spoil: Any) -> None:
    """A file that is cut, changed or doubled leaves the store, replaced or not, as it was."""
    raw.rpush(f"{P}t:a", *(f"member {n}" for n in range(600)))
    raw.rpush(f"{P}t:b", *(f"member {n}" for n in range(600)))
    path = tmp_path / "file"
    backup(raw, path)
    path.write_bytes(b"\n".join(spoil(path.read_bytes().splitlines())) + b"\n")
    before = contents(raw, "*")
    with pytest.raises(BackupRefused, match=r"damaged|not whole"):
        restore(raw, path, replace=True)
    assert contents(raw, "*") == before


def test_newer_file_is_refused(raw: Redis, tmp_path: Path) -> None:
    """A whole file of a later layout is refused with both versions named."""
    raw.set(f"{P}schema", "7")
    path = tmp_path / "file"
    backup(raw, path)
    assert checked_header(path)[0].schema_version == 7
    raw.flushdb()
    with pytest.raises(BackupRefused, match="schema version 7"):
        restore(raw, path)


@pytest.mark.parametrize(
    "text", ["", "hello\n", "{}\n", '{"line":"end","keys_count":0,"pieces_count":0,"sha256":""}\n']
)
def test_other_file_is_refused(raw: Redis, tmp_path: Path, text: str) -> None:
    """A file that is no backup is called that."""
    (tmp_path / "file").write_text(text)
    with pytest.raises(BackupRefused, match="no backup"):
        restore(raw, tmp_path / "file")


def test_restore_that_is_broken_off_leaves_the_store_as_it_was(raw: Redis, tmp_path: Path) -> None:
    """When the server fails in the middle of a restore, nothing has changed and nothing is left lying about."""
    raw.set(f"{P}t:old", "kept")
    backup(raw, tmp_path / "old")
    for number in range(20):
        raw.set(f"{P}t:{number}", "x" * 200_000)
    backup(raw, tmp_path / "large")
    restore(raw, tmp_path / "old", replace=True)
    before = contents(raw, "*")
    used = cast("int", raw.info("memory")["used_memory"])
    raw.config_set("maxmemory", used + 1_000_000)
    try:
        with pytest.raises(ResponseError):
            restore(raw, tmp_path / "large", replace=True)
    finally:
        raw.config_set("maxmemory", 0)
    assert contents(raw, "*") == before


def test_backup_without_room_for_the_copy_is_refused(raw: Redis, tmp_path: Path) -> None:
    """A server whose memory is more than half full is told, and the file that was there before stays."""
    raw.set(f"{P}t:a", "x" * 100_000)
    (tmp_path / "file").write_text("earlier")
    raw.config_set("maxmemory", int(cast("int", raw.info("memory")["used_memory"]) * 1.5))
    try:
        with pytest.raises(BackupRefused, match="no room"):
            backup(raw, tmp_path / "file")
    finally:
        raw.config_set("maxmemory", 0)
    assert (tmp_path / "file").read_text() == "earlier"
    assert len(list(tmp_path.iterdir())) == 1


def test_deleted_design_stays_gone(store: Store, raw: Redis, tmp_path: Path) -> None:
    """The memory of a deleted design survives the round trip."""
    make_designs(store)
    (gone,) = [key for key, entry in contents(raw, f"{P}tombstone:*").items() if entry[2] == b"deleted"]
    backup(raw, tmp_path / "file")
    with embedded_server(tmp_path / "other") as other:
        restore(connect(other.url, text=False), tmp_path / "file")
        with pytest.raises(DesignGone):
            Store(connect(other.url)).get(gone.decode().rpartition(":")[2])
