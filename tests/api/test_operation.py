"""Liveness, readiness, and the start and end of the whole service, with processes of its own."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Any

import httpx
import pytest
from redis import Redis

from api.launch import free_port
from worker.embedded import embedded_server

Json = dict[str, Any]

_HOST = "127.0.0.1"


@contextmanager
def _program(words: list[str], environment: dict[str, str]) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [sys.executable, *words],
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    try:
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


def _environment(folder: Path, redis_url: str | None = None) -> dict[str, str]:
    plain = {name: value for name, value in os.environ.items() if "REDIS_URL" not in name}
    plain["SHOTWRIGHT_STATE_FOLDER"] = str(folder)
    return plain | ({"REDIS_URL": redis_url} if redis_url else {})


def _get(url: str) -> httpx.Response:
    return httpx.get(url, timeout=20.0, trust_env=False)


def _wait_for(url: str, status: int, process: subprocess.Popen[str]) -> httpx.Response:
    deadline = time.monotonic() + 120.0
    while time.monotonic() < deadline and process.poll() is None:
        with suppress(httpx.TransportError):
            answer = _get(url)
            if answer.status_code == status:
                return answer
        time.sleep(0.1)
    raise AssertionError(f"{url} did not answer {status}")


def _descendants(pid: int) -> set[int]:
    """The processes below `pid`, by their parents as /proc tells them."""
    parents: dict[int, int] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                parents[int(entry.name)] = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
            except (FileNotFoundError, ProcessLookupError):
                continue
    found: set[int] = set()
    waiting = [pid]
    while waiting:
        here = waiting.pop()
        children = {child for child, parent in parents.items() if parent == here}
        found |= children
        waiting += children
    return found


def _is_running(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


def test_running_service_is_alive_and_ready(client: httpx.Client) -> None:
    """Each check of readiness says how it stands."""
    assert client.get("/livez").json() == {"status": "alive"}
    body = client.get("/readyz").json()
    assert body["status"] == "ready"
    assert {name: check["ok"] for name, check in body["checks"].items()} == {
        "store": True,
        "kernels": True,
        "workers": True,
    }


def test_service_without_store_is_alive_but_not_ready(tmp_path: Path, shot: Json) -> None:
    """While the store is away the service lives, refuses designs with 503 and Retry-After, and still runs shots."""
    port = free_port(_HOST)
    base = f"http://{_HOST}:{port}"
    words = ["-m", "api.serve", "--port", str(port)]
    with ExitStack() as stack:
        with embedded_server(tmp_path) as server:
            process = stack.enter_context(_program(words, _environment(tmp_path, server.url)))
            _wait_for(f"{base}/livez", 200, process)
            checks = _wait_for(f"{base}/readyz", 503, process).json()["checks"]
            assert checks["store"]["ok"]
            assert not checks["workers"]["ok"]
        assert _get(f"{base}/livez").status_code == 200
        away = _get(f"{base}/readyz").json()
        assert away["type"] == "/problems/not-ready"
        assert not away["checks"]["store"]["ok"]
        for path in ("/v1/designs", "/v1/designs/1", "/v1/designs/1/candidates"):
            answer = _get(f"{base}{path}")
            assert answer.status_code == 503
            assert answer.json()["type"] == "/problems/store-unavailable"
            assert int(answer.headers["Retry-After"]) > 0
        assert _get(f"{base}/").status_code == 200
        assert _get(f"{base}/v1/wires").status_code == 200
        assert httpx.post(f"{base}/v1/shots", json=shot, timeout=150.0, trust_env=False).status_code == 200


@pytest.mark.parametrize("ending", [signal.SIGINT, signal.SIGTERM])
def test_signal_stops_all_that_was_started(tmp_path: Path, ending: signal.Signals) -> None:
    """`python -m api` says where it serves and leaves no process behind; a store of the user's goes on."""
    port = free_port(_HOST)
    with ExitStack() as stack:
        users_store = ending is signal.SIGTERM
        url = stack.enter_context(embedded_server(tmp_path / "theirs")).url if users_store else None
        program = _program(["-m", "api", "--port", str(port)], _environment(tmp_path / "ours", url))
        process = stack.enter_context(program)
        assert process.stdout is not None
        assert f"http://{_HOST}:{port}" in process.stdout.readline()
        assert _get(f"http://{_HOST}:{port}/readyz").status_code == 200
        children = _descendants(process.pid)
        assert len(children) >= (3 if users_store else 4)  # store, service, worker and its pool
        process.send_signal(ending)
        process.communicate(timeout=60)
        assert process.returncode == 0
        assert not [pid for pid in children if _is_running(pid)]
        assert url is None or Redis.from_url(url).ping()


def test_store_that_does_not_answer_is_told(tmp_path: Path) -> None:
    """A REDIS_URL that leads nowhere ends the program in seconds with a clear sentence and exit code 1."""
    environment = _environment(tmp_path, f"redis://{_HOST}:{free_port(_HOST)}/0")
    for words in (["-m", "api", "--port", str(free_port(_HOST))], ["-m", "api.demo"]):
        with _program(words, environment) as process:
            _, errors = process.communicate(timeout=60)
        assert process.returncode == 1
        assert "REDIS_URL" in errors
        assert "Traceback" not in errors


def test_port_in_use_is_told(tmp_path: Path) -> None:
    """A port that somebody has is named in one clear sentence, with exit code 1 and nothing left running."""
    with socket.create_server((_HOST, 0)) as taken:
        port = taken.getsockname()[1]
        with _program(["-m", "api", "--port", str(port)], _environment(tmp_path / "state")) as process:
            _, errors = process.communicate(timeout=60)
    assert process.returncode == 1
    assert str(port) in errors
    assert "in use" in errors
    assert "Traceback" not in errors


def test_service_listens_on_loopback_only(service: str) -> None:
    """Unless told otherwise nothing is reachable from outside this machine."""
    port = int(service.rpartition(":")[2])
    listening = [line.split()[1] for line in Path("/proc/net/tcp").read_text().splitlines()[1:] if " 0A " in line]
    addresses = {local.partition(":")[0] for local in listening if int(local.partition(":")[2], 16) == port}
    assert addresses == {"0100007F"}  # 127.0.0.1 in the kernel's order of bytes
