"""One read for all who ask for the same thing at the same time."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

from anyio import to_thread

Result = TypeVar("Result")


class SharedReads(Generic[Result]):
    """Whoever asks while a read is under way shares the next one with all others who do.

    A read never began before the request that it answers, so nobody is told less than what was so when they asked.
    """

    def __init__(self) -> None:
        self._awaited: dict[Hashable, asyncio.Future[Result]] = {}
        self._readers: dict[Hashable, asyncio.Task[None]] = {}

    async def read(self, key: Hashable, make: Callable[[], Result]) -> Result:
        """What `make`, run in a thread, returns or raises; `make` must be the same for the same key."""
        awaited = self._awaited.get(key)
        if awaited is None:
            awaited = self._awaited[key] = asyncio.get_running_loop().create_future()
        if key not in self._readers:
            self._readers[key] = asyncio.create_task(self._go_on(key, make))
        return await asyncio.shield(awaited)

    async def _go_on(self, key: Hashable, make: Callable[[], Result]) -> None:
        """Read until nobody waits."""
        while (awaited := self._awaited.pop(key, None)) is not None:
            try:
                result = await to_thread.run_sync(make)
            except Exception as problem:  # noqa: BLE001 - whatever it is, those who wait are told
                awaited.set_exception(problem)
                # It is told to those who wait; should all have gone, it is nobody's.
                awaited.exception()
            else:
                awaited.set_result(result)
        del self._readers[key]
