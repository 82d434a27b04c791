"""The whole service as real processes: private store, HTTP service, worker; shared by a test session."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from api.launch import free_port, running
from worker.settings import Settings


@pytest.fixture(scope="session")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Base URL of a running service on loopback."""
    # The tests ask more in a minute than any lab does; tests/api/test_access.py has services with a rate.
    os.environ["SHOTWRIGHT_RATE_PER_MINUTE"] = "0"
    settings = Settings(redis_url=None, state_folder=tmp_path_factory.mktemp("service"))
    with running(settings, "127.0.0.1", free_port("127.0.0.1"), lambda *_: None) as started:
        yield started.address
