"""Whether a server is fit to keep designs: it must not throw anything away, and its layout must be one we know."""

from __future__ import annotations

from typing import cast

from redis import Redis

from worker.errors import StoreUnfit
from worker.migrations import SCHEMA_VERSION, migrate, newer, stored_version


def prepare(client: Redis) -> None:
    """For a part that starts: refuse a server that is not fit, migrate an older store, stamp a new one.

    Raises StoreUnfit; redis.exceptions.RedisError when the server does not answer.
    """
    problem = _evicting(client)
    if problem is not None:
        raise StoreUnfit(problem)
    migrate(client)


def fault_of(client: Redis) -> str | None:
    """What makes the server unfit at the moment, or None. For a part that runs; it changes nothing."""
    problem = _evicting(client) or _not_writing(client)
    if problem is not None:
        return problem
    version = stored_version(client) or 1
    if version > SCHEMA_VERSION:
        return f"the store {newer(version)}"
    if version < SCHEMA_VERSION:
        return f"the store has schema version {version}; start the service again to bring it to {SCHEMA_VERSION}"
    return None


def _evicting(client: Redis) -> str | None:
    """A server with a limit of memory and a policy to evict would drop results, or half a design, without a word.

    INFO is asked, since managed servers often refuse CONFIG. Without a limit no policy is ever applied.
    """
    memory = cast("dict[str, object]", client.info("memory"))
    policy, limit = str(memory.get("maxmemory_policy", "noeviction")), memory.get("maxmemory", 0)
    if limit == 0 or policy == "noeviction":
        return None
    return (
        f"the server evicts keys when its memory is full (maxmemory-policy {policy}), which would lose results before "
        "their time; set it to noeviction (CONFIG SET maxmemory-policy noeviction, and in its configuration)"
    )


def _not_writing(client: Redis) -> str | None:
    """A server that cannot write what it is told to keep refuses to be told more; reading goes on."""
    persistence = cast("dict[str, object]", client.info("persistence"))
    if persistence.get("aof_enabled") == 1 and persistence.get("aof_last_write_status", "ok") != "ok":
        return "the server cannot write its append-only file, so it takes nothing new; is its disk full?"
    return None
