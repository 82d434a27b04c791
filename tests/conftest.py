"""The whole service as real processes, shared by a test session: a client of it, good inputs, one finished design."""

from __future__ import annotations

import copy
import os
import time
from collections.abc import Callable, Iterator
from typing import Any

import httpx
import pytest

from api.launch import free_port, running
from worker.settings import Settings

Json = dict[str, Any]

#: A plausible bench and coil; the numbers are this project's own.
_SHOT: Json = {
    "bank": {"capacitance_farad": 1e-4, "charge_voltage_v": 6000.0, "inductance_henry": 6e-8, "resistance_ohm": 3e-3},
    "leads": {"inductance_henry": 1e-7, "resistance_ohm": 4e-3},
    "coil": {"turns_count": 8, "wire_diameter_m": 2e-3, "pitch_m": 2.2e-3},
    "gap_m": 1e-3,
    "workpiece": {"shape": "disc", "outer_diameter_m": 0.03, "thickness_m": 2e-3, "layers": [{"material": "copper"}]},
    "solver": {"fidelity": "screen"},
}

_DESIGN: Json = {
    "name": "a test",
    "workpiece": _SHOT["workpiece"],
    "target": {"final_outer_diameter_m": 0.025, "tolerance_m": 1e-4},
    "limits": {"charge_voltage_v": 10000, "stored_energy_j": 8000, "peak_current_a": 120000},
    "bench": {
        "bank": {"inductance_henry": 6e-8, "resistance_ohm": 3e-3},
        "leads": {"inductance_henry": 1e-7, "resistance_ohm": 4e-3},
    },
    "search": {
        "turns": {"low_count": 5, "high_count": 10},
        "gap": {"low_m": 0.8e-3, "high_m": 2e-3},
        "capacitance": {"low_farad": 6e-5, "high_farad": 2e-4},
        "wires": ["awg_10", "awg_12"],
    },
    "budget_trials_count": 30,
    "seed": 7,
}


@pytest.fixture(scope="session")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Base URL of a running service on loopback."""
    # The tests ask more in a minute than any lab does; tests/api/test_access.py has services with a rate.
    os.environ["SHOTWRIGHT_RATE_PER_MINUTE"] = "0"
    settings = Settings(redis_url=None, state_folder=tmp_path_factory.mktemp("service"))
    with running(settings, "127.0.0.1", free_port("127.0.0.1"), lambda *_: None) as started:
        yield started.address


@pytest.fixture(scope="session")
def client(service: str) -> Iterator[httpx.Client]:
    """A client of the running service."""
    with httpx.Client(base_url=service, timeout=60.0, trust_env=False) as session:
        yield session


@pytest.fixture
def shot() -> Json:
    """A good shot, to be spoilt by a test."""
    return copy.deepcopy(_SHOT)


@pytest.fixture
def design() -> Json:
    """A good, small design request, to be spoilt by a test."""
    return copy.deepcopy(_DESIGN)


@pytest.fixture(scope="session")
def wait_for_end(client: httpx.Client) -> Callable[[str], Json]:
    """Polls the design at a path until it has ended; returns its last state."""
    return lambda path: _watch(client, path)[-1]


def _watch(client: httpx.Client, path: str, patience_s: float = 120.0) -> list[Json]:
    """Poll a design until it has ended; returns every state seen."""
    deadline = time.monotonic() + patience_s
    seen: list[Json] = []
    while time.monotonic() < deadline:
        seen.append(client.get(path).raise_for_status().json())
        if seen[-1]["status"] in ("succeeded", "failed", "cancelled"):
            return seen
        time.sleep(0.2)
    raise AssertionError(f"{path} did not end within {patience_s} s: {seen[-1]}")


@pytest.fixture(scope="session")
def watched(client: httpx.Client) -> list[Json]:
    """The states of a design from its posting to its end."""
    answer = client.post("/v1/designs", json=_DESIGN)
    assert answer.status_code == 202, answer.text
    return _watch(client, answer.headers["Location"])


@pytest.fixture(scope="session")
def finished(watched: list[Json]) -> Json:
    """A design that has run to its end."""
    assert watched[-1]["status"] == "succeeded", watched[-1]["failure"]
    return watched[-1]
