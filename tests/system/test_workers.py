"""Whole designs on real workers, and what happens to them when workers and servers die."""

from __future__ import annotations

import time

import pytest

from physics import simulate_shot
from tests.system.conftest import (
    LEASE_SECONDS,
    StartWorker,
    wait_for,
    wait_for_end,
    wait_for_trials,
)
from tests.worker.samples import loose_request as request
from worker.records import Candidate, Design
from worker.service import DesignService
from worker.trial import shot_of
from worker.watchdog import Watchdog


def candidates(service: DesignService, design_id: str) -> list[Candidate]:
    """All candidates by number."""
    return sorted(service.store.candidates(design_id, 1000).items, key=lambda found: found.number)


def check_recommended(design: Design) -> None:
    """Run the recommended shot again, as its user would, and hold it against target and limits."""
    assert design.recommended is not None
    found = design.recommended.candidate
    shot = shot_of(design.request, found)
    assert shot is not None
    result = simulate_shot(shot.model_dump())
    assert result.status == "completed"
    assert result.summary is not None
    assert result.shot.solver.fidelity == "design"
    assert result.summary.final_outer_diameter_m == pytest.approx(0.024, abs=design.request.target.tolerance_m)
    assert {rating.name for rating in result.ratings} == {"charge_voltage_v", "stored_energy_j", "peak_current_a"}
    assert not any(rating.exceeded for rating in result.ratings)
    assert found.number in design.front_numbers


def test_design_runs_to_its_end_whatever_dies(service: DesignService, start_worker: StartWorker) -> None:
    """Same seed, same candidates and front, bit for bit, and every trial counted once.

    Once on two processes, with every message sent twice; once on one, whose process is killed in mid-island.
    """
    calm = service.submit(request()).design_id
    for slot in service.store.first_slots(calm):
        service.send(slot)
    worker = start_worker(2)
    seen: list[int] = []

    def ended() -> bool:
        seen.append(service.store.get(calm).progress.finished_trials_count)
        return service.store.get(calm).ended

    wait_for(ended, "the end of the design", 120.0)
    assert seen == sorted(seen)
    assert worker.stop() == 0
    first = service.store.get(calm)
    assert first.state == "succeeded", first.failure
    assert first.progress.finished_trials_count == first.progress.budget_trials_count == 61
    check_recommended(first)

    rough = service.submit(request()).design_id
    killed = start_worker(1)
    wait_for_trials(service, rough, 8)
    killed.kill_child()
    second = wait_for_end(service, rough)
    assert second.state == "succeeded"
    assert second.progress.finished_trials_count == 61
    assert second.progress.lost_trials_count == 0
    assert candidates(service, rough) == candidates(service, calm)
    assert second.front_numbers == first.front_numbers
    assert second.recommended == first.recommended


def test_killed_worker_loses_nothing(service: DesignService, start_worker: StartWorker) -> None:
    """When a worker is killed its design waits in the queue again, and another goes on after its last trial."""
    design_id = service.submit(request(budget_trials_count=24)).design_id
    worker = start_worker(1)
    finished = wait_for_trials(service, design_id, 10).progress.finished_trials_count
    worker.kill()
    kept = candidates(service, design_id)
    time.sleep(LEASE_SECONDS)
    Watchdog(service.store, service.send).sweep()
    assert service.store.get(design_id).state == "queued"
    start_worker(1)
    design = wait_for_end(service, design_id)
    assert design.state == "succeeded"
    assert design.progress.finished_trials_count == 24
    assert len(kept) >= finished
    before = {found.number: found.parameters for found in kept}
    after = {found.number: found.parameters for found in candidates(service, design_id)}
    assert before.items() <= after.items()


def test_stopped_worker_ends_in_time_and_its_work_goes_on(service: DesignService, start_worker: StartWorker) -> None:
    """SIGTERM ends a worker within its grace time, in the middle of an island, and another one finishes the design."""
    design_id = service.submit(request(budget_trials_count=30)).design_id
    worker = start_worker(1)
    wait_for_trials(service, design_id, 3)
    begun = time.monotonic()
    worker.stop(seconds=20.0)
    assert time.monotonic() - begun < 15.0
    start_worker(2)
    assert wait_for_end(service, design_id).progress.finished_trials_count == 30


def test_cancelling_is_quick_and_keeps_what_was_finished(service: DesignService, start_worker: StartWorker) -> None:
    """A running design ends within ten seconds of being cancelled, with its finished trials; a queued one at once."""
    running = service.submit(request(budget_trials_count=480)).design_id
    queued = service.submit(request(seed=1)).design_id
    assert service.cancel(queued).state == "cancelled"
    start_worker(2)
    wait_for_trials(service, running, 4)
    begun = time.monotonic()
    assert service.cancel(running).state == "cancelling"
    design = wait_for_end(service, running, 10.0)
    assert time.monotonic() - begun < 10.0
    assert design.state == "cancelled"
    finished = design.progress.finished_trials_count
    assert 4 <= finished < 480
    assert len(candidates(service, running)) == finished
    assert service.cancel(running) == design


def test_nothing_feasible_is_an_answer(service: DesignService, start_worker: StartWorker) -> None:
    """With limits far too low the design succeeds without a recommendation and says what limits it."""
    asked = request(budget_trials_count=8, limits={"charge_voltage_v": 2000.0})
    design_id = service.submit(asked).design_id
    start_worker(1)
    design = wait_for_end(service, design_id)
    assert design.state == "succeeded"
    assert design.recommended is None
    assert design.front_numbers == []
    assert design.limiting is not None
    assert [miss.reason for miss in design.limiting.misses] == ["voltage_limit"]
    assert "charge voltage" in design.limiting.advice
    assert all(found.explanation for found in candidates(service, design_id))
