"""Access keys and rates on a real server."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

import pytest
from redis import Redis

from api.examples import SWEEP
from tests.worker.samples import request
from worker.access import Admission, Gate, Keyring, includes
from worker.bench_store import BenchStore
from worker.errors import TooManyOpenJobs
from worker.records import Ending
from worker.shot_list import BenchesOnce, ShotListRequest, shots_of
from worker.store import Store


def admissions(
    url: str, per_minute: int, act: Callable[[Gate], Coroutine[Any, Any, list[Admission]]]
) -> list[Admission]:
    """What a gate of its own answers."""

    async def run() -> list[Admission]:
        gate = Gate(url, per_minute)
        try:
            return await act(gate)
        finally:
            await gate.close()

    return asyncio.run(run())


def admit(url: str, key: str | None) -> Admission:
    """One look at the gate."""

    async def act(gate: Gate) -> list[Admission]:
        return [await gate.admit(key, "10.0.0.1")]

    return admissions(url, 60, act)[0]


def test_key_is_known_until_it_is_revoked(client: Redis, redis_url: str) -> None:
    """A key opens the gate with its scope, is listed with its last use, and is void once revoked."""
    keyring = Keyring(client)
    key = keyring.create("bench-pc", "submit")
    (listed,) = keyring.all()
    assert (listed.name, listed.scope, listed.used_at) == ("bench-pc", "submit", None)
    found = admit(redis_url, key)
    assert (found.key_id, found.scope) == (listed.id, "submit")
    assert keyring.all()[0].used_at is not None
    assert keyring.revoke(listed.id)
    assert not keyring.revoke(listed.id)
    assert admit(redis_url, key).scope is None
    assert keyring.all() == []


def test_secret_is_nowhere_in_the_store(client: Redis) -> None:
    """Only a digest is kept: nothing in the store holds the secret."""
    secret = Keyring(client).create("bench-pc", "read").rpartition("_")[2]
    rows = [client.hgetall(key) for key in client.scan_iter(match="*key:*")]
    assert len(rows) == 1
    assert secret not in str(rows)


@pytest.mark.parametrize("spoil", ["", "sw_", "nonsense", "sw_000000000000_" + "0" * 64, "other secret", "upper"])
def test_wrong_key_is_not_known(client: Redis, redis_url: str, spoil: str) -> None:
    """A key of another form, id or secret opens nothing."""
    key = Keyring(client).create("bench-pc", "admin")
    spoilt = {"other secret": key[:-1] + ("0" if key[-1] != "0" else "1"), "upper": key.upper()}.get(spoil, spoil)
    found = admit(redis_url, spoilt)
    assert (found.key_id, found.scope) == (None, None)


@pytest.mark.parametrize("name", ["", "   ", "x" * 121])
def test_key_needs_a_name(client: Redis, name: str) -> None:
    """A key without a name, or with one too long, is not made."""
    with pytest.raises(ValueError, match="1 to 120 characters"):
        Keyring(client).create(name, "read")


def test_scopes_include_the_lesser_ones() -> None:
    """Admin may all, submit may read, read may no more, and no key may nothing."""
    assert includes("admin", "submit")
    assert includes("submit", "read")
    assert includes("read", "read")
    assert not includes("read", "submit")
    assert not includes("submit", "admin")
    assert not includes(None, "read")


def test_bucket_gives_what_it_holds_and_no_more(client: Redis, redis_url: str) -> None:
    """Of many requests at once through two gates, as many pass as the bucket holds, and the rest are told to wait."""
    assert client.dbsize() == 0

    async def act(gate: Gate) -> list[Admission]:
        other = Gate(redis_url, 60)
        found = await asyncio.gather(*((gate, other)[n % 2].admit(None, "10.0.0.1") for n in range(90)))
        await other.close()
        return list(found)

    found = admissions(redis_url, 60, act)
    passed = [one for one in found if one.within_rate]
    assert 60 <= len(passed) <= 65  # one more a second, while this runs
    assert min(one.left_count for one in passed) == 0
    assert all(0 < one.wait_s <= 1.0 for one in found if not one.within_rate)


def test_callers_have_buckets_of_their_own(client: Redis, redis_url: str) -> None:
    """What one address takes is not taken from another, nor from a key at the same address."""
    key = Keyring(client).create("bench-pc", "read")

    async def act(gate: Gate) -> list[Admission]:
        for _ in range(3):
            await gate.admit(None, "10.0.0.1")
        return [await gate.admit(who, address) for who, address in ((None, "10.0.0.2"), (key, "10.0.0.1"))]

    assert [one.left_count for one in admissions(redis_url, 600, act)] == [599, 599]


def test_wrong_key_takes_from_its_address(client: Redis, redis_url: str) -> None:
    """Guessing with somebody's id does not empty that key's bucket."""
    key = Keyring(client).create("bench-pc", "read")
    wrong = key[:-4] + "0000"

    async def act(gate: Gate) -> list[Admission]:
        return [await gate.admit(who, "10.0.0.1") for who in (wrong, wrong, wrong, key)]

    assert [one.left_count for one in admissions(redis_url, 600, act)] == [599, 598, 597, 599]


def test_bucket_fills_again_and_is_forgotten(client: Redis, redis_url: str) -> None:
    """Tokens come back with time, and a bucket has a life of about as long as it takes to fill."""

    async def act(gate: Gate) -> list[Admission]:
        first = [await gate.admit(None, "10.0.0.1") for _ in range(3)]
        await asyncio.sleep(0.2)
        return [*first, await gate.admit(None, "10.0.0.1")]

    found = admissions(redis_url, 6000, act)
    assert found[-1].left_count == 5999
    assert 0 < client.ttl("shotwright:rate:address:10.0.0.1") <= 61


def test_no_limit_writes_nothing(client: Redis, redis_url: str) -> None:
    """A rate of 0 lets all pass without a bucket."""

    async def act(gate: Gate) -> list[Admission]:
        return [await gate.admit(None, "10.0.0.1") for _ in range(5)]

    assert all(one.within_rate for one in admissions(redis_url, 0, act))
    assert client.dbsize() == 0


def test_owner_has_only_so_many_open_jobs(client: Redis) -> None:
    """An owner's further design is refused until one has ended; others, and designs without owner, are not affected."""
    store = Store(client, open_jobs_limit=2)
    first, _ = (store.create(request(), owner="a").design_id for _ in range(2))
    with pytest.raises(TooManyOpenJobs):
        store.create(request(), owner="a")
    assert len(store.designs().items) == 2
    store.create(request(), owner="b")
    for _ in range(3):
        store.create(request())
    store.cancel(first)
    lease = store.lease(store.closing_of(first))
    assert lease is not None
    end = Ending(front_numbers=[], recommended=None, limiting=None, ended_because="cancelled", state="cancelled")
    store.close(lease, end, [])
    store.create(request(), owner="a")
    with pytest.raises(TooManyOpenJobs):
        store.create(request(), owner="a")


