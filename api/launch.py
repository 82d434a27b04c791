"""Starts store, service and worker in order, and stops what it started in the opposite order."""

from __future__ import annotations

import json
import os
import signal
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from http.client import HTTPConnection, HTTPException
from ipaddress import ip_address
from types import FrameType
from typing import Any
from urllib.parse import urlsplit

from redis.exceptions import RedisError

from api.access.loopback import is_loopback
from api.processes import Part, started
from worker.access import Keyring
from worker.connection import connect
from worker.embedded import embedded_server
from worker.errors import StoreUnfit
from worker.fitness import prepare
from worker.settings import Access, Settings

#: Compiling the kernels takes some tens of seconds on the first run.
KERNELS_PATIENCE_S = 300.0
START_PATIENCE_S = 60.0
#: Beyond what the settings give requests and tasks under way.
API_GRACE_S = 5.0
WORKER_GRACE_S = 20.0
_LOOK_S = 0.1

#: Told what is being waited for, and since how many seconds.
Tell = Callable[[str, float], None]


class LaunchError(RuntimeError):
    """Something did not start; the text says what, why and what to do."""


class Stopped(BaseException):
    """A signal asked the program to end."""


@dataclass(frozen=True)
class Service:
    """The running whole. `private_store` is false when REDIS_URL named a server of the user's."""

    address: str
    parts: tuple[Part, ...]
    private_store: bool

    def ended_part(self) -> Part | None:
        """A part that has ended by itself, which none should."""
        return next((part for part in self.parts if part.ended), None)


def free_port(host: str) -> int:
    """A port of this machine that nobody listens on at the moment."""
    with socket.create_server((host, 0)) as probe:
        return int(probe.getsockname()[1])


@contextmanager
def running(settings: Settings, host: str, port: int, tell: Tell) -> Iterator[Service]:
    """The whole service, ready for work. Raises LaunchError, or ServerUnavailable of `worker.embedded`."""
    _check_port(host, port)
    logs = settings.state_folder.resolve() / "logs"
    address = f"http://{_for_url(host)}:{port}"
    with ExitStack() as stack:
        url = settings.redis_url or stack.enter_context(embedded_server(settings.state_folder)).url
        _check_store(url)
        _check_access(settings.access, host, url)
        folder = str(settings.state_folder.resolve())
        environment = {**os.environ, "REDIS_URL": url, "SHOTWRIGHT_STATE_FOLDER": folder}
        grace_s = settings.stop_grace_seconds + API_GRACE_S
        api = stack.enter_context(started("API", _api_words(host, port), environment, logs / "api.log", grace_s))
        words = ["-m", "worker"]
        worker = stack.enter_context(started("worker", words, environment, logs / "worker.log", WORKER_GRACE_S))
        both = [api, worker]
        _wait("API", both, START_PATIENCE_S, tell, lambda: None if _answers(address) else "starting the service")
        _wait("kernels", both, KERNELS_PATIENCE_S, tell, lambda: _awaited(address, "kernels"))
        _wait("worker", both, START_PATIENCE_S, tell, lambda: _awaited(address, "workers") and "starting the worker")
        try:
            yield Service(address, (api, worker), private_store=settings.redis_url is None)
        except Stopped:
            tell("stop", 0.0)
            raise


def _api_words(host: str, port: int) -> list[str]:
    return ["-m", "api.serve", "--host", host, "--port", str(port)]


def _check_port(host: str, port: int) -> None:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        with socket.create_server((host, port), family=family):
            return
    except OSError as problem:
        reason = problem.strerror or str(problem)
        raise LaunchError(f"cannot listen on {host} port {port}: {reason}; choose another with --port") from problem


def _check_store(url: str) -> None:
    try:
        prepare(connect(url))
    except (RedisError, StoreUnfit, ValueError) as problem:
        raise LaunchError(f"the server that REDIS_URL names cannot be used: {problem}") from problem


def _check_access(access: Access, host: str, url: str) -> None:
    if access == "open" or is_loopback(host) or Keyring(connect(url)).all():
        return
    raise LaunchError(
        f"{host} can be reached from other machines, and there is no access key yet; make one with "
        "`python -m api keys create --scope submit --name ...`, or set SHOTWRIGHT_ACCESS=open to let everybody in"
    )


def _for_url(host: str) -> str:
    """How to reach a listener on `host` from this machine."""
    try:
        address = ip_address(host)
    except ValueError:
        return host
    if address.is_unspecified:
        return "127.0.0.1" if address.version == 4 else "[::1]"
    return host if address.version == 4 else f"[{host}]"


def _wait(what: str, parts: list[Part], patience_s: float, tell: Tell, awaited: Callable[[], str | None]) -> None:
    """Wait until `awaited` returns None; else it says for what, which is told."""
    begun_s = time.monotonic()
    while (words := awaited()) is not None:
        elapsed_s = time.monotonic() - begun_s
        tell(words, elapsed_s)
        ended = next((part for part in parts if part.ended), None)
        if ended is not None:
            raise LaunchError(
                f"the {ended.name} ended while starting; its last words ({ended.log}):\n{ended.last_words()}"
            )
        if elapsed_s > patience_s:
            raise LaunchError(f"the {what} did not become ready within {patience_s:.0f} s; see {parts[0].log}")
        time.sleep(_LOOK_S)


def _answers(address: str) -> bool:
    return _get(address, "/livez") is not None


def _awaited(address: str, name: str) -> str | None:
    """What a check of /readyz says, None once it is passed."""
    check = (_get(address, "/readyz") or {}).get("checks", {}).get(name, {})
    return None if check.get("ok") else str(check.get("detail", name))


def _get(address: str, path: str) -> dict[str, Any] | None:
    """What the service on this machine answers; None while it does not. A client's library takes longer to load."""
    where = urlsplit(address)
    with closing(HTTPConnection(where.hostname or "", where.port, timeout=5.0)) as connection:
        try:
            connection.request("GET", path)
            body: dict[str, Any] = json.loads(connection.getresponse().read())
        except (OSError, HTTPException):
            return None
    return body


@contextmanager
def stopping_on_signals() -> Iterator[None]:
    """Within the context the first SIGINT or SIGTERM raises Stopped; later ones do not disturb the stopping."""
    previous = {number: signal.signal(number, _raise_once) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in previous.items():
            signal.signal(number, handler)


def _raise_once(number: int, _: FrameType | None) -> None:
    for other in (signal.SIGINT, signal.SIGTERM):
        signal.signal(other, signal.SIG_IGN)
    raise Stopped(signal.Signals(number).name)
