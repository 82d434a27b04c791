"""Real servers and real workers, each a process of its own; only what a test started is ended."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
from redis.exceptions import RedisError

from api.launch import free_port
from tests.worker.samples import loose_request
from worker.app import sender
from worker.budget import Budget
from worker.connection import connect
from worker.embedded import server_binary
from worker.records import Candidate, Design
from worker.request import DesignRequest, Spreads
from worker.service import DesignService
from worker.store import Store

ROOT = Path(__file__).parents[2]
LEASE_SECONDS = 2.0
#: What a deployment has that sets nothing.
DEFAULT_LEASE_SECONDS = 10.0
#: The first start after a change of the kernels compiles them.
READY_SECONDS = 170.0

#: Trials of the small design that every disturbed run is compared on, and what it is raised to.
TRIALS, RAISED_TRIALS = 124, 150


def small_request(**changes: Any) -> DesignRequest:
    """Three islands of about two seconds, with few shots a trial and at the end."""
    narrow = {"turns": {"low_count": 6, "high_count": 9}, "capacitance": {"low_farad": 1.5e-4, "high_farad": 1.5e-4}}
    still = dict.fromkeys(Spreads.model_fields, 0.0)
    body = {"search": {**narrow, "wires": ["awg_12"]}, "budget_trials_count": TRIALS, **changes}
    return DesignRequest.model_validate(loose_request(**body).model_dump(mode="json") | {"spreads": still})


# ---- the server ------------------------------------------------------------------------------------------------------


class Server:
    """A server on a socket that stays the same over restarts, with its data in an append-only file."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.url = f"unix://{folder}/s"
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        words = ["--port", "0", "--unixsocket", f"{self.folder}/s", "--dir", str(self.folder), "--appendonly", "yes"]
        self.process = subprocess.Popen([server_binary(), *words, "--save", ""], stdout=subprocess.DEVNULL)
        wait_for(self.answers, "the server", 20.0)

    def answers(self) -> bool:
        try:
            Store(connect(self.url)).ping()
        except RedisError:
            return False
        return True

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait(10)


@pytest.fixture(scope="session")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    found = Server(tmp_path_factory.mktemp("r"))
    found.start()
    yield found
    found.kill()


@pytest.fixture
def service(server: Server) -> DesignService:
    """The service on an empty server."""
    client = connect(server.url)
    client.flushdb()
    return service_on(server)


def service_on(server: Server) -> DesignService:
    return DesignService(Store(connect(server.url), lease_seconds=LEASE_SECONDS), sender(server.url))


# ---- workers ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Worker:
    """A running `python -m worker`, or a script that starts one."""

    process: subprocess.Popen[bytes]
    log: Path

    @property
    def name(self) -> str:
        """How its sign of life begins."""
        return f"shotwright-{self.process.pid}@"

    def children(self) -> list[int]:
        """Its pool processes."""
        listed = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text()
        return [int(word) for word in listed.split()]

    def kill_child(self) -> None:
        """End one pool process at once, as the kernel does when memory runs out."""
        os.kill(self.children()[0], signal.SIGKILL)

    def kill_parent(self) -> list[int]:
        """End the first process alone, which takes messages and has the watchdog; returns the pool that is left."""
        children = self.children()
        self.process.kill()
        self.process.wait(10)
        return children

    def kill(self) -> None:
        """End the worker and its pool at once."""
        for child in self.kill_parent():
            kill_if_there(child)

    def stop(self, seconds: float = 20.0) -> int:
        """Ask it to stop; returns its exit code."""
        if self.process.poll() is None:
            self.process.terminate()
        return self.process.wait(seconds)


def kill_if_there(process_id: int) -> None:
    try:
        os.kill(process_id, signal.SIGKILL)
    except ProcessLookupError:
        return


StartWorker = Callable[..., Worker]


@pytest.fixture
def start_worker(tmp_path: Path, server: Server) -> Iterator[StartWorker]:
    """Starts workers, which are ready when the call returns."""
    workers = Workers(tmp_path, server)
    yield workers.start
    workers.end()


