"""The private server: starts, keeps what was written, guards its folder, ends with its program."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from redis import Redis

from worker.app import app_sender, make_app
from worker.embedded import ServerUnavailable, embedded_server
from worker.records import SlotName
from worker.store import QUEUE


def is_alive(process_id: int) -> bool:
    try:
        return Path(f"/proc/{process_id}/stat").read_text().split()[2] != "Z"
    except FileNotFoundError:
        return False


def wait_until_gone(process_id: int, seconds: float = 10.0) -> None:
    deadline = time.monotonic() + seconds
    while is_alive(process_id):
        assert time.monotonic() < deadline, f"process {process_id} is still there"
        time.sleep(0.05)


def test_what_was_written_is_there_after_a_restart(tmp_path: Path) -> None:
    """A key written before the program ends is read by the next one on the same state folder."""
    with embedded_server(tmp_path) as server:
        Redis.from_url(server.url).set("key", "kept")
    with embedded_server(tmp_path) as server:
        assert Redis.from_url(server.url).get("key") == b"kept"


def test_server_stops_with_its_context(tmp_path: Path) -> None:
    """Leaving the context ends the process and removes its socket."""
    with embedded_server(tmp_path) as server:
        assert is_alive(server.process_id)
    assert not is_alive(server.process_id)
    assert not Path(server.url.removeprefix("unix://")).exists()


def test_second_server_on_the_same_folder_is_refused(tmp_path: Path) -> None:
    """Two servers on one append-only file would destroy it, so the second gets a clear error."""
    with embedded_server(tmp_path), pytest.raises(ServerUnavailable, match="in use"), embedded_server(tmp_path):
        pass


def test_only_the_owner_may_reach_the_socket(tmp_path: Path) -> None:
    """The folder of the socket is closed to others, and no TCP port is opened."""
    with embedded_server(tmp_path) as server:
        folder = Path(server.url.removeprefix("unix://")).parent
        assert folder.stat().st_mode & 0o077 == 0
        assert Redis.from_url(server.url).config_get("port")["port"] == "0"


@pytest.mark.skipif(sys.platform != "linux", reason="the parent's death is only noticed on Linux")
def test_server_ends_when_its_program_is_killed(tmp_path: Path) -> None:
    """A program that is killed outright leaves no server behind."""
    script = (
        "import sys, time\nfrom pathlib import Path\nfrom worker.embedded import embedded_server\n"
        "with embedded_server(Path(sys.argv[1])) as server:\n"
        "    print(server.process_id, flush=True)\n    time.sleep(60)\n"
    )
    root = Path(__file__).parents[2]
    words = [sys.executable, "-c", script, str(tmp_path)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True, cwd=root) as program:
        assert program.stdout is not None
        server = int(program.stdout.readline())
        os.kill(program.pid, signal.SIGKILL)
    wait_until_gone(server)


def test_celery_puts_messages_on_its_socket(redis_url: str, client: Redis) -> None:
    """The same URL serves Celery, whose spelling of unix sockets differs."""
    app_sender(make_app(redis_url))(SlotName(job_id="any", round=0, island=0))
    assert client.llen(QUEUE) == 1
