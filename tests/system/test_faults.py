"""Processes are killed outright in the middle of a design: it ends with what an undisturbed run finds, bit for bit."""

from __future__ import annotations

import os
import signal
import time
from collections import Counter
from pathlib import Path

import httpx
import pytest
from redis.exceptions import RedisError

from tests.system.conftest import (
    DEFAULT_LEASE_SECONDS,
    RAISED_TRIALS,
    TRIALS,
    Outcome,
    Server,
    StartWorker,
    Undisturbed,
    kill_if_there,
    running_api,
    small_request,
    wait_for,
    wait_for_end,
    wait_for_trials,
)
from worker.budget import Budget
from worker.connection import connect
from worker.plan import first_plan, numbers_of
from worker.records import SlotName
from worker.service import DesignService
from worker.settings import Settings
from worker.watchdog import PICK_UP_SECONDS


def posted(service: DesignService) -> str:
    return service.submit(small_request()).design_id


def leased_slots(server: Server, design_id: str) -> dict[str, int]:
    """Attempts of the slots that are being worked on."""
    client = connect(server.url)
    slots = {str(key): client.hgetall(key) for key in client.keys(f"shotwright:design:{design_id}:slot:*")}
    return {key: int(slot["attempts"]) for key, slot in slots.items() if slot["state"] == "leased"}


def test_messages_delivered_three_times_and_a_killed_pool_process(
    service: DesignService, start_worker: StartWorker, undisturbed: Undisturbed
) -> None:
    """Every message of islands and closing comes three times, also while the first is worked on; a process dies twice.

    Progress is seen to grow only, and never beyond the budget.
    """
    worker = start_worker(2)
    design_id = posted(service)
    seen, kills = [0], [8, 60]

    def ended() -> bool:
        design = service.store.get(design_id)
        seen.append(design.progress.finished_trials_count)
        if not design.ended and seen[-1] != seen[-2]:
            for slot in (*service.store.first_slots(design_id), service.store.closing_of(design_id)):
                service.send(slot)
                service.send(slot)
        if kills and seen[-1] >= kills[0]:
            kills.pop(0)
            worker.kill_child()
        return design.ended

    wait_for(ended, "the end of the design", 120.0)
    assert not kills
    assert seen == sorted(seen)
    assert seen[-1] == TRIALS
    assert Outcome.of(service, design_id) == undisturbed.first


def test_killed_worker_is_followed_by_another_within_the_stated_time(
    server: Server, service: DesignService, start_worker: StartWorker, undisturbed: Undisturbed
) -> None:
    """At default settings the slot of a killed worker is in other hands within 45 s.

    Raising the budget afterwards gives what it gives undisturbed.
    """
    assert Settings(redis_url=server.url).lease_seconds == DEFAULT_LEASE_SECONDS
    doomed, other = (start_worker(1, lease_seconds=DEFAULT_LEASE_SECONDS) for _ in range(2))
    design_id = posted(service)
    wait_for(lambda: len(leased_slots(server, design_id)) == 2, "both workers to be at an island")
    doomed.kill()
    killed = time.monotonic()
    wait_for(lambda: 2 in leased_slots(server, design_id).values(), "the lost slot in other hands", PICK_UP_SECONDS)
    assert time.monotonic() - killed <= PICK_UP_SECONDS
    wait_for_end(service, design_id)
    assert Outcome.of(service, design_id) == undisturbed.first
    service.extend(design_id, Budget(budget_trials_count=RAISED_TRIALS))
    wait_for_end(service, design_id)
    assert Outcome.of(service, design_id) == undisturbed.raised
    assert other.stop() == 0


def test_killed_watchdog_is_followed_by_another(
    server: Server, service: DesignService, start_worker: StartWorker, undisturbed: Undisturbed
) -> None:
    """The process with the watchdog dies alone, its pool goes on for a while; another worker's watchdog takes over."""
    doomed = start_worker(1)
    design_id = posted(service)
    wait_for_trials(service, design_id, 8)
    sweeper = connect(server.url).get("shotwright:sweeper")
    assert sweeper is not None
    orphans = doomed.kill_parent()
    try:
        start_worker(1)
        wait_for_end(service, design_id)
        assert connect(server.url).get("shotwright:sweeper") not in (None, sweeper)
        assert Outcome.of(service, design_id) == undisturbed.first
    finally:
        for child in orphans:
            kill_if_there(child)


