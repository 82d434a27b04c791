"""Benches on a real server: what must hold when several write at once."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest
from redis import Redis

from api import examples
from worker.bench import BenchDescription
from worker.bench_store import BenchStore
from worker.errors import BenchChanged, BenchGone, CursorInvalid

BENCH = BenchDescription.model_validate(examples.BENCH)


@pytest.fixture
def benches(client: Redis) -> BenchStore:
    return BenchStore(client)


def noted(words: str) -> BenchDescription:
    return BENCH.model_copy(update={"notes": words})


def test_of_many_changes_at_once_one_is_made(benches: BenchStore) -> None:
    """Twenty that read revision 1 and change it at once: one becomes revision 2, the others are late."""
    bench_id = benches.create(BENCH).id

    def change(number: int) -> int | None:
        try:
            return benches.revise(bench_id, 1, noted(str(number))).revision
        except BenchChanged:
            return None

    with ThreadPoolExecutor(20) as pool:
        found = list(pool.map(change, range(20)))
    assert [number for number in found if number is not None] == [2]
    assert benches.get(bench_id).bench.notes == str(found.index(2))
    assert benches.get(bench_id, 1).bench == BENCH


def test_same_key_at_once_makes_one_bench(benches: BenchStore) -> None:
    """Twenty parallel posts with one key make one bench."""
    with ThreadPoolExecutor(20) as pool:
        found = list(pool.map(lambda _: benches.create(BENCH, "key").id, range(20)))
    assert len(set(found)) == 1
    assert len(benches.page().items) == 1


def test_benches_do_not_expire(benches: BenchStore, client: Redis) -> None:
    """Nothing of a bench has a time to live; after it was deleted only the tombstone is left, which has."""
    bench_id = benches.create(BENCH).id
    benches.revise(bench_id, 1, noted("later"))
    assert all(client.ttl(key) == -1 for key in client.keys("shotwright:bench*"))
    benches.delete(bench_id)
    assert client.keys("shotwright:*") == [f"shotwright:tombstone:bench:{bench_id}"]
    assert client.ttl(f"shotwright:tombstone:bench:{bench_id}") > 0
    with pytest.raises(BenchGone):
        benches.revise(bench_id, 2, BENCH)


def test_cursor_of_another_list_is_refused(benches: BenchStore) -> None:
    """A cursor belongs to the list that gave it out."""
    for _ in range(2):
        benches.create(BENCH)
    cursor = benches.page(1).next_cursor
    assert cursor is not None
    with pytest.raises(CursorInvalid):
        benches.revisions(benches.page().items[0].id, 1, cursor)
