"""What the HTTP service bears on this machine, while two workers search at full speed: part of `make bench`.

Everything is real and a process of its own: the private server, two workers, `python -m api.serve`; this process asks.
All of them share the machine's cores. Times are of this machine; told beside them is how fast the asking process is by
itself, against a server that does nothing.

    --only polling,readers,burst,memory     some of the sections
    --connections N                         that poll at once (default 32)
    --seconds N                             of polling (default 15)
    --readers N                             of one design's events (default 200)
    --posts N                               in the burst (default 500)
    --requests N                            that memory is watched over (default 100000)
"""

from __future__ import annotations

import argparse
import asyncio
import multiprocessing
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx

from api import examples
from api.launch import free_port
from tests.benchmarks.load_client import poll
from tests.benchmarks.scale import running, wait_until_ready
from worker.embedded import embedded_server
from worker.store import Store, connect

WORKERS = 2
#: A design that keeps both workers busy for longer than any of this takes.
ENDLESS: dict[str, Any] = examples.DESIGN | {"budget_trials_count": 1_000_000, "stop_after_still_rounds_count": None}
#: Until numbers settle, s.
SETTLING_S = 3.0


@dataclass(frozen=True)
class Bench:
    """The running whole."""

    url: str
    port: int
    api_id: int
    http: httpx.Client
    store: Store

    def trials_per_second(self, design_id: str, seconds: float) -> float:
        """How fast the search comes on."""
        before = self.store.get(design_id).progress.finished_trials_count
        time.sleep(seconds)
        return (self.store.get(design_id).progress.finished_trials_count - before) / seconds


@contextmanager
def service(workers: int) -> Iterator[Bench]:
    """A server, so many workers of one process each, and the API; a caller of this machine has no rate."""
    with ExitStack() as stack:
        folder = stack.enter_context(tempfile.TemporaryDirectory())
        url = stack.enter_context(embedded_server(Path(folder))).url
        port = free_port("127.0.0.1")
        words = ["-m", "api.serve", "--port", str(port)]
        settings = {"SHOTWRIGHT_STATE_FOLDER": folder}
        process = stack.enter_context(running(words, url, settings))
        http = stack.enter_context(
            httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=120.0, trust_env=False)
        )
        wait_until_ready(http)
        store = Store(connect(url))
        for _ in range(workers):
            stack.enter_context(running(["-m", "worker", "--concurrency", "1"], url, settings))
        while len(store.live_workers()) < workers:
            time.sleep(0.1)
        yield Bench(url, port, process.pid, http, store)


def running_design(bench: Bench) -> str:
    """A design that both workers are at."""
    design_id = str(bench.http.post("/v1/designs", json=ENDLESS).raise_for_status().json()["id"])
    while bench.store.get(design_id).progress.finished_trials_count < 20:
        time.sleep(0.1)
    return design_id


# ---- polling ---------------------------------------------------------------------------------------------------------


def print_polling(options: argparse.Namespace) -> None:
    """Requests a second of a running design with entity tags, and what they leave to the search."""
    print(f"\nPolling a running design with entity tags, {options.connections} connections")
    print(f"  against a server that does nothing: {_ceiling(options.connections)}")
    with service(WORKERS) as bench:
        design_id = running_design(bench)
        alone = bench.trials_per_second(design_id, options.seconds)
        before = bench.store.get(design_id).progress.finished_trials_count
        polled = asyncio.run(poll(bench.port, f"/v1/designs/{design_id}", options.connections, options.seconds))
        beside = (bench.store.get(design_id).progress.finished_trials_count - before) / options.seconds
        print(f"  beside {WORKERS} workers at work:          {polled.line()}")
        print(f"  the search does {beside:.0f} trials/s meanwhile, {beside / alone:.0%} of its {alone:.0f} when nobody asks")


def _ceiling(connections: int) -> str:
    """What the asking process sees of a server that answers without looking, in a process of its own."""
    context = multiprocessing.get_context("spawn")
    port = free_port("127.0.0.1")
    server = context.Process(target=answer_without_looking, args=(port,), daemon=True)
    server.start()
    try:
        while True:
            try:
                polled = asyncio.run(poll(port, "/", connections, SETTLING_S))
            except ConnectionRefusedError:
                time.sleep(0.05)
            else:
                return polled.line()
    finally:
        server.terminate()
        server.join()


class _Deaf(asyncio.Protocol):
    """Answers each request, which comes in one piece, by the same bytes."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def data_received(self, _: bytes) -> None:
        self._transport.write(b'HTTP/1.1 304 Not Modified\r\netag: "a"\r\n\r\n')


def answer_without_looking(port: int) -> None:
    """Serve for ever."""

    async def serve() -> None:
        server = await asyncio.get_running_loop().create_server(_Deaf, "127.0.0.1", port)
        await server.serve_forever()

    asyncio.run(serve())


SECTIONS = {"polling": print_polling}


def main() -> None:
    """Print all sections, or some."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", default=",".join(SECTIONS))
    parser.add_argument("--connections", type=int, default=32)
    parser.add_argument("--seconds", type=float, default=15.0)
    parser.add_argument("--readers", type=int, default=200)
    parser.add_argument("--posts", type=int, default=500)
    parser.add_argument("--requests", type=int, default=100_000)
    options = parser.parse_args()
    for name in options.only.split(","):
        SECTIONS[name](options)


if __name__ == "__main__":
    main()
