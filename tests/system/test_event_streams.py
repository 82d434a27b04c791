"""Streams of events from a real API: many readers, slow ones, a server that goes away, a service that stops."""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import threading
import time
from collections.abc import AsyncIterator, Generator
from contextlib import closing
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import httpx
import pytest

from api.event_stream import spell
from api.feeds import MOST_WAITING, Farewell, Feeds, Spelled
from tests.system.conftest import Server, running_api, wait_for
from tests.worker.samples import candidate, request
from tests.worker.test_store import ending, leased
from worker.access import MOST_CONNECTIONS
from worker.connection import connect
from worker.events import QUICK_CONNECTIONS, START, EventLog
from worker.records import Lease
from worker.store import Store

Api = tuple[subprocess.Popen[bytes], str]
READERS = 200


@pytest.fixture
def store(server: Server) -> Store:
    """An empty store whose leases outlast a test that does the work itself."""
    client = connect(server.url)
    client.flushdb()
    return Store(client, lease_seconds=600.0)


@dataclass(frozen=True)
class Told:
    """An event as a client has it."""

    id: str
    kind: str
    data: Any


def parsed(block: str) -> Told | None:
    """One block of a stream, None when it has no event."""
    lines = [line.partition(": ") for line in block.splitlines()]
    fields = {name: value for name, _, value in lines}
    if "event" not in fields:
        return None
    return Told(fields.get("id", ""), fields["event"], json.loads(fields["data"]))


def read(address: str, path: str, **headers: str) -> Generator[str, None, None]:
    """Blocks of a stream, comments included, as they come; the end of the answer is their end."""
    sent = {name.replace("_", "-"): value for name, value in headers.items()}
    with httpx.stream("GET", f"{address}{path}", headers=sent, timeout=60.0, trust_env=False) as answer:
        assert answer.status_code == 200
        assert answer.headers["content-type"].startswith("text/event-stream")
        lines: list[str] = []
        for line in answer.iter_lines():
            if line:
                lines.append(line)
            else:
                yield "\n".join(lines)
                lines = []


def events(address: str, path: str, **headers: str) -> list[Told]:
    """All events until the answer ends."""
    return [event for block in read(address, path, **headers) if (event := parsed(block))]


def path_of(design_id: str) -> str:
    return f"/v1/designs/{design_id}/events"


def begun(store: Store) -> Lease:
    """A design of one island, which the test itself works on."""
    return leased(store, store.first_slots(store.create(request(budget_trials_count=5)).design_id)[0])


def end(store: Store, lease: Lease) -> None:
    store.fill(lease, [candidate(4)], [])
    store.close(leased(store, store.closing_of(lease.slot.job_id)), ending(front=[4]), [])


def test_reader_who_comes_back_misses_nothing(store: Store, api: Api) -> None:
    """From any id on, by header or in the query, the rest of the events is the same; after the last there is none."""
    _, address = api
    lease = begun(store)
    path = path_of(lease.slot.job_id)
    for number in range(4):
        store.record(lease, [candidate(number, energy_j=3000.0 - number)])
    end(store, lease)
    whole = events(address, path, last_event_id=START)
    assert [event.kind for event in whole].count("candidate") == 6  # 4 is the best, then on the front
    assert [event.data["status"] for event in whole if event.kind == "status"] == ["queued", "running", "succeeded"]
    assert whole[-1] == Told("", "end", {"status": "succeeded"})
    for place in (0, 3, len(whole) - 3):
        assert events(address, path, last_event_id=whole[place].id) == whole[place + 1 :]
        assert events(address, f"{path}?last_event_id={whole[place].id}") == whole[place + 1 :]
    last = httpx.get(f"{address}{path}", headers={"Last-Event-ID": whole[-2].id}, trust_env=False)
    assert (last.status_code, last.content) == (204, b"")