class Workers:
    """Workers of a test, ended with it."""

    def __init__(self, folder: Path, server: Server) -> None:
        self._folder = folder
        self._server = server
        self._started: list[Worker] = []

    def start(
        self,
        processes: int = 2,
        *,
        lease_seconds: float = LEASE_SECONDS,
        program: tuple[str, ...] = (),
        environment: Mapping[str, str] | None = None,
    ) -> Worker:
        """A ready worker; `program` is run in place of `-m worker`."""
        words = program or ("-m", "worker", "--concurrency", str(processes), "--log-level", "INFO")
        worker = self._launch(words, {"SHOTWRIGHT_LEASE_SECONDS": str(lease_seconds), **(environment or {})})
        wait_for(lambda: self._is_ready(worker), "the worker to get ready", READY_SECONDS)
        return worker

    def _launch(self, words: tuple[str, ...], environment: dict[str, str]) -> Worker:
        log = self._folder / f"worker-{len(self._started)}.log"
        settings = {"REDIS_URL": self._server.url, **environment}
        with log.open("wb") as output:
            process = subprocess.Popen(
                [sys.executable, *words], cwd=ROOT, env=os.environ | settings, stdout=output, stderr=output
            )
        self._started.append(Worker(process, log))
        return self._started[-1]

    def _is_ready(self, worker: Worker) -> bool:
        assert worker.process.poll() is None, worker.log.read_text()
        store = Store(connect(self._server.url))
        return any(found.startswith(worker.name) for found in store.live_workers())

    def end(self) -> None:
        for worker in self._started:
            if worker.process.poll() is None:
                worker.kill()


# ---- the API -------------------------------------------------------------------------------------------------------


@contextmanager
def running_api(server: Server, log: Path, **settings: str) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """The HTTP service as a process of its own, and its address; those with a log in one folder share their state."""
    with running_api_at(free_port("127.0.0.1"), server, log, **settings) as found:
        yield found


@contextmanager
def running_api_at(
    port: int, server: Server, log: Path, **settings: str
) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """The same at a port that is given, so that it can come back where it was."""
    words = ["-m", "api.serve", "--port", str(port)]
    state = {"SHOTWRIGHT_STATE_FOLDER": str(log.parent / "state")}
    environment = os.environ | {"REDIS_URL": server.url} | state | settings
    with log.open("wb") as output:
        process = subprocess.Popen(
            [sys.executable, *words], cwd=ROOT, env=environment, stdout=output, stderr=output, start_new_session=True
        )
    address = f"http://127.0.0.1:{port}"
    try:
        wait_for(lambda: _answers(address), "the API", 60.0)
        yield process, address
    finally:
        process.kill()
        process.wait(10)


def _answers(address: str) -> bool:
    try:
        return httpx.get(f"{address}/livez", trust_env=False).status_code == 200
    except httpx.TransportError:
        return False


@pytest.fixture(scope="module")
def api(server: Server, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """One for the tests of a module that leave it as it is; its watchdog must not help those of others."""
    with running_api(server, tmp_path_factory.mktemp("api") / "log") as found:
        yield found


# ---- watching --------------------------------------------------------------------------------------------------------


def wait_for(condition: Callable[[], bool], what: str, seconds: float = 60.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, f"waited {seconds:g} s in vain for {what}"
        time.sleep(0.05)


def wait_for_trials(service: DesignService, design_id: str, count: int) -> Design:
    def enough() -> bool:
        return service.store.get(design_id).progress.finished_trials_count >= count

    wait_for(enough, f"{count} finished trials")
    return service.store.get(design_id)


def wait_for_end(service: DesignService, design_id: str, seconds: float = 120.0) -> Design:
    wait_for(lambda: service.store.get(design_id).ended, "the end of the design", seconds)
    return service.store.get(design_id)


# ---- the undisturbed run ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Outcome:
    """What a design found: every candidate with all its numbers, the front and the recommendation."""

    candidates: list[Candidate]
    front_numbers: list[int]
    recommended: Any

    @classmethod
    def of(cls, service: DesignService, design_id: str) -> Outcome:
        design = service.store.get(design_id)
        assert design.state == "succeeded", design.failure
        assert design.progress.lost_trials_count == 0
        found = [row for rows in service.store.all_candidates(design_id) for row in rows]
        # as many as were counted and as many as were asked for: none lost, none twice
        assert len(found) == design.progress.finished_trials_count == design.progress.budget_trials_count
        return cls(sorted(found, key=lambda row: row.number), design.front_numbers, design.recommended)


@dataclass(frozen=True)
class Undisturbed:
    """The small design run in peace, and once more after its budget was raised."""

    first: Outcome
    raised: Outcome


@pytest.fixture(scope="session")
def undisturbed(server: Server, tmp_path_factory: pytest.TempPathFactory) -> Undisturbed:
    """One worker of two processes, which nothing happens to."""
    service = service_on(server)
    workers = Workers(tmp_path_factory.mktemp("undisturbed"), server)
    try:
        worker = workers.start(2)
        design_id = service.submit(small_request()).design_id
        wait_for_end(service, design_id)
        first = Outcome.of(service, design_id)
        service.extend(design_id, Budget(budget_trials_count=RAISED_TRIALS))
        wait_for_end(service, design_id)
        raised = Outcome.of(service, design_id)
        assert worker.stop() == 0
    finally:
        workers.end()
    return Undisturbed(first, raised)
