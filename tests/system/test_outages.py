"""What a deployment lives through: a server that is away for long, one with a full disk, a clock that jumps.

Clients see answers all the time, a 503 with Retry-After at worst; what was accepted is there afterwards, once.
"""

from __future__ import annotations

import os
import resource
import signal
import socket
import subprocess
import threading
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

import httpx
import pytest

from tests.system.conftest import (
    Outcome,
    Server,
    StartWorker,
    Undisturbed,
    running_api,
    small_request,
    wait_for,
    wait_for_end,
    wait_for_trials,
)
from worker.connection import connect
from worker.embedded import server_binary
from worker.service import DesignService
from worker.store import Store

#: How long the server is away.
AWAY_S = 20.0


def _is_honest(answer: httpx.Response) -> bool:
    """Whether an answer is what was asked for, or says when to come back."""
    if answer.status_code == 503:
        return "retry-after" in answer.headers and answer.json()["type"] == "/problems/store-unavailable"
    return answer.status_code in (200, 202, 304)


class _Client(threading.Thread):
    """Asks one thing over and over until it is told to stop."""

    def __init__(self, address: str, method: str, path: str, body: object = None) -> None:
        super().__init__()
        self._method, self._url, self._body = method, f"{address}{path}", body
        self.stopping = threading.Event()
        self.statuses: Counter[int] = Counter()
        self.dishonest: list[str] = []
        self.accepted: dict[str, str] = {}
        self.slowest_s = 0.0

    def run(self) -> None:
        """Until it is told to stop; each request has a key of its own."""
        with httpx.Client(trust_env=False, timeout=30.0) as client:
            while not self.stopping.is_set():
                key, begun_s = str(uuid4()), time.monotonic()
                answer = client.request(self._method, self._url, json=self._body, headers={"Idempotency-Key": key})
                self.slowest_s = max(self.slowest_s, time.monotonic() - begun_s)
                self.statuses[answer.status_code] += 1
                if not _is_honest(answer):
                    self.dishonest.append(answer.text)
                if answer.status_code == 202:
                    self.accepted[key] = answer.json()["id"]
                time.sleep(0.2)


def test_server_away_for_long_while_polled_posted_and_searched(
    server: Server, service: DesignService, start_worker: StartWorker, undisturbed: Undisturbed, tmp_path: Path
) -> None:
    """20 s without Redis in the middle of everything: no failure but 503, nothing lost, all goes on by itself."""
    worker = start_worker(2)
    design_id = service.submit(small_request()).design_id
    wait_for_trials(service, design_id, 12)
    tiny = small_request(budget_trials_count=2).model_dump(mode="json")
    with running_api(server, tmp_path / "api.log") as (process, address):
        clients = [
            _Client(address, "GET", f"/v1/designs/{design_id}"),
            _Client(address, "GET", "/v1/designs"),
            _Client(address, "POST", "/v1/designs", tiny),
        ]
        for client in clients:
            client.start()
        try:
            time.sleep(1.0)
            server.kill()
            time.sleep(AWAY_S)
            server.start()
            wait_for(lambda: clients[2].statuses[503] > 0 and len(clients[2].accepted) > 5, "posts to be taken again")
        finally:
            for client in clients:
                client.stopping.set()
            for client in clients:
                client.join(60.0)
        assert process.poll() is None
        assert worker.process.poll() is None
        for client in clients:
            assert client.dishonest == []
            assert client.statuses[503] > 0
            assert client.slowest_s < 10.0
        wait_for_end(service, design_id)
        assert Outcome.of(service, design_id) == undisturbed.first
        for accepted in clients[2].accepted.values():
            assert httpx.get(f"{address}/v1/designs/{accepted}", trust_env=False).status_code == 200
        for key, accepted in list(clients[2].accepted.items())[:5]:
            again = httpx.post(f"{address}/v1/designs", json=tiny, headers={"Idempotency-Key": key}, trust_env=False)
            assert again.json()["id"] == accepted


def test_api_killed_between_accepting_and_answering(server: Server, service: DesignService, tmp_path: Path) -> None:
    """Posts are sent and the API is killed a moment later, before most are answered: each key leads to one design."""
    body = small_request().model_dump(mode="json")
    keys = [str(uuid4()) for _ in range(12)]
    with running_api(server, tmp_path / "first.log") as (process, address):
        port = int(address.rsplit(":", 1)[1])
        content = httpx.Request("POST", address, json=body).content
        sockets = []
        for key in keys:
            connection = socket.create_connection(("127.0.0.1", port))
            head = (
                f"POST /v1/designs HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nContent-Type: application/json\r\n"
                f"Idempotency-Key: {key}\r\nContent-Length: {len(content)}\r\n\r\n"
            )
            connection.sendall(head.encode() + content)
            sockets.append(connection)
        # As soon as the first has been accepted: some are answered, some accepted only, some not even that.
        wait_for(lambda: bool(service.store.designs().items), "a design")
        os.kill(process.pid, signal.SIGKILL)
        process.wait(10)
        for connection in sockets:
            connection.close()
    before = {design.id for design in service.store.designs(limit=50).items}
    assert before
    with running_api(server, tmp_path / "second.log") as (_, address):
        answers = [
            httpx.post(f"{address}/v1/designs", json=body, headers={"Idempotency-Key": key}, trust_env=False)
            for key in keys
        ]
        assert {answer.status_code for answer in answers} == {202}
        ids = [answer.json()["id"] for answer in answers]
        assert len(set(ids)) == len(keys)
        assert before <= set(ids)
        assert {design.id for design in service.store.designs(limit=50).items} == set(ids)


