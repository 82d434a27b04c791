"""Many readers of a job's events, one reader of its stream.

A feed is one task that waits for a job's next events and hands each, spelled once, to every listener. It lives as
long as it has listeners, and outlives a store that is away for a while.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import Enum

from redis.exceptions import RedisError

from worker.errors import StoreError
from worker.events import Event, EventLog

log = logging.getLogger("shotwright.api")

#: Events that may wait for a listener who does not fetch them; then it is let go.
MOST_WAITING = 256
#: Pause before a store that is away is asked again, s.
RETRY_S = 1.0


class Farewell(Enum):
    """Why a listener gets no more; each comes back with the id of its last event."""

    TOO_SLOW = "too slow; come back with the last id"
    STOPPING = "the service is stopping; come back with the last id"
    NOTHING_MORE = "nothing more can be read; the job is gone, or failed to be read"


@dataclass(frozen=True)
class Spelled:
    """An event as it is sent."""

    event: Event
    text: bytes


Item = Spelled | Farewell


class Listener:
    """What waits for one reader."""

    def __init__(self) -> None:
        self._waiting: asyncio.Queue[Item] = asyncio.Queue()
        self.released = False

    async def next(self, patience_s: float) -> Item | None:
        """The next event or farewell, or None when there is none in time."""
        try:
            return await asyncio.wait_for(self._waiting.get(), patience_s)
        except TimeoutError:
            return None

    def hand(self, item: Item) -> None:
        """Let it wait; whoever has left too many lying gets a farewell in their place."""
        if self._waiting.qsize() >= MOST_WAITING:
            self.release(Farewell.TOO_SLOW)
        if not self.released:
            self._waiting.put_nowait(item)

    def release(self, farewell: Farewell) -> None:
        """Drop what waits and say farewell."""
        if not self.released:
            self._waiting = _with_only(farewell, self._waiting)
            self.released = True


def _with_only(item: Item, queue: asyncio.Queue[Item]) -> asyncio.Queue[Item]:
    """The same queue, whose waiting reader is woken, with nothing else in it."""
    while not queue.empty():
        queue.get_nowait()
    queue.put_nowait(item)
    return queue


class Feeds:
    """All feeds of a process."""

    def __init__(self, events: EventLog, spell: Callable[[str, Event], bytes]) -> None:
        self.events = events
        self.spell = spell
        self._listeners: dict[str, set[Listener]] = {}
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._stopping = False

    @contextmanager
    def joined(self, job_id: str, event_id: str) -> Iterator[Listener]:
        """A listener who gets every event that is written from now on, and perhaps some since `event_id`."""
        listener = Listener()
        listeners = self._listeners.setdefault(job_id, set())
        listeners.add(listener)
        if self._stopping:
            listener.release(Farewell.STOPPING)
        elif job_id not in self._tasks:
            self._tasks[job_id] = asyncio.create_task(self._run(job_id, event_id))
        try:
            yield listener
        finally:
            listeners.discard(listener)
            if not listeners:
                self._end(job_id)

    def say_stopping(self) -> None:
        """Say farewell to all listeners, also to those who join later, so that their answers end."""
        self._stopping = True
        for listeners in self._listeners.values():
            for listener in listeners:
                listener.release(Farewell.STOPPING)

    async def close(self) -> None:
        """End all tasks and connections."""
        tasks = list(self._tasks.values())
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await self.events.close()

    def _end(self, job_id: str) -> None:
        self._listeners.pop(job_id, None)
        task = self._tasks.pop(job_id, None)
        if task is not None:
            task.cancel()

    async def _run(self, job_id: str, event_id: str) -> None:
        try:
            await self._follow(job_id, event_id)
        except StoreError as problem:
            log.info("events end: %s", problem)
        except Exception:
            log.exception("the events of %s cannot be read", job_id)
        self._tasks.pop(job_id, None)
        for listener in self._listeners.get(job_id, ()):
            listener.release(Farewell.NOTHING_MORE)

    async def _follow(self, job_id: str, event_id: str) -> None:
        away = False
        while True:
            try:
                for event in await self.events.wait(job_id, event_id):
                    self._hand_out(job_id, Spelled(event, self.spell(job_id, event)))
                    event_id = event.id
                away = False
            except RedisError as problem:
                if not away:
                    log.warning("events of %s wait for the store: %s", job_id, problem)
                away = True
                await asyncio.sleep(RETRY_S)

    def _hand_out(self, job_id: str, item: Spelled) -> None:
        for listener in self._listeners.get(job_id, ()):
            listener.hand(item)
