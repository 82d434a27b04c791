"""Containers, as far as they can be checked without a container engine."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import yaml
from redis import Redis
from redis.exceptions import RedisError

from worker.embedded import embedded_server, server_binary

ROOT = Path(__file__).parents[1]
COMPOSE = yaml.safe_load((ROOT / "docker-compose.yml").read_text(encoding="utf-8"))
SERVICES: dict[str, dict[str, Any]] = COMPOSE["services"]
DOCKERFILE = (ROOT / "deploy" / "Dockerfile").read_text(encoding="utf-8")


START_SECONDS = 240.0  # a fresh clone compiles the kernels first
STOP_SECONDS = 30.0


@contextmanager
def process(command: list[str], folder: Path, environment: Mapping[str, str]) -> Iterator[subprocess.Popen[bytes]]:
    """Run a command in a folder until the context is left; it then gets SIGTERM and SIGKILL as a container does."""
    child = subprocess.Popen(command, cwd=folder, env=dict(environment), stdout=subprocess.DEVNULL)
    try:
        yield child
    finally:
        child.terminate()
        try:
            child.wait(STOP_SECONDS)
        finally:
            child.kill()
            child.wait()


def wait_until(done: Callable[[], bool], child: subprocess.Popen[bytes]) -> None:
    """Return once `done`; fail when the child ends before, or when that takes too long."""
    deadline = time.monotonic() + START_SECONDS
    while not done():
        assert child.poll() is None, f"ended with exit code {child.returncode}"
        assert time.monotonic() < deadline, f"not up within {START_SECONDS:g} s"
        time.sleep(0.2)


def answers(client: Redis) -> bool:
    """Whether the server replies to a ping."""
    try:
        return bool(client.ping())
    except RedisError:
        return False


def free_port() -> int:
    """A loopback port that nobody listens on at the moment."""
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return int(probe.getsockname()[1])


@pytest.fixture
def configured_redis(tmp_path: Path) -> Iterator[Redis]:
    """A real server started with the file that the container gets, on a socket in a folder of its own."""
    address = tmp_path / "redis.sock"
    command = [server_binary(), str(ROOT / "deploy" / "redis.conf"), "--port", "0", "--unixsocket", str(address)]
    with (
        process(command, tmp_path, os.environ) as child,
        Redis(unix_socket_path=str(address), decode_responses=True) as client,
    ):
        wait_until(lambda: answers(client), child)
        yield client


@pytest.fixture
def environment(tmp_path: Path) -> Iterator[dict[str, str]]:
    """Variables of a container, with a private server of this test in the place of the service `redis`."""
    with embedded_server(tmp_path) as server:
        yield {**os.environ, "REDIS_URL": server.url, "SHOTWRIGHT_STATE_FOLDER": str(tmp_path)}


def localised(words: list[str], port: int) -> list[str]:
    """A container's command as it runs here: this Python, loopback only, a free port."""
    here = {"python": sys.executable, "0.0.0.0": "127.0.0.1"}
    return [here.get(word, word).replace("8460", str(port)) for word in words]


def healthy(service: str, port: int, environment: Mapping[str, str]) -> bool:
    """Outcome of a service's health check."""
    kind, *words = SERVICES[service]["healthcheck"]["test"]
    assert kind == "CMD"
    check = subprocess.run(localised(words, port), cwd=ROOT, env=dict(environment), capture_output=True, check=False)
    return check.returncode == 0


@pytest.mark.parametrize("service", ["api", "worker"])
def test_health_check_tells_a_running_container(service: str, environment: dict[str, str]) -> None:
    """A service's own command makes its own health check pass, which fails before and after."""
    port = free_port()
    assert not healthy(service, port, environment)
    with process(localised(SERVICES[service]["command"], port), ROOT, environment) as child:
        wait_until(lambda: healthy(service, port, environment), child)
    assert not healthy(service, port, environment)


def test_compose_starts_api_worker_and_redis() -> None:
    """The three services are there, each with a health check and a restart policy."""
    assert set(SERVICES) == {"api", "worker", "redis"}
    assert all(service["healthcheck"]["test"] and service["restart"] for service in SERVICES.values())


def test_workers_can_be_multiplied() -> None:
    """Nothing in the worker's service is unique to one container, so that --scale works."""
    assert all("container_name" not in service for service in SERVICES.values())
    assert not {"ports", "hostname"} & set(SERVICES["worker"])


def test_only_the_loopback_of_the_machine_is_published() -> None:
    """The API's port is published on loopback, and nobody else's is published."""
    published = {name: service["ports"] for name, service in SERVICES.items() if "ports" in service}
    assert published == {"api": ["127.0.0.1:8460:8460"]}


def test_api_and_worker_are_one_image_and_wait_for_redis() -> None:
    """API and worker run the same image against the same Redis, once it is healthy."""
    api, worker = SERVICES["api"], SERVICES["worker"]
    for key in ("image", "build", "environment", "depends_on"):
        assert api[key] == worker[key]
    assert api["depends_on"]["redis"]["condition"] == "service_healthy"


def test_image_runs_without_privileges() -> None:
    """The image's last USER is not root."""
    users = re.findall(r"^USER\s+(\S+)", DOCKERFILE, flags=re.MULTILINE)
    assert users
    assert users[-1] not in {"root", "0"}


def test_image_keeps_its_state_where_its_user_may_write() -> None:
    """The folders that the image names lie in the home of the user that it runs as."""
    (home,) = re.findall(r"--home-dir (\S+)", DOCKERFILE)
    named = dict(re.findall(r"(\w+)=(/\S+)", DOCKERFILE))
    assert {"SHOTWRIGHT_STATE_FOLDER", "NUMBA_CACHE_DIR"} <= named.keys()
    assert all(folder.startswith(f"{home}/") for folder in named.values())


def test_image_is_made_of_files_that_reach_the_builder() -> None:
    """Every file the image copies exists and is let through by .dockerignore."""
    copied = re.findall(r"^COPY\s+(\S+)\s", DOCKERFILE, flags=re.MULTILINE)
    admitted = re.findall(r"^!(\S+)", (ROOT / ".dockerignore").read_text(encoding="utf-8"), flags=re.MULTILINE)
    assert sorted(copied) == sorted(admitted)
    assert all((ROOT / name).exists() for name in copied)


def test_redis_keeps_everything(configured_redis: Redis) -> None:
    """A server started with deploy/redis.conf writes an append-only file and evicts nothing."""
    settings = configured_redis.config_get("appendonly", "appendfsync", "maxmemory-policy")
    assert settings == {"appendonly": "yes", "appendfsync": "everysec", "maxmemory-policy": "noeviction"}
