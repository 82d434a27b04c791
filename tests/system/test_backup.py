"""Backup and restore as commands, beside running workers; a start on a server that is not fit."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from api.launch import free_port
from tests.system.conftest import (
    ROOT,
    TRIALS,
    Outcome,
    Server,
    StartWorker,
    Undisturbed,
    small_request,
    wait_for_end,
    wait_for_trials,
)
from worker.backup_command import back_up, put_back
from worker.connection import connect
from worker.embedded import embedded_server
from worker.migrations import SCHEMA_KEY
from worker.service import DesignService
from worker.settings import Settings


def command(*words: str, url: str) -> subprocess.CompletedProcess[str]:
    """Run `python -m ...` to its end."""
    environment = os.environ | {"REDIS_URL": url}
    return subprocess.run(
        [sys.executable, "-m", *words],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_restored_design_goes_on_as_if_nothing_had_happened(
    server: Server, service: DesignService, start_worker: StartWorker, undisturbed: Undisturbed, tmp_path: Path
) -> None:
    """Backed up in the middle of its search and restored on another day, a design ends with the undisturbed result."""
    file = tmp_path / "file"
    worker = start_worker(1)
    assert command("worker", "backup", str(file), url=server.url).returncode == 0
    refused = command("worker", "restore", str(file), "--replace", url=server.url)
    assert refused.returncode == 1
    assert "stop it first" in refused.stderr
    design_id = service.submit(small_request()).design_id
    wait_for_trials(service, design_id, 10)
    for process_id in (worker.process.pid, *worker.children()):  # so that it is in its middle whatever a command takes
        os.kill(process_id, signal.SIGSTOP)
    done = command("worker", "backup", str(file), url=server.url)
    assert done.returncode == 0, done.stderr
    worker.kill()
    connect(server.url).flushdb()
    done = command("worker", "restore", str(file), url=server.url)
    assert done.returncode == 0, done.stderr
    assert 10 <= service.store.get(design_id).progress.finished_trials_count < TRIALS
    start_worker(2)
    wait_for_end(service, design_id)
    assert Outcome.of(service, design_id) == undisturbed.first


def test_private_store_is_backed_up_running_or_not(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without REDIS_URL the commands use the private server, the running one or one of their own."""
    settings, file = Settings(redis_url=None, state_folder=tmp_path / "state"), tmp_path / "file"
    with embedded_server(settings.state_folder) as running:
        connect(running.url).set("shotwright:t", "kept")
        assert back_up(settings, file) == 0
        connect(running.url).set("shotwright:t", "changed")
    assert put_back(settings, file, replace=False) == 1
    assert "--replace" in capsys.readouterr().err
    assert put_back(settings, file, replace=True) == 0
    with embedded_server(settings.state_folder) as running:
        assert connect(running.url).get("shotwright:t") == "kept"


@pytest.mark.parametrize("words", [["api"], ["worker"], ["api.serve"]])
def test_newer_store_stops_every_start(server: Server, words: list[str]) -> None:
    """Service and worker end with a clear sentence when the store is of a later release."""
    client = connect(server.url)
    client.flushdb()
    client.set(SCHEMA_KEY, 99)
    port = [] if words == ["worker"] else ["--port", str(free_port("127.0.0.1"))]
    done = command(*words, *port, url=server.url)
    client.flushdb()
    assert done.returncode != 0
    assert "schema version 99" in done.stderr
    assert "Traceback" not in done.stderr


def test_evicting_server_stops_the_start(tmp_path: Path) -> None:
    """A server that evicts is named with its policy and the remedy."""
    with embedded_server(tmp_path) as unfit:
        client = connect(unfit.url)
        client.config_set("maxmemory-policy", "allkeys-lru")
        client.config_set("maxmemory", 100_000_000)
        done = command("api", "--port", str(free_port("127.0.0.1")), url=unfit.url)
    assert done.returncode == 1
    assert "allkeys-lru" in done.stderr
    assert "noeviction" in done.stderr
