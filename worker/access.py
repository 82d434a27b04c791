"""Access keys and rates, in Redis: who may do what, and how often.

Its keys under the common prefix, which nothing else touches:

===============  ======  ==========================================================================
``key:{id}``     hash    name, scope, SHA-256 of the secret, when made, when last used
``keys``         zset    ids of all access keys, by the time they were made
``rate:{who}``   hash    tokens left and when they were counted; gone when the bucket is full again
===============  ======  ==========================================================================

A key is ``sw_<id>_<secret>``. The secret is 256 random bits, so a plain SHA-256 keeps it safe at rest: a slow hash is
for passwords, which can be guessed; here there are 2^256 values to try, and each request would pay for it.
"""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal, cast, get_args

from redis import Redis
from redis.asyncio import BlockingConnectionPool
from redis.asyncio import Redis as AsyncRedis
from redis.asyncio.retry import Retry
from redis.backoff import NoBackoff

from worker import scripts

#: Each includes the ones before it.
Scope = Literal["read", "submit", "admin"]
SCOPES: tuple[Scope, ...] = get_args(Scope)

_KEY = re.compile(r"sw_([0-9a-f]{12})_([0-9a-f]{64})")
_LIST = f"{scripts.PREFIX}keys"
MOST_NAME_CHARACTERS = 120
#: Connections of one API process to the server for this.
MOST_CONNECTIONS = 32

#: ARGV key id or '', SHA-256 of its secret, the caller's address, most tokens, tokens a second (0: no limit).
#: Returns {scope or '' when the key is not known, 1 when a token was there, tokens left, seconds until the next one (or
#: until the bucket is full, when one was there)}.
_ADMIT = r"""
local P = 'shotwright:'
local clock = redis.call('TIME')
local now = tonumber(clock[1]) + tonumber(clock[2]) / 1e6
local scope, who = '', 'address:' .. ARGV[3]
if ARGV[1] ~= '' then
  local row = redis.call('HMGET', P .. 'key:' .. ARGV[1], 'digest', 'scope')
  if row[1] == ARGV[2] then
    scope, who = row[2], 'key:' .. ARGV[1]
    redis.call('HSET', P .. 'key:' .. ARGV[1], 'used_at', string.format('%.0f', now))
  end
end
local most, rate = tonumber(ARGV[4]), tonumber(ARGV[5])
if rate == 0 then return {scope, 1, most, '0'} end
local bucket = P .. 'rate:' .. who
local row = redis.call('HMGET', bucket, 'tokens', 'at')
local tokens = math.min(most, tonumber(row[1] or most) + math.max(0, now - tonumber(row[2] or now)) * rate)
local there = tokens >= 1
if there then tokens = tokens - 1 end
redis.call('HSET', bucket, 'tokens', string.format('%.6f', tokens), 'at', string.format('%.6f', now))
redis.call('EXPIRE', bucket, math.ceil(most / rate) + 1)
local wait = there and (most - tokens) / rate or (1 - tokens) / rate
return {scope, there and 1 or 0, math.floor(tokens), string.format('%.3f', wait)}
"""


@dataclass(frozen=True)
class AccessKey:
    """What is kept of a key; its secret is not."""

    id: str
    name: str
    scope: Scope
    created_at: datetime
    used_at: datetime | None


@dataclass(frozen=True)
class Admission:
    """What a request may do: the key's id and scope (none without a known key), and how its rate stands."""

    key_id: str | None
    scope: Scope | None
    within_rate: bool
    left_count: int
    wait_s: float


def includes(held: Scope | None, needed: Scope) -> bool:
    """Whether a scope allows what another one does."""
    return held is not None and SCOPES.index(held) >= SCOPES.index(needed)


class Keyring:
    """Makes, lists and revokes keys, for commands. `client` reads text."""

    def __init__(self, client: Redis) -> None:
        self._redis = client

    def create(self, name: str, scope: Scope) -> str:
        """A new key, in full, which is seen this once only. Raises ValueError for a name that is empty or too long."""
        if not 0 < len(name.strip()) <= MOST_NAME_CHARACTERS:
            raise ValueError(f"the name {name[:60]!r} must have 1 to {MOST_NAME_CHARACTERS} characters")
        key_id, secret = secrets.token_hex(6), secrets.token_hex(32)
        now = datetime.now(UTC).timestamp()
        row: dict[Any, Any] = {
            "name": name.strip(),
            "scope": scope,
            "digest": _digest(secret),
            "created_at": f"{now:.3f}",
        }
        with self._redis.pipeline(transaction=True) as pipe:
            pipe.hset(_row(key_id), mapping=row)
            pipe.zadd(_LIST, {key_id: now})
            pipe.execute()
        return f"sw_{key_id}_{secret}"

    def all(self) -> list[AccessKey]:
        """Every key, oldest first."""
        found = cast("list[str]", self._redis.zrange(_LIST, 0, -1))
        rows = ((key_id, cast("dict[str, str]", self._redis.hgetall(_row(key_id)))) for key_id in found)
        return [_read(key_id, row) for key_id, row in rows if row]

    def revoke(self, key_id: str) -> bool:
        """Make a key void at once; False when there is none of that id."""
        with self._redis.pipeline(transaction=True) as pipe:
            pipe.delete(_row(key_id))
            pipe.zrem(_LIST, key_id)
            return bool(pipe.execute()[0])


class Gate:
    """Looks at each request, for the service: one script, so that any number of processes count together."""

    def __init__(self, url: str, per_minute_count: int) -> None:
        pool = BlockingConnectionPool.from_url(
            url,
            max_connections=MOST_CONNECTIONS,
            timeout=2.0,
            decode_responses=True,
            socket_timeout=2.0,
            socket_connect_timeout=1.0,
            retry=Retry(NoBackoff(), 1),
        )
        self._redis = AsyncRedis(connection_pool=pool)
        self._admit = self._redis.register_script(_ADMIT)
        self.per_minute_count = per_minute_count

    async def admit(self, key: str | None, address: str) -> Admission:
        """Look the key up and take a token from its bucket, or from the address's when it is not known.

        Raises redis.exceptions.RedisError.
        """
        known = _KEY.fullmatch(key or "")
        key_id, digest = (known[1], _digest(known[2])) if known else ("", "")
        words = [key_id, digest, address, self.per_minute_count, self.per_minute_count / 60]
        scope, there, left, wait = cast("tuple[Any, ...]", await self._admit(args=words))
        return Admission(key_id if scope else None, scope or None, there == 1, int(left), float(wait))

    async def close(self) -> None:
        """Let the connections go."""
        await self._redis.aclose()
        await self._redis.connection_pool.disconnect()


def _row(key_id: str) -> str:
    return f"{scripts.PREFIX}key:{key_id}"


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def _read(key_id: str, row: Mapping[str, str]) -> AccessKey:
    used = row.get("used_at")
    return AccessKey(
        id=key_id,
        name=row["name"],
        scope=cast("Scope", row["scope"]),
        created_at=datetime.fromtimestamp(float(row["created_at"]), UTC),
        used_at=datetime.fromtimestamp(float(used), UTC) if used else None,
    )
