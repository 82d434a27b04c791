"""The layout's version on a real server: stamped, migrated, refused; and servers that would throw results away."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import cast

import pytest
from redis import Redis

from worker.errors import StoreUnfit
from worker.fitness import fault_of, prepare
from worker.migrations import SCHEMA_KEY, SCHEMA_VERSION, migrate, stored_version


def _rename(client: Redis) -> None:
    if client.exists("t:old"):
        client.rename("t:old", "t:new")


def _double(client: Redis) -> None:
    client.incrby("t:count", int(client.get("t:new") or 0))


def test_empty_store_is_stamped(client: Redis) -> None:
    """The first start writes the version, the second changes nothing."""
    assert stored_version(client) is None
    prepare(client)
    assert stored_version(client) == SCHEMA_VERSION
    assert migrate(client) == 0
    assert client.keys("*") == [SCHEMA_KEY]


def test_older_store_is_migrated_step_by_step(client: Redis) -> None:
    """A store of version 1 goes through all steps in order, one of version 2 through the last one only."""
    client.set("t:old", 5)
    assert migrate(client, (_rename, _double)) == 2
    assert (client.get("t:new"), client.get("t:count"), stored_version(client)) == ("5", "5", 3)
    client.set(SCHEMA_KEY, 2)
    assert migrate(client, (_rename, _double)) == 1
    assert client.get("t:count") == "10"


def test_broken_off_migration_goes_on_where_it_was(client: Redis) -> None:
    """After a step that failed, the next start repeats that step and not the one before it."""

    def fail(_: Redis) -> None:
        raise ConnectionError("the server went away")

    with pytest.raises(ConnectionError):
        migrate(client, (_double, fail))
    assert stored_version(client) == 2
    client.set("t:new", 1)
    assert migrate(client, (_double, _rename)) == 1
    assert client.get("t:count") == "0"


def test_many_starts_at_once_migrate_once(client: Redis) -> None:
    """Of eight parts that start together, one runs the step and all end at the new version."""

    def slow(found: Redis) -> None:
        found.incr("t:runs")

    with ThreadPoolExecutor(8) as pool:
        counts = list(pool.map(lambda _: migrate(client, (slow,)), range(8)))
    assert sorted(counts) == [0] * 7 + [1]
    assert client.get("t:runs") == "1"


def test_newer_store_is_refused(client: Redis) -> None:
    """A store of a later layout is left alone, with both versions and the way out named."""
    client.set(SCHEMA_KEY, SCHEMA_VERSION + 1)
    with pytest.raises(StoreUnfit, match=f"version {SCHEMA_VERSION + 1}.*up to {SCHEMA_VERSION}"):
        prepare(client)
    assert "use the release that wrote it" in cast("str", fault_of(client))
    assert stored_version(client) == SCHEMA_VERSION + 1


@pytest.mark.parametrize("policy", ["allkeys-lru", "volatile-ttl"])
def test_evicting_server_is_refused(client: Redis, policy: str) -> None:
    """A limit of memory with a policy to evict is refused at the start and seen while running."""
    client.config_set("maxmemory-policy", policy)
    try:
        prepare(client)
        assert fault_of(client) is None
        client.config_set("maxmemory", 500_000_000)
        with pytest.raises(StoreUnfit, match=f"{policy}.*noeviction"):
            prepare(client)
        assert policy in cast("str", fault_of(client))
    finally:
        client.config_set("maxmemory", 0)
        client.config_set("maxmemory-policy", "noeviction")