def test_start_without_an_id_is_a_snapshot(store: Store, api: Api) -> None:
    """Whoever comes anew gets status and progress as they are, and what follows; of an ended design nothing more."""
    _, address = api
    lease = begun(store)
    path = path_of(lease.slot.job_id)
    store.record(lease, [candidate(0, energy_j=3000.0)])
    with closing(read(address, path)) as stream:
        blocks = iter(stream)
        found = [event for block in (next(blocks), next(blocks), next(blocks)) if (event := parsed(block))]
        assert [event.kind for event in found] == ["status", "progress"]
        shown = httpx.get(f"{address}/v1/designs/{lease.slot.job_id}", trust_env=False).json()
        assert found[0].data["status"] == shown["status"] == "running"
        assert found[1].data == shown["progress"]
        store.record(lease, [candidate(1, energy_j=2000.0)])
        better = parsed(next(blocks))
        assert better is not None
        assert (better.kind, better.data["number"], better.data["on_front"]) == ("candidate", 1, True)
    end(store, lease)
    assert [event.kind for event in events(address, path)] == ["status", "progress", "end"]


def test_candidate_is_told_as_the_list_shows_it(store: Store, api: Api) -> None:
    """The data of a candidate are the row of the list, and the front links to it."""
    _, address = api
    lease = begun(store)
    end(store, lease)
    whole = events(address, path_of(lease.slot.job_id), last_event_id=START)
    (front,) = [event.data for event in whole if event.kind == "front"]
    rows = httpx.get(f"{address}{front['link']}", trust_env=False).json()["items"]
    assert [row["number"] for row in rows] == front["numbers"]
    assert [event.data for event in whole if event.kind == "candidate"][-1] == rows[0]


def test_id_that_is_no_longer_kept_gives_a_new_start(store: Store, server: Server, api: Api) -> None:
    """A reader who was away for too long is told so, and gets a snapshot in place of what is missing."""
    _, address = api
    lease = begun(store)
    path = path_of(lease.slot.job_id)
    end(store, lease)
    whole = events(address, path, last_event_id=START)
    store.client.xtrim(f"shotwright:design:{lease.slot.job_id}:events", 2, approximate=False)
    kinds = [event.kind for event in events(address, path, last_event_id=whole[0].id)]
    assert kinds == ["reset", "status", "progress", "end"]
    assert server.answers()


def test_wrong_addresses_and_ids_are_refused_before_the_stream(store: Store, api: Api) -> None:
    """Unknown is 404, deleted 410, an id that is none 422; each is a problem, not a stream."""
    _, address = api
    lease = begun(store)
    end(store, lease)
    path = path_of(lease.slot.job_id)

    def slug(place: str, **headers: str) -> tuple[int, str]:
        answer = httpx.get(f"{address}{place}", headers=headers, trust_env=False)
        return answer.status_code, answer.json()["type"]

    assert slug(path_of("unknown")) == (404, "/problems/not-found")
    assert slug(path, **{"Last-Event-ID": "yesterday"}) == (422, "/problems/invalid-input")
    assert slug(f"{path}?last_event_id=1") == (422, "/problems/invalid-input")
    assert slug(f"{path}?after=1") == (422, "/problems/invalid-input")
    store.delete(lease.slot.job_id)
    assert slug(path) == (410, "/problems/gone")


def threads_of(process: subprocess.Popen[bytes]) -> int:
    return len(list(Path(f"/proc/{process.pid}/task").iterdir()))


def connections_of(server: Server) -> int:
    return int(Store(connect(server.url)).client.info("clients")["connected_clients"])


