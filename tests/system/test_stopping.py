"""SIGTERM at work: what is under way is answered or handed back, within the stated time, and the exit code is 0."""

from __future__ import annotations

import copy
import signal
import threading
import time
from pathlib import Path
from typing import Any

import httpx

from api import examples
from tests.system.conftest import Server, StartWorker, running_api, small_request, wait_for, wait_for_trials
from worker.app import SOFT_STOP_SECONDS
from worker.service import DesignService

#: What a worker may take beyond its soft stop: the shot under way, and the end of its processes on a busy machine.
WORKER_EXTRA_SECONDS = 7.0


def kernels_are_warm(address: str) -> bool:
    checks = httpx.get(f"{address}/readyz", trust_env=False).json()["checks"]
    return bool(checks["kernels"]["ok"])


def test_request_under_way_is_answered_before_the_service_stops(server: Server, tmp_path: Path) -> None:
    """A long shot that began before SIGTERM gets its answer; nobody else is let in; the exit code is 0."""
    # A tall tube in a coil of three layers takes seconds.
    shot: dict[str, Any] = copy.deepcopy(examples.SHOT) | {"solver": {"fidelity": "reference"}}
    shot["coil"] |= {"turns_count": 24, "layers_count": 3}
    shot["workpiece"] |= {"shape": "tube", "inner_diameter_m": 0.024, "thickness_m": 0.03}
    answers: list[httpx.Response] = []
    with running_api(server, tmp_path / "log", SHOTWRIGHT_STOP_GRACE_SECONDS="60") as (process, address):
        wait_for(lambda: kernels_are_warm(address), "the kernels", 170.0)

        def ask() -> None:
            answers.append(httpx.post(f"{address}/v1/shots", json=shot, timeout=60.0, trust_env=False))

        asking = threading.Thread(target=ask)
        asking.start()
        time.sleep(0.3)
        assert not answers, "the shot was too short to be under way"
        process.send_signal(signal.SIGTERM)
        asking.join(60)
        assert process.wait(20) == 0
    assert answers[0].status_code == 200
    assert answers[0].json()["status"] == "completed"


def test_worker_stops_within_its_grace_and_says_goodbye(service: DesignService, start_worker: StartWorker) -> None:
    """In the middle of its islands a worker ends in the stated time with exit code 0, and is no longer called alive."""
    worker = start_worker(2)
    design_id = service.submit(small_request(budget_trials_count=480)).design_id
    wait_for_trials(service, design_id, 3)
    assert worker.stop(SOFT_STOP_SECONDS + WORKER_EXTRA_SECONDS) == 0
    assert service.store.live_workers() == []
    assert not service.store.get(design_id).ended
