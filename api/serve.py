"""`python -m api.serve`: the HTTP service alone, on the store that REDIS_URL names, until it is told to stop.

On SIGTERM or SIGINT it takes no new connection, ends event streams so that their readers come back elsewhere, answers
the requests under way for a stated time, and ends with exit code 0.
"""

from __future__ import annotations

import argparse
import importlib
import logging
import os
import signal
import socket
import sys
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

import uvicorn
from redis.exceptions import RedisError

from api.access.connection import PromptProtocol
from api.feeds import Feeds
from worker.connection import connect
from worker.errors import StoreUnfit
from worker.fitness import prepare
from worker.loading import loading
from worker.logs import set_up_logs
from worker.settings import settings_or_exit

if TYPE_CHECKING:
    from fastapi import FastAPI

MOST_CONNECTIONS = 1000
#: How long a thread that waits for the interpreter is kept waiting, s. A read of the store gives it up half a dozen
#: times, and would wait for Python's own 5 ms each time while the service is busy.
SWITCH_S = 5e-4


class _Server(uvicorn.Server):
    """A server that says farewell to the readers of events before it waits for requests to end."""

    def __init__(self, config: uvicorn.Config, feeds: Feeds) -> None:
        super().__init__(config)
        self._feeds = feeds

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._feeds.say_stopping()
        await super().shutdown(sockets)


def main(arguments: list[str] | None = None) -> int:
    """Serve; returns the exit code, which is 2 when a setting cannot be used."""
    parser = argparse.ArgumentParser(prog="python -m api.serve", description="The HTTP service without a worker.")
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default: %(default)s)")
    parser.add_argument("--port", type=int, default=8460, help="port to listen on (default: %(default)s)")
    options = parser.parse_args(arguments)
    settings = settings_or_exit()
    if settings.redis_url is None:
        print("set REDIS_URL to the server that the workers use; `make run` starts all together", file=sys.stderr)
        return 2
    set_up_logs(settings.log_level)
    try:
        prepare(connect(settings.redis_url))
    except RedisError:
        pass  # a server that is away may come back; forward shots need none
    except (StoreUnfit, ValueError) as problem:
        print(f"the server that REDIS_URL names cannot be used: {problem}", file=sys.stderr)
        return 1
    folder = Path(os.environ.setdefault("PROMETHEUS_MULTIPROC_DIR", str(settings.state_folder.resolve() / "metrics")))
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        print(f"cannot make {folder} for counts of requests: {problem}; set SHOTWRIGHT_STATE_FOLDER", file=sys.stderr)
        return 2
    with loading():  # only now: the library of metrics reads the environment when loaded
        app: FastAPI = importlib.import_module("api.app").create_app(settings)
    config = uvicorn.Config(
        app,
        host=options.host,
        port=options.port,
        http=PromptProtocol,
        timeout_keep_alive=settings.keep_alive_seconds,
        limit_concurrency=MOST_CONNECTIONS,
        server_header=False,
        log_config=None,
        access_log=False,  # api.request_trace writes the same, with ids
        timeout_graceful_shutdown=settings.stop_grace_seconds,
    )
    # The server raises the signal again once it has stopped; by then everything is done.
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, _leave)
    sys.setswitchinterval(SWITCH_S)
    server = _Server(config, app.state.feeds)
    server.run()
    return 0 if server.started else 3


def _leave(_: int, __: FrameType | None) -> None:
    """Leave without the interpreter's own end, which hangs at times when a thread is still loading kernels."""
    logging.shutdown()
    os._exit(0)


if __name__ == "__main__":
    sys.exit(main())