def test_two_hundred_readers_at_once(store: Store, server: Server, api: Api) -> None:
    """Each of 200 readers gets every event in the same words, without a thread or a connection for each."""
    process, address = api
    lease = begun(store)
    begun_all, served = threading.Event(), []

    async def reader(client: httpx.AsyncClient, ready: asyncio.Event, waiting: list[int]) -> str:
        text: list[str] = []
        async with client.stream("GET", path_of(lease.slot.job_id)) as answer:
            async for piece in answer.aiter_text():
                text.append(piece)
                if "event: progress" in piece and not begun_all.is_set():
                    waiting.append(1)
                    if len(waiting) == READERS:
                        ready.set()
        return "".join(text)

    async def all_readers() -> list[str]:
        ready, waiting = asyncio.Event(), list[int]()
        limits = httpx.Limits(max_connections=READERS)
        async with httpx.AsyncClient(base_url=address, limits=limits, timeout=60.0, trust_env=False) as client:
            tasks = [asyncio.create_task(reader(client, ready, waiting)) for _ in range(READERS)]
            await ready.wait()
            served.append((threads_of(process), connections_of(server)))
            begun_all.set()
            return await asyncio.gather(*tasks)

    def work() -> None:
        begun_all.wait(60)
        for number in range(4):
            store.record(lease, [candidate(number, energy_j=3000.0 - number)])
        end(store, lease)

    before = threads_of(process), connections_of(server)
    worker = threading.Thread(target=work)
    worker.start()
    texts = asyncio.run(all_readers())
    worker.join()
    (threads, connections) = served[0]
    assert threads <= before[0] + 2
    # The gate that each request passes has a pool of its own.
    assert connections <= before[1] + QUICK_CONNECTIONS + MOST_CONNECTIONS + 1
    assert len(texts) == READERS
    tails = {text[text.index("event: candidate") :] for text in texts}
    assert len(tails) == 1
    assert tails.pop().count("event: candidate") == 6
    assert all(text.rstrip().endswith('{"status": "succeeded"}') for text in texts)


def test_slow_reader_is_let_go_and_the_others_are_served(store: Store, server: Server) -> None:
    """Whoever does not fetch his events is let go at a bound; another reader of the same feed gets them all."""
    lease = begun(store)
    design_id = lease.slot.job_id
    count = MOST_WAITING + 50

    async def follow() -> None:
        feeds = Feeds(EventLog(server.url), spell)
        at = (await feeds.events.snapshot(design_id)).id
        with feeds.joined(design_id, at) as slow, feeds.joined(design_id, at) as quick:
            writer = asyncio.create_task(asyncio.to_thread(write))
            numbers = [item async for item in fetched(quick)]
            await writer
            assert numbers == list(range(count))
            assert await slow.next(1.0) is Farewell.TOO_SLOW
            assert await slow.next(0.1) is None
        await feeds.close()

    async def fetched(listener: Any) -> AsyncIterator[int]:
        found = 0
        while found < count:
            item = await listener.next(10.0)
            assert isinstance(item, Spelled)
            if item.text.split(b"\n")[1] == b"event: candidate":
                found += 1
                yield json.loads(item.text.split(b"data: ")[1])["number"]

    def write() -> None:
        for number in range(count):
            store.record(lease, [candidate(number, energy_j=5000.0 - number)])

    asyncio.run(follow())


def test_stream_outlives_a_killed_server(store: Store, server: Server, api: Api) -> None:
    """While the server is away the stream stays open; what happens afterwards is told on it, and to new readers."""
    _, address = api
    lease = begun(store)
    path = path_of(lease.slot.job_id)
    with closing(read(address, path)) as stream:
        blocks = iter(stream)
        assert [next(blocks).partition(":")[0] for _ in range(3)] == ["retry", "id", "id"]
        store.record(lease, [candidate(0, energy_j=3000.0)])
        assert parsed(next(blocks))  # by now it waits for news
        server.kill()
        assert httpx.get(f"{address}{path}", trust_env=False).json()["type"] == "/problems/store-unavailable"
        time.sleep(1.0)
        server.start()
        wait_for(lambda: store.record(lease, [candidate(1, energy_j=2000.0)]) == "running", "the lease")
        # Signs of life and the progress that came with the first candidate may come before it.
        told = (event for block in islice(blocks, 10) if (event := parsed(block)))
        assert ("candidate", 1) in ((event.kind, event.data.get("number")) for event in told)


def test_stopping_service_ends_its_streams_and_answers(store: Store, server: Server, tmp_path: Path) -> None:
    """SIGTERM ends an open stream with a comment, long before the grace is over, and the exit code is 0."""
    lease = begun(store)
    with running_api(server, tmp_path / "log") as (process, address):
        with closing(read(address, path_of(lease.slot.job_id))) as stream:
            blocks = iter(stream)
            next(blocks)
            process.send_signal(signal.SIGTERM)
            assert list(blocks)[-1].startswith(": the service is stopping")
        assert process.wait(20) == 0
