"""The server dies and comes back while a design runs."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from redis.exceptions import RedisError

from tests.system.conftest import StartWorker, wait_for, wait_for_end, wait_for_trials
from tests.worker.samples import loose_request as request
from worker.embedded import server_binary
from worker.service import DesignService
from worker.store import Store, connect


class Server:
    """A server on a socket that stays the same over restarts, which the embedded one's does not."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.url = f"unix://{folder}/s"
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        words = ["--port", "0", "--unixsocket", f"{self.folder}/s", "--dir", str(self.folder), "--appendonly", "yes"]
        self.process = subprocess.Popen([server_binary(), *words], stdout=subprocess.DEVNULL)
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


@pytest.fixture
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    found = Server(tmp_path_factory.mktemp("r"))
    found.start()
    yield found
    found.kill()


@pytest.fixture
def redis_url(server: Server) -> str:
    return server.url


def test_design_survives_a_restart_of_the_server(
    server: Server, service: DesignService, start_worker: StartWorker
) -> None:
    """Killed and started again seconds later, the server has lost no trial, and the same worker finishes the design.

    Meanwhile a request fails at once instead of hanging.
    """
    design_id = service.submit(request(budget_trials_count=24)).design_id
    worker = start_worker(1)
    before = wait_for_trials(service, design_id, 8)
    server.kill()
    with pytest.raises(RedisError):
        service.submit(request())
    server.start()
    after = service.store.get(design_id)
    # appendfsync everysec: nothing is lost when the process dies, at most a second when the machine does
    assert after.progress.finished_trials_count >= before.progress.finished_trials_count
    assert wait_for_end(service, design_id).state == "succeeded"
    assert service.store.get(design_id).progress.finished_trials_count == 24
    assert worker.process.poll() is None