class _CrampedServer(Server):
    """A server whose files may not grow beyond a limit, as on a disk that is full."""

    def start(self) -> None:
        words = ["--port", "0", "--unixsocket", f"{self.folder}/s", "--dir", str(self.folder), "--appendonly", "yes"]
        self.process = subprocess.Popen(
            # The signal that comes with a file that is too long would end the server; a full disk sends none.
            [server_binary(), *words, "--save", "", "--auto-aof-rewrite-percentage", "0"],
            stdout=subprocess.DEVNULL,
            restore_signals=False,  # Python ignores it
        )
        wait_for(self.answers, "the server", 20.0)

    def allow(self, size: int) -> None:
        """So many bytes a file."""
        assert self.process is not None
        resource.prlimit(self.process.pid, resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))

    def written(self) -> int:
        """Size of the largest file."""
        return max(file.stat().st_size for file in self.folder.rglob("*") if file.is_file())


@pytest.fixture
def cramped(tmp_path_factory: pytest.TempPathFactory) -> Iterator[_CrampedServer]:
    server = _CrampedServer(tmp_path_factory.mktemp("c"))
    server.start()
    yield server
    server.kill()


def test_full_disk_refuses_writes_says_why_and_heals(cramped: _CrampedServer, tmp_path: Path) -> None:
    """Posts get 503, `/readyz` names the cause, what was accepted stays; with room again all goes on by itself."""
    body = small_request().model_dump(mode="json")
    store = Store(connect(cramped.url))
    with (
        running_api(cramped, tmp_path / "api.log") as (_, address),
        httpx.Client(base_url=address, trust_env=False, timeout=30.0) as client,
    ):
        accepted = [client.post("/v1/designs", json=body).json()["id"] for _ in range(3)]
        cramped.allow(cramped.written() + 1000)

        def refused() -> bool:
            answer = client.post("/v1/designs", json=body)
            assert _is_honest(answer), answer.text
            if answer.status_code == 202:
                accepted.append(answer.json()["id"])
            return answer.status_code == 503

        wait_for(refused, "a post to be refused")
        ready = client.get("/readyz")
        assert ready.status_code == 503
        assert "append-only file" in ready.json()["checks"]["store"]["detail"]
        for design_id in accepted:
            assert client.get(f"/v1/designs/{design_id}").status_code == 200
        cramped.allow(resource.RLIM_INFINITY)
        wait_for(lambda: client.post("/v1/designs", json=body).status_code == 202, "posts to be taken again")
        assert "append-only" not in client.get("/readyz").text
        kept = {design.id for design in store.designs(limit=100).items}
        assert set(accepted) <= kept
    cramped.kill()
    cramped.start()
    again = {design.id for design in Store(connect(cramped.url)).designs(limit=100).items}
    assert kept <= again


#: Runs a module in a process whose clock jumps some seconds after its start.
_JUMPING = """
import sys, time, runpy
real, started, jump = time.time, time.monotonic(), float(sys.argv[1])
def jumped():
    return real() + (jump if time.monotonic() - started > 6.0 else 0.0)
time.time, time.time_ns = jumped, lambda: int(jumped() * 1e9)
sys.argv = sys.argv[2:]
runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)
"""


def test_jumping_clocks_cost_nothing(
    service: DesignService, start_worker: StartWorker, undisturbed: Undisturbed
) -> None:
    """One worker's clock jumps two hours ahead in the middle, another's a day back: leases, expiry and order hold.

    Everything that is compared between processes is told by the server's clock.
    """
    for jump_s in (7200.0, -86400.0):
        start_worker(1, program=("-c", _JUMPING, str(jump_s), "worker", "--concurrency", "1", "--log-level", "INFO"))
    before = service.store.designs().items
    assert before == []
    design_id = service.submit(small_request()).design_id
    design = wait_for_end(service, design_id)
    assert Outcome.of(service, design_id) == undisturbed.first
    assert design.started_at is not None
    assert design.finished_at is not None
    assert design.expires_at is not None
    assert 0.0 < (design.finished_at - design.created_at).total_seconds() < 120.0
    days = (design.expires_at - design.finished_at).total_seconds() / 86400.0
    assert days == pytest.approx(30.0, abs=0.01)
