"""Real servers and real workers, each a process of its own; only what a test started is ended."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from worker.app import sender
from worker.embedded import embedded_server
from worker.records import Design
from worker.service import DesignService
from worker.store import Store, connect

ROOT = Path(__file__).parents[2]
LEASE_SECONDS = 2.0


@dataclass(frozen=True)
class Worker:
    """A running `python -m worker`."""

    process: subprocess.Popen[bytes]
    log: Path

    def children(self) -> list[int]:
        """Its pool processes."""
        listed = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text()
        return [int(word) for word in listed.split()]

    def kill_child(self) -> None:
        """End one pool process at once, as the kernel does when memory runs out."""
        os.kill(self.children()[0], signal.SIGKILL)

    def kill(self) -> None:
        """End the worker and its pool at once."""
        children = self.children()
        self.process.kill()
        for child in children:
            os.kill(child, signal.SIGKILL)
        self.process.wait(10)

    def stop(self, seconds: float = 20.0) -> int:
        """Ask it to stop; returns its exit code."""
        if self.process.poll() is None:
            self.process.terminate()
        return self.process.wait(seconds)


StartWorker = Callable[..., Worker]

#: The first start after a change of the kernels compiles them.
READY_SECONDS = 170.0


@pytest.fixture
def redis_url(tmp_path: Path) -> Iterator[str]:
    with embedded_server(tmp_path) as server:
        yield server.url


@pytest.fixture
def service(redis_url: str) -> DesignService:
    return DesignService(Store(connect(redis_url), lease_seconds=LEASE_SECONDS), sender(redis_url))


@pytest.fixture
def start_worker(tmp_path: Path, service: DesignService, redis_url: str) -> Iterator[StartWorker]:
    started: list[Worker] = []

    def start(processes: int = 2) -> Worker:
        log = tmp_path / f"worker-{len(started)}.log"
        environment = {**os.environ, "REDIS_URL": redis_url, "SHOTWRIGHT_LEASE_SECONDS": str(LEASE_SECONDS)}
        words = [sys.executable, "-m", "worker", "--concurrency", str(processes), "--log-level", "INFO"]
        with log.open("wb") as output:
            process = subprocess.Popen(words, cwd=ROOT, env=environment, stdout=output, stderr=output)
        started.append(Worker(process, log))
        name = f"shotwright-{process.pid}@"

        def is_ready() -> bool:
            assert process.poll() is None, log.read_text()
            return any(found.startswith(name) for found in service.store.live_workers())

        wait_for(is_ready, "the worker to get ready", READY_SECONDS)
        return started[-1]

    yield start
    for worker in started:
        if worker.process.poll() is None:
            worker.kill()


def wait_for(condition: Callable[[], bool], what: str, seconds: float = 60.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, f"waited {seconds:g} s in vain for {what}"
        time.sleep(0.1)


def wait_for_trials(service: DesignService, design_id: str, count: int) -> Design:
    def enough() -> bool:
        return service.store.get(design_id).progress.finished_trials_count >= count

    wait_for(enough, f"{count} finished trials")
    return service.store.get(design_id)


def wait_for_end(service: DesignService, design_id: str, seconds: float = 120.0) -> Design:
    wait_for(lambda: service.store.get(design_id).ended, "the end of the design", seconds)
    return service.store.get(design_id)