def test_repeated_post_is_not_counted_twice(client: Redis) -> None:
    """The same idempotency key gives the same design, also when its owner may open no more."""
    store = Store(client, open_jobs_limit=1)
    first = store.create(request(), "k", "a")
    assert store.create(request(), "k", "a").design_id == first.design_id


def test_lists_of_shots_count_among_open_jobs(client: Redis) -> None:
    """A list takes the place of a design until it has ended, and the other way round."""
    store = Store(client, open_jobs_limit=1)
    asked = ShotListRequest.model_validate(SWEEP)
    shots = shots_of(asked, BenchesOnce(BenchStore(client).named))
    first, _ = store.shot_lists.create(asked, shots, "k", owner="a")
    assert store.shot_lists.create(asked, shots, "k", owner="a") == (first, False)
    with pytest.raises(TooManyOpenJobs):
        store.shot_lists.create(asked, shots, owner="a")
    with pytest.raises(TooManyOpenJobs):
        store.create(request(), owner="a")
    assert store.shot_lists.cancel(first).ended
    design = store.create(request(), owner="a").design_id
    with pytest.raises(TooManyOpenJobs):
        store.shot_lists.create(asked, shots, owner="a")
    assert [found.id for found in store.shot_lists.page().items] == [first]
    assert store.get(design).state == "queued"
