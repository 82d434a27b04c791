"""Whole designs on real workers: to their end, stopped, cancelled, and with nothing feasible."""

from __future__ import annotations

import os
import time

import pytest

from physics import simulate_shot
from tests.system.conftest import (
    StartWorker,
    Undisturbed,
    small_request,
    wait_for_end,
    wait_for_trials,
)
from worker.records import Candidate
from worker.service import DesignService
from worker.tasks import NICENESS
from worker.trial import shot_of


def candidates(service: DesignService, design_id: str) -> list[Candidate]:
    return service.store.candidates(design_id, 1000).items


def test_recommended_shot_does_what_it_says(undisturbed: Undisturbed) -> None:
    """Run again, as its user would, the recommended shot reaches the target inside every limit."""
    asked = small_request()
    assert undisturbed.first.recommended is not None
    found = undisturbed.first.recommended.candidate
    shot = shot_of(asked, found)
    assert shot is not None
    result = simulate_shot(shot.model_dump())
    assert result.status == "completed"
    assert result.summary is not None
    assert result.shot.solver.fidelity in ("design", "reference")
    assert result.summary.final_outer_diameter_m == pytest.approx(0.024, abs=asked.target.tolerance_m)
    assert {rating.name for rating in result.ratings} >= {"charge_voltage_v", "stored_energy_j", "peak_current_a"}
    assert not any(rating.exceeded for rating in result.ratings)
    assert found.number in undisturbed.first.front_numbers


def test_raised_budget_leaves_what_was_found(undisturbed: Undisturbed) -> None:
    """The trials before and after raising the budget are the same ones, and the later front is at least as good."""
    before, after = undisturbed.first, undisturbed.raised
    assert [row.number for row in after.candidates] == list(range(150))
    for old, new in zip(before.candidates, after.candidates, strict=False):
        assert (new.number, new.parameters) == (old.number, old.parameters)
    energies = [outcome.candidates[outcome.front_numbers[0]].objectives for outcome in (before, after)]
    assert all(energies)
    assert energies[1].stored_energy_j <= energies[0].stored_energy_j  # type: ignore[union-attr]


def test_stopped_worker_ends_in_time_and_its_work_goes_on(service: DesignService, start_worker: StartWorker) -> None:
    """SIGTERM ends a worker within its grace time, in the middle of an island, and another one finishes the design.

    Its pool gives way to whoever asks the service on the same machine; the process with the watchdog does not.
    """
    design_id = service.submit(small_request(budget_trials_count=30)).design_id
    worker = start_worker(1)
    wait_for_trials(service, design_id, 3)
    own = os.getpriority(os.PRIO_PROCESS, worker.process.pid)
    assert {os.getpriority(os.PRIO_PROCESS, child) for child in worker.children()} == {min(own + NICENESS, 19)}
    begun = time.monotonic()
    worker.stop(seconds=20.0)
    assert time.monotonic() - begun < 15.0
    start_worker(2)
    assert wait_for_end(service, design_id).progress.finished_trials_count == 30


def test_cancelling_is_quick_and_keeps_what_was_finished(service: DesignService, start_worker: StartWorker) -> None:
    """A running design ends within ten seconds of being cancelled, with its finished trials; a queued one at once."""
    running = service.submit(small_request(budget_trials_count=480)).design_id
    queued = service.submit(small_request(seed=1)).design_id
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
    asked = small_request(budget_trials_count=8, limits={"charge_voltage_v": 2000.0})
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
