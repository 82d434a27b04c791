"""One read for all who ask at once, and none that began before somebody asked."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Coroutine
from typing import Any

import pytest

from api.shared_reads import SharedReads


class Source:
    """What is read: a number that goes up, slowly enough for others to ask meanwhile."""

    def __init__(self) -> None:
        self.value, self.reads = 0, 0
        self.begun, self.go_on = threading.Event(), threading.Event()

    def read(self) -> int:
        self.reads += 1
        found = self.value
        self.begun.set()
        assert self.go_on.wait(10.0)
        return found


def run(test: Coroutine[Any, Any, None]) -> None:
    asyncio.run(asyncio.wait_for(test, 20.0))


def test_those_who_ask_meanwhile_share_the_next_read() -> None:
    """A hundred ask while the first read is under way: two reads in all, and they see what was written meanwhile."""

    async def test() -> None:
        source, reads = Source(), SharedReads[int]()
        first = asyncio.create_task(reads.read("a", source.read))
        await asyncio.to_thread(source.begun.wait, 10.0)
        source.value = 1
        others = [asyncio.create_task(reads.read("a", source.read)) for _ in range(100)]
        await asyncio.sleep(0.05)
        source.go_on.set()
        assert await first == 0
        assert await asyncio.gather(*others) == [1] * 100
        assert source.reads == 2
        assert await reads.read("a", source.read) == 1
        assert source.reads == 3

    run(test())


def test_different_things_are_read_apart() -> None:
    """Each key has a read of its own."""

    async def test() -> None:
        source, reads = Source(), SharedReads[int]()
        source.go_on.set()
        assert await asyncio.gather(*(reads.read(key, source.read) for key in "abc")) == [0, 0, 0]
        assert source.reads == 3

    run(test())


def test_a_failed_read_is_told_to_all_and_the_next_one_works() -> None:
    """Nobody waits for ever, also when the one who asked first has gone."""

    async def test() -> None:
        reads, tries = SharedReads[int](), list[int]()

        def read() -> int:
            tries.append(1)
            if len(tries) == 1:
                raise LookupError("gone")
            return 7

        gone = asyncio.create_task(reads.read("a", read))
        other = asyncio.create_task(reads.read("a", read))
        await asyncio.sleep(0)
        gone.cancel()
        with pytest.raises(LookupError):
            await other
        assert await reads.read("a", read) == 7

    run(test())
