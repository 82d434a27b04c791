"""Messages that are none of ours: a worker neither runs nor trips over them."""

from __future__ import annotations

import base64
import json
import pickle
from pathlib import Path
from typing import Any

import pytest

from tests.system.conftest import Server, StartWorker, small_request, wait_for, wait_for_end
from worker.app import TASK_NAME
from worker.connection import connect
from worker.service import DesignService
from worker.store import QUEUE


class Touch:
    """Unpickled, it makes a file: proof that somebody ran what a message holds."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self) -> Any:
        return Path.touch, (self.path,)


def message(body: bytes, content_type: str, task: str = TASK_NAME) -> str:
    """A message as the queue holds it."""
    tag = base64.b64encode(body).decode()
    return json.dumps(
        {
            "body": tag,
            "content-type": content_type,
            "content-encoding": "binary" if "json" not in content_type else "utf-8",
            "headers": {"task": task, "id": tag[:30], "lang": "py", "argsrepr": "", "kwargsrepr": ""},
            "properties": {
                "delivery_mode": 2,
                "delivery_info": {"exchange": "", "routing_key": QUEUE},
                "delivery_tag": tag[:30],
                "body_encoding": "base64",
            },
        }
    )


def of_json(args: Any, task: str = TASK_NAME) -> str:
    body = json.dumps([args, {}, {"callbacks": None, "errbacks": None, "chain": None, "chord": None}])
    return message(body.encode(), "application/json", task)


@pytest.mark.timeout(300)
def test_foreign_messages_are_neither_run_nor_in_the_way(
    server: Server, service: DesignService, start_worker: StartWorker, tmp_path: Path
) -> None:
    """Pickle is not opened, other tasks and wrong arguments are dropped, and the design behind them is designed."""
    trap = tmp_path / "was-run"
    pickled = pickle.dumps(([Touch(trap)], {}, {}))
    foreign = [
        message(pickled, "application/x-python-serialize"),
        message(pickled, "pickle"),
        message(pickled, "application/json"),
        message(b"{", "application/json"),
        of_json(["no such design", 0, 0]),
        of_json(["../../x", -1, 2**80]),
        of_json([{"a": 1}, "0", 1.5]),
        of_json([]),
        of_json(["id", 0, 0, 0]),
        of_json(["id", 0, 0], "os.system"),
    ]
    client = connect(server.url)
    client.rpush(QUEUE, *foreign)  # the end that is taken first
    worker = start_worker(1)
    design_id = service.submit(small_request(budget_trials_count=8)).design_id
    assert wait_for_end(service, design_id).state == "succeeded"
    wait_for(lambda: client.llen(QUEUE) == 0 and not client.exists("unacked"), "an empty queue")
    assert worker.process.poll() is None
    assert not trap.exists()
