"""Counts and times of HTTP requests, for all processes that share a folder.

Each process keeps its counts in files of its own in the folder that PROMETHEUS_MULTIPROC_DIR names, and each of them
adds up all files when it is asked. What a process leaves behind when it ends is put into one file, so that counts never
go back and the folder does not grow. Without the folder a process has its own counts only.
"""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import cast

from prometheus_client import CollectorRegistry, Counter, Histogram
from prometheus_client.core import Metric
from prometheus_client.mmap_dict import MmapedDict
from prometheus_client.multiprocess import MultiProcessCollector
from prometheus_client.registry import Collector
from starlette.types import ASGIApp, Message, Receive, Scope, Send

#: Stands for all processes that have ended; no process has this number.
_ENDED = 0
_METHODS = {"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"}
_BUCKETS_S = (0.005, 0.025, 0.1, 0.5, 2.5, 10.0)

_own = CollectorRegistry()
_requests = Counter(
    "shotwright_http_requests", "HTTP requests that were answered.", ["method", "route", "status"], registry=_own
)
_seconds = Histogram(
    "shotwright_http_request_duration_seconds",
    "Time until the answer began.",
    ["method", "route"],
    buckets=_BUCKETS_S,
    registry=_own,
)


class HttpMetrics:
    """ASGI middleware that counts. Routes are told by their template, so there are only so many."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        begun_s, status = time.perf_counter(), 0

        async def noted(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                _count(scope, status, time.perf_counter() - begun_s)
            await send(message)

        try:
            await self.app(scope, receive, noted)
        except Exception:
            if not status:  # it is answered further out
                _count(scope, 500, time.perf_counter() - begun_s)
            raise


def _count(scope: Scope, status: int, elapsed_s: float) -> None:
    method, route = _method_of(scope), _route_of(scope)
    _requests.labels(method, route, status).inc()
    _seconds.labels(method, route).observe(elapsed_s)


def collected() -> CollectorRegistry:
    """Everything that was counted by all processes."""
    folder = _shared_folder()
    if folder is None:
        return _own
    registry = CollectorRegistry()
    registry.register(_Folder(folder))
    return registry


def _shared_folder() -> Path | None:
    named = os.environ.get("PROMETHEUS_MULTIPROC_DIR")
    return Path(named) if named else None


class _Folder(Collector):
    """All files of the folder, which nobody moves meanwhile."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._files = MultiProcessCollector(None, str(folder))

    def collect(self) -> Iterable[Metric]:
        with _locked(self._folder, fcntl.LOCK_SH):
            return cast("list[Metric]", list(self._files.collect()))


def keep_counts_of_ended() -> None:
    """Add the counts of processes that have ended to one file, and remove theirs."""
    folder = _shared_folder()
    if folder is None:
        return
    with _locked(folder, fcntl.LOCK_EX):
        for path in folder.glob("*.db"):
            kind, _, number = path.stem.rpartition("_")
            if int(number) != _ENDED and not _is_alive(int(number)):
                _add(path, folder / f"{kind}_{_ENDED}.db")
                path.unlink()


def _add(source: Path, target: Path) -> None:
    total = MmapedDict(str(target))
    for key, value, moment, _ in MmapedDict.read_all_values_from_file(str(source)):
        total.write_value(key, total.read_value(key)[0] + value, moment)
    total.close()


def _is_alive(process_id: int) -> bool:
    try:
        os.kill(process_id, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


@contextmanager
def _locked(folder: Path, how: int) -> Iterator[None]:
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "lock").open("w") as handle:
        fcntl.flock(handle, how)
        yield


def _method_of(scope: Scope) -> str:
    method = str(scope["method"])
    return method if method in _METHODS else "other"


def _route_of(scope: Scope) -> str:
    route = scope.get("route")
    if route is None and scope.get("root_path"):
        return str(scope["root_path"])  # files, whose folder is mounted
    return str(getattr(route, "path", "none"))
