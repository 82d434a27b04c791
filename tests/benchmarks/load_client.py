"""A client that costs little beside the service it asks: connections that stay open, requests spelled beforehand.

Each connection asks again as soon as it is answered, with the entity tag that it was given last.
"""

from __future__ import annotations

import asyncio
import time
from collections import Counter
from dataclasses import dataclass, field

import numpy as np


@dataclass
class Polled:
    """What a number of connections saw."""

    seconds: float = 0.0
    statuses: Counter[int] = field(default_factory=Counter)
    waits_s: list[float] = field(default_factory=list)
    cut_count: int = 0

    @property
    def per_second(self) -> float:
        """Answers a second."""
        return len(self.waits_s) / self.seconds

    def wait_ms(self, percent: float) -> float:
        """How long an answer took, of so many percent of them at most."""
        return float(np.percentile(self.waits_s, percent)) * 1e3

    def line(self) -> str:
        """The figures in words."""
        share = self.statuses[304] / max(1, len(self.waits_s))
        others = {status: count for status, count in self.statuses.items() if status not in (200, 304)}
        odd = f"; other answers {others}" if others else ""
        cut = f"; {self.cut_count} connections were cut" if self.cut_count else ""
        return (
            f"{self.per_second:6.0f} requests/s, median {self.wait_ms(50):.1f} ms, 99 % within "
            f"{self.wait_ms(99):.1f} ms, {share:.0%} answered by 304{odd}{cut}"
        )


class Poller(asyncio.Protocol):
    """One connection."""

    def __init__(self, host: str, path: str, polled: Polled, until_s: float, most: int | None) -> None:
        self._start = f"GET {path} HTTP/1.1\r\nHost: {host}\r\n".encode()
        self._request = self._start + b"\r\n"
        self._polled = polled
        self._until_s = until_s
        self._left = most
        self._seen = b""
        self._asked_s = 0.0
        self.done: asyncio.Future[None] = asyncio.get_running_loop().create_future()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Ask for the first time."""
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._ask()

    def data_received(self, data: bytes) -> None:
        """Take what has arrived, and ask again once the answer is whole."""
        self._seen = self._seen + data if self._seen else data
        end = self._seen.find(b"\r\n\r\n")
        if end < 0:
            return
        head = self._seen[:end].lower()
        status = int(head[9:12])
        if status != 304 and len(self._seen) < end + 4 + int(_value(head, b"content-length")):
            return
        now = time.perf_counter()
        self._polled.waits_s.append(now - self._asked_s)
        self._polled.statuses[status] += 1
        self._seen = b""
        if status == 200:
            self._request = self._start + b"If-None-Match: " + _value(head, b"etag") + b"\r\n\r\n"
        if self._left is not None:
            self._left -= 1
        if now >= self._until_s or self._left == 0:
            self._end()
            self._transport.close()
        else:
            self._ask()

    def connection_lost(self, _: Exception | None) -> None:
        """An answer that has not come by now never will."""
        if not self.done.done():
            self._polled.cut_count += 1
            self._end()

    def _ask(self) -> None:
        self._asked_s = time.perf_counter()
        self._transport.write(self._request)

    def _end(self) -> None:
        self.done.set_result(None)


def _value(head: bytes, name: bytes) -> bytes:
    """A header's value in a head of lower case; empty, or 0 for a length, when it is not there."""
    begin = head.find(b"\r\n" + name + b": ")
    if begin < 0:
        return b"0"
    begin += len(name) + 4
    end = head.find(b"\r\n", begin)
    return head[begin : len(head) if end < 0 else end]


async def poll(
    port: int, path: str, connections: int, seconds: float = 1e9, requests_each: int | None = None
) -> Polled:
    """Ask 127.0.0.1 for so long, or so many times a connection."""
    polled, begun_s = Polled(), time.perf_counter()
    pollers = []
    for _ in range(connections):
        _, poller = await asyncio.get_running_loop().create_connection(
            lambda: Poller(f"127.0.0.1:{port}", path, polled, begun_s + seconds, requests_each), "127.0.0.1", port
        )
        pollers.append(poller)
    await asyncio.gather(*(poller.done for poller in pollers))
    polled.seconds = time.perf_counter() - begun_s
    return polled


@dataclass
class Reader:
    """One reader of events: their numbers in order, and how long after they were written each arrived."""

    ids: list[tuple[int, int]] = field(default_factory=list)
    late_ms: list[float] = field(default_factory=list)


async def read_events(port: int, path: str, count: int, seconds: float) -> list[Reader]:
    """So many readers of an event stream of 127.0.0.1 at once, for so long."""
    readers = [Reader() for _ in range(count)]
    await asyncio.gather(*(_read(port, path, reader, seconds) for reader in readers))
    return readers


async def _read(port: int, path: str, reader: Reader, seconds: float) -> None:
    stream, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nAccept: text/event-stream\r\n\r\n".encode())
    begun_ms, until_s = time.time() * 1e3, time.perf_counter() + seconds
    while (left_s := until_s - time.perf_counter()) > 0.0:
        try:
            line = await asyncio.wait_for(stream.readline(), left_s)
        except TimeoutError:
            break
        if line.startswith(b"id:"):
            milliseconds, _, number = line[3:].strip().partition(b"-")
            reader.ids.append((int(milliseconds), int(number)))
            if int(milliseconds) > begun_ms + 2000.0:  # what was written before is history
                reader.late_ms.append(time.time() * 1e3 - int(milliseconds))
    writer.close()