def test_killed_server_comes_back_with_everything(
    server: Server, service: DesignService, start_worker: StartWorker, undisturbed: Undisturbed
) -> None:
    """Killed and started again on its append-only file, the server has lost no trial, and the same worker goes on.

    Meanwhile a request fails at once instead of hanging.
    """
    worker = start_worker(2)
    design_id = posted(service)
    before = wait_for_trials(service, design_id, 12)
    server.kill()
    with pytest.raises(RedisError):
        service.submit(small_request())
    time.sleep(1.0)
    server.start()
    after = service.store.get(design_id)
    # appendfsync everysec: nothing is lost when the process dies, at most a second when the machine does
    assert after.progress.finished_trials_count >= before.progress.finished_trials_count
    wait_for_end(service, design_id)
    assert worker.process.poll() is None
    assert Outcome.of(service, design_id) == undisturbed.first


def test_killed_api_leaves_its_designs_at_work(
    server: Server, service: DesignService, start_worker: StartWorker, undisturbed: Undisturbed, tmp_path: Path
) -> None:
    """A design goes on while the API is dead; the next API shows it, and a repeated post finds it again."""
    start_worker(2)
    body, key = small_request().model_dump(mode="json"), {"Idempotency-Key": "the same"}
    with running_api(server, tmp_path / "first.log") as (process, address):
        answer = httpx.post(f"{address}/v1/designs", json=body, headers=key, trust_env=False)
        assert answer.status_code == 202, answer.text
        design_id = answer.json()["id"]
        wait_for_trials(service, design_id, 8)
        os.kill(process.pid, signal.SIGKILL)
        process.wait(10)
    with running_api(server, tmp_path / "second.log") as (_, address):
        again = httpx.post(f"{address}/v1/designs", json=body, headers=key, trust_env=False)
        assert again.json()["id"] == design_id
        wait_for_end(service, design_id)
        shown = httpx.get(f"{address}/v1/designs/{design_id}", trust_env=False).json()
    assert shown["status"] == "succeeded"
    assert Outcome.of(service, design_id) == undisturbed.first


def test_island_that_kills_its_worker_three_times_is_given_up(
    service: DesignService, start_worker: StartWorker, undisturbed: Undisturbed
) -> None:
    """The trial that ends the process each time is named with its shot; the rest of the design is finished."""
    numbers = numbers_of(first_plan(TRIALS), SlotName(job_id="any", round=0, island=1))
    gaps = Counter(row.parameters.gap_m for row in undisturbed.first.candidates)
    deadly = next(
        row for row in undisturbed.first.candidates if row.number in numbers[15:] and gaps[row.parameters.gap_m] == 1
    )
    start_worker(program=("-m", "tests.system.deadly_worker", repr(deadly.parameters.gap_m)))
    design_id = posted(service)
    design = wait_for_end(service, design_id)
    assert design.state == "succeeded"
    assert design.recommended is not None
    (given_up,) = design.given_up
    assert (given_up.island_number, given_up.attempts_count) == (1, 3)
    assert given_up.under_way is not None
    assert given_up.under_way.trial_number == deadly.number
    assert given_up.under_way.shot.gap_m == deadly.parameters.gap_m
    assert given_up.under_way.shot.coil.turns_count == deadly.parameters.turns_count
    found = {row.number: row for row in service.store.candidates(design_id, 1000).items}
    assert len(found) == design.progress.finished_trials_count
    assert design.progress.lost_trials_count == given_up.lost_trials_count == TRIALS - len(found)
    assert set(range(TRIALS)) - set(found) <= set(numbers)
    assert deadly.number not in found
    assert all(undisturbed.first.candidates[n].parameters == row.parameters for n, row in found.items())
    assert design.failure is not None
    assert f"trial {deadly.number}" in design.failure
