"""`python -m worker restore FILE`: puts a backup back, as a whole or not at all.

The file is read once to see that it is whole, then its keys are written beside those of the store, and in one step of
the server they take their places. Whatever goes wrong before that step leaves the store as it was.
"""

from __future__ import annotations

import secrets
import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from redis import Redis

from worker import scripts
from worker.backup import LEFTOVER_SECONDS, PASSING, remove_all
from worker.backup_lines import FORMAT_VERSION, Piece, checked_header, pieces, unspell
from worker.errors import BackupRefused
from worker.migrations import SCHEMA_KEY, SCHEMA_VERSION, newer

_SWEEPER = f"{scripts.PREFIX}sweeper"
#: A service that was stopped a moment ago still looks alive for two seconds.
_PATIENCE_SECONDS = 3.0
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

#: ARGV prefix, prefix of the written keys, key of their list, sweeper, schema version, its key, 1 to replace, then the
#: passing ones. Returns 'done', 'at work' or 'not empty'.
_PUT_IN_PLACE = r"""
local prefix, written, list = ARGV[1], ARGV[2], ARGV[3]
local function is_passing(name)
  for i = 8, #ARGV do
    if string.sub(name, 1, #ARGV[i]) == ARGV[i] then return true end
  end
  return false
end
if redis.call('EXISTS', ARGV[4]) == 1 then return 'at work' end
local old = redis.call('KEYS', prefix .. '*')
for _, key in ipairs(old) do
  local name = string.sub(key, #prefix + 1)
  if ARGV[7] ~= '1' and key ~= ARGV[6] and not is_passing(name) then return 'not empty' end
end
for _, key in ipairs(old) do redis.call('UNLINK', key) end
local listed = redis.call('HGETALL', list)
for i = 1, #listed, 2 do
  redis.call('RENAME', written .. listed[i], prefix .. listed[i])
  if listed[i + 1] == '' then redis.call('PERSIST', prefix .. listed[i])
  else redis.call('PEXPIREAT', prefix .. listed[i], listed[i + 1]) end
end
redis.call('SET', ARGV[6], ARGV[5])
redis.call('UNLINK', list)
return 'done'
"""


@dataclass(frozen=True)
class Restored:
    """What was put back: keys, those whose time was over, and when the backup was made."""

    keys_count: int
    expired_count: int
    made_at: datetime


def restore(client: Redis, path: Path, *, replace: bool = False) -> Restored:
    """Put the backup at `path` into the store, which must be empty unless it is to be replaced. `client` reads bytes.

    Service and workers have to be stopped: they remember what the store held. A key whose time was over by now is left
    out. Raises BackupRefused, with the store as it was; OSError, RedisError, likewise.
    """
    header, end = checked_header(path)
    if header.format_version > FORMAT_VERSION:
        raise BackupRefused(
            f"{path} has format {header.format_version}, and this program reads {FORMAT_VERSION} at most"
        )
    if header.schema_version > SCHEMA_VERSION:
        raise BackupRefused(f"{path} {newer(header.schema_version)}")
    _wait_for_rest(client)
    if not replace and _holds_anything(client):
        raise BackupRefused(_NOT_EMPTY)
    written = f"{scripts.PREFIX.rstrip(':')}-restore-{secrets.token_hex(8)}:"
    listing = f"{written[:-1]}-list"
    try:
        count = _write(client, path, written, listing)
        outcome = client.eval(
            _PUT_IN_PLACE,
            0,
            *(scripts.PREFIX, written, listing, _SWEEPER, str(header.schema_version), SCHEMA_KEY),
            *("1" if replace else "0", *PASSING),
        )
    finally:
        remove_all(client, written)
        client.unlink(listing)
    if outcome != b"done":
        raise BackupRefused(_AT_WORK if outcome == b"at work" else _NOT_EMPTY)
    return Restored(keys_count=count, expired_count=end.keys_count - count, made_at=header.made_at)


_AT_WORK = "a service or a worker uses this store; stop it first. Nothing has been changed"
_NOT_EMPTY = (
    "the store is not empty; --replace puts the backup in the place of all that it holds. Nothing has been changed"
)


def _wait_for_rest(client: Redis) -> None:
    """Every part that is at work sweeps, or sees that another one does; the key is gone two seconds after the last."""
    deadline = time.monotonic() + _PATIENCE_SECONDS
    while client.exists(_SWEEPER):
        if time.monotonic() > deadline:
            raise BackupRefused(_AT_WORK)
        time.sleep(0.1)


def _holds_anything(client: Redis) -> bool:
    for key in client.scan_iter(match=f"{scripts.PREFIX}*", count=1000):
        name = key.decode().removeprefix(scripts.PREFIX)
        if key.decode() != SCHEMA_KEY and not name.startswith(PASSING):
            return True
    return False


def _write(client: Redis, path: Path, written: str, listing: str) -> int:
    """Write the keys whose time is not over, and the list of their names; returns how many."""
    seconds, microseconds = client.time()
    now = datetime.fromtimestamp(seconds + microseconds / 1e6, UTC)
    name, kept, count = None, False, 0
    for piece in pieces(path):
        with client.pipeline(transaction=False) as pipe:
            if piece.key != name:
                name, kept = piece.key, piece.expires_at is None or piece.expires_at > now
                count += kept
                if kept:
                    pipe.hset(listing, name, _milliseconds(piece.expires_at))
                    pipe.expire(listing, LEFTOVER_SECONDS)
            if kept:
                _put(pipe, written + piece.key, piece)
                pipe.expire(written + piece.key, LEFTOVER_SECONDS)
            pipe.execute()
    return count


def _milliseconds(at: datetime | None) -> str:
    return "" if at is None else str((at - _EPOCH) // timedelta(milliseconds=1))


def _put(pipe: Any, key: str, piece: Piece) -> None:
    value: Any = piece.value
    if piece.kind == "string":
        pipe.set(key, unspell(value))
    elif piece.kind == "list":
        pipe.rpush(key, *map(unspell, value))
    elif piece.kind == "set":
        pipe.sadd(key, *map(unspell, value))
    elif piece.kind == "hash":
        pipe.hset(key, mapping={field: unspell(words) for field, words in value.items()})
    elif piece.kind == "zset":
        pipe.zadd(key, {unspell(member): score for member, score in value})
    else:
        for at, entry in value:
            pipe.xadd(key, {unspell(field): unspell(words) for field, words in entry}, id=at)
