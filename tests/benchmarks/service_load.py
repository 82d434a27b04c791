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
import os
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import numpy as np

from api import examples
from api.launch import free_port
from tests.benchmarks.load_client import poll, read_events
from tests.benchmarks.scale import running, wait_until_ready
from worker.connection import connect
from worker.embedded import embedded_server
from worker.store import Store

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
        http = stack.enter_context(httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=120.0, trust_env=False))
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
        print(f"  the search does {beside:.0f} trials/s meanwhile, {beside / alone:.0%} of its {alone:.0f} by itself")


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


# ---- readers of events -----------------------------------------------------------------------------------------------


def print_readers(options: argparse.Namespace) -> None:
    """Many readers of one design's events at once: all see all of it, and how late."""
    print(f"\n{options.readers} readers of one running design's events, {options.seconds:.0f} s")
    with service(WORKERS) as bench:
        design_id = running_design(bench)
        readers = asyncio.run(
            read_events(bench.port, f"/v1/designs/{design_id}/events", options.readers, options.seconds)
        )
    # All but the last second, in which some may have been cut off before others.
    last = min(reader.ids[-1] for reader in readers if reader.ids)
    seen = {tuple(number for number in reader.ids if number <= last) for reader in readers}
    alike = len({ids[-min(map(len, seen)) :] for ids in seen}) == 1
    late_ms = np.concatenate([reader.late_ms for reader in readers])
    print(f"  readers served {sum(bool(reader.ids) for reader in readers)}, all see the same events in order: {alike}")
    print(
        f"  events each {min(map(len, seen))}; from the store to the reader: median {np.median(late_ms):.0f} ms, "
        f"99 % within {np.percentile(late_ms, 99):.0f} ms, last {late_ms.max():.0f} ms"
    )


# ---- a burst of posts ------------------------------------------------------------------------------------------------


def print_burst(options: argparse.Namespace) -> None:
    """So many designs at the same moment: each is accepted or refused, and none is lost."""
    print(f"\n{options.posts} POST /v1/designs at once")
    with service(0) as bench:
        answers, seconds = asyncio.run(_post_all(bench.port, options.posts))
        statuses = Counter(answer.status_code for answer in answers)
        accepted = {answer.json()["id"] for answer in answers if answer.status_code == 202}
        found = sum(_is_there(bench, design_id) for design_id in accepted)
        stored = len(_all_designs(bench))
    print(f"  answers {dict(statuses)} in {seconds:.1f} s ({len(answers) / seconds:.0f}/s)")
    print(f"  accepted {len(accepted)}, found again {found}, in the store {stored}")


async def _post_all(port: int, count: int) -> tuple[list[httpx.Response], float]:
    limits = httpx.Limits(max_connections=count)
    async with httpx.AsyncClient(
        base_url=f"http://127.0.0.1:{port}", limits=limits, timeout=300.0, trust_env=False
    ) as client:
        begun_s = time.perf_counter()
        bodies = [examples.DESIGN | {"seed": seed} for seed in range(count)]
        answers = await asyncio.gather(*(client.post("/v1/designs", json=body) for body in bodies))
        return list(answers), time.perf_counter() - begun_s


def _is_there(bench: Bench, design_id: str) -> bool:
    return bench.http.get(f"/v1/designs/{design_id}").status_code == 200


def _all_designs(bench: Bench) -> list[str]:
    found: list[str] = []
    cursor: str | None = None
    while True:
        page = bench.store.designs(100, cursor)
        found += [design.id for design in page.items]
        cursor = page.next_cursor
        if cursor is None:
            return found


# ---- memory ----------------------------------------------------------------------------------------------------------


def print_memory(options: argparse.Namespace) -> None:
    """Resident memory of the API process over very many requests."""
    print(f"\nMemory of the API over {options.requests} requests")
    with service(0) as bench:
        design_id = str(bench.http.post("/v1/designs", json=ENDLESS).raise_for_status().json()["id"])
        time.sleep(10.0 * SETTLING_S)  # kernels are loaded
        path, part = f"/v1/designs/{design_id}", max(options.requests // 10, options.connections)
        resident = []
        for _ in range(11):
            asyncio.run(poll(bench.port, path, options.connections, requests_each=part // options.connections))
            resident.append(_resident_mb(bench.api_id))
    growth = float(np.polyfit(np.arange(10.0), resident[1:], 1)[0])
    print(f"  {' '.join(f'{mb:.1f}' for mb in resident)} MB after each tenth, the first to warm up")
    print(f"  {1e6 * growth / part:+.0f} bytes a request")


def _resident_mb(process_id: int) -> float:
    pages = int(Path(f"/proc/{process_id}/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


SECTIONS = {"polling": print_polling, "readers": print_readers, "burst": print_burst, "memory": print_memory}


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
