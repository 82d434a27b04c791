"""`python -m worker backup FILE`: everything in the store as lines of JSON, as it was at one instant.

The server copies all keys in one script, which takes it a moment; the copies are then read a few hundred entries at a
time, so that memory here does not grow with the store, and are thrown away. Meanwhile the service goes on.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO, cast

from redis import Redis
from redis.exceptions import ResponseError

from worker import scripts
from worker.backup_lines import Header, Kind, LineWriter, Piece, spell
from worker.errors import BackupRefused
from worker.migrations import SCHEMA_KEY

#: Keys, or beginnings of keys, that tell who is at work at the moment; they are in no backup.
PASSING = ("workers", "sweeper", "migrating", "rate:")
#: Entries read, and written, at a time.
CHUNK = 500
#: What a backup or a restore that was killed leaves on the server is gone after this time.
LEFTOVER_SECONDS = 86_400
#: Copying or renaming everything is one step of the server, which answers nobody else meanwhile.
ANSWER_SECONDS = 300.0

#: ARGV prefix, prefix of the copies, key of the list, seconds until leftovers go, then the passing ones.
#: Fills the list with each key, without its prefix, and when it expires (ms since 1970, or -1).
_SNAPSHOT = r"""
local prefix, copies, list, leftover = ARGV[1], ARGV[2], ARGV[3], ARGV[4]
local function is_passing(name)
  for i = 5, #ARGV do
    if string.sub(name, 1, #ARGV[i]) == ARGV[i] then return true end
  end
  return false
end
redis.call('HSET', list, '', 0)
redis.call('EXPIRE', list, leftover)
for _, key in ipairs(redis.call('KEYS', prefix .. '*')) do
  local name = string.sub(key, #prefix + 1)
  if not is_passing(name) then
    redis.call('COPY', key, copies .. name)
    redis.call('EXPIRE', copies .. name, leftover)
    redis.call('HSET', list, name, string.format('%.0f', redis.call('PEXPIRETIME', key)))
  end
end
redis.call('HDEL', list, '')
"""


def backup(client: Redis, path: Path) -> int:
    """Write the whole store to `path`; returns the number of keys. `client` reads bytes.

    The file takes its name only once it is whole and on the disk; one that was there before stays until then. Nobody
    else may read it, since it holds the digests of access keys. Raises BackupRefused, OSError, RedisError.
    """
    with _written_whole(path) as file, _snapshot(client) as (copies, listed):
        writer = LineWriter(file)
        version = int(client.get(SCHEMA_KEY) or 1)
        writer.write(Header(schema_version=version, made_at=datetime.now(UTC)))
        count = 0
        for name, expires_ms in listed:
            for piece in _pieces_of(client, copies, name, expires_ms):
                writer.write(piece)
            count += 1
        writer.end(count)
    return count


@contextmanager
def _written_whole(path: Path) -> Iterator[BinaryIO]:
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


@contextmanager
def _snapshot(client: Redis) -> Iterator[tuple[str, Iterator[tuple[str, int]]]]:
    """The prefix of the copies, and their names with the times they expire at; all are removed on leaving."""
    copies = f"{scripts.PREFIX.rstrip(':')}-backup-{secrets.token_hex(8)}:"
    listing = f"{copies[:-1]}-list"
    _check_room(client)
    try:
        client.eval(_SNAPSHOT, 0, scripts.PREFIX, copies, listing, str(LEFTOVER_SECONDS), *PASSING)
        yield copies, ((name.decode(), int(at)) for name, at in client.hscan_iter(listing, count=CHUNK))
    except ResponseError as problem:
        if "OOM" in str(problem):
            raise BackupRefused(_NO_ROOM) from problem
        raise
    finally:
        remove_all(client, copies)
        client.unlink(listing)


_NO_ROOM = (
    "the server has no room for the copy that a backup is read from; it needs as much memory again as it uses now. "
    "Raise maxmemory, or delete designs; nothing has been changed"
)


def _check_room(client: Redis) -> None:
    memory = cast("dict[str, int]", client.info("memory"))
    if 0 < memory["maxmemory"] < 2 * memory["used_memory"]:
        raise BackupRefused(_NO_ROOM)


def remove_all(client: Redis, prefix: str) -> None:
    """Unlink every key that begins with `prefix`."""
    names: list[bytes] = []
    for name in client.scan_iter(match=f"{prefix}*", count=1000):
        names.append(name)
        if len(names) >= CHUNK:
            client.unlink(*names)
            names.clear()
    if names:
        client.unlink(*names)


def _pieces_of(client: Redis, copies: str, name: str, expires_ms: int) -> Iterator[Piece]:
    key = copies + name
    kind = cast("Kind", client.type(key).decode())  # type: ignore[union-attr]
    expires_at = None if expires_ms < 0 else datetime.fromtimestamp(expires_ms / 1000, UTC)
    for value in _READERS[kind](client, key):
        yield Piece(key=name, kind=kind, expires_at=expires_at, value=value)
        expires_at = None


def _text(client: Redis, key: str) -> Iterator[Any]:
    yield spell(cast("bytes", client.get(key)))


def _list(client: Redis, key: str) -> Iterator[Any]:
    first = 0
    while found := cast("list[bytes]", client.lrange(key, first, first + CHUNK - 1)):
        yield [spell(member) for member in found]
        first += len(found)


def _hash(client: Redis, key: str) -> Iterator[Any]:
    for part in _in_chunks(client.hscan_iter(key, count=CHUNK)):
        yield {field.decode(): spell(value) for field, value in part}


def _set(client: Redis, key: str) -> Iterator[Any]:
    for part in _in_chunks(client.sscan_iter(key, count=CHUNK)):
        yield [spell(member) for member in part]


def _ranking(client: Redis, key: str) -> Iterator[Any]:
    for part in _in_chunks(client.zscan_iter(key, count=CHUNK)):
        yield [(spell(member), score) for member, score in part]


def _stream(client: Redis, key: str) -> Iterator[Any]:
    after = "-"
    while found := cast("list[Any]", client.xrange(key, after, "+", count=CHUNK)):
        yield [(at.decode(), [(spell(name), spell(value)) for name, value in entry.items()]) for at, entry in found]
        after = f"({found[-1][0].decode()}"


def _in_chunks(entries: Iterator[Any]) -> Iterator[list[Any]]:
    chunk: list[Any] = []
    for entry in entries:
        chunk.append(entry)
        if len(chunk) >= CHUNK:
            yield chunk
            chunk = []
    if chunk:
        yield chunk


_READERS = {"string": _text, "list": _list, "hash": _hash, "set": _set, "zset": _ranking, "stream": _stream}
