"""Health check of a worker's container: exit code 0 while the worker of this host gives its sign of life."""

from __future__ import annotations

import socket
import sys

from redis.exceptions import RedisError

from worker.connection import connect
from worker.settings import Settings
from worker.store import Store


def alive_here(url: str) -> bool:
    """Whether one of the live workers, named process@host, is of this host."""
    names = Store(connect(url)).live_workers()
    return any(name.rpartition("@")[2] == socket.gethostname() for name in names)


def main() -> int:
    """Exit code 0, or 1 with the reason on standard error."""
    url = Settings().redis_url
    if url is None:
        print("REDIS_URL is not set", file=sys.stderr)
        return 1
    try:
        alive = alive_here(url)
    except RedisError as problem:
        print(f"the store does not answer: {problem}", file=sys.stderr)
        return 1
    if not alive:
        print("no worker of this host has given a sign of life lately", file=sys.stderr)
    return 0 if alive else 1


if __name__ == "__main__":
    sys.exit(main())
