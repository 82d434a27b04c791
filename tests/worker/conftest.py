"""A real private server for the tests of store and search, emptied before each test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from redis import Redis

from worker.connection import connect
from worker.embedded import embedded_server
from worker.store import Store


@pytest.fixture(scope="session")
def redis_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with embedded_server(Path(tmp_path_factory.mktemp("state"))) as server:
        yield server.url


@pytest.fixture
def client(redis_url: str) -> Iterator[Redis]:
    found = connect(redis_url)
    found.flushdb()
    yield found
    found.close()


@pytest.fixture
def store(client: Redis) -> Store:
    return Store(client)
