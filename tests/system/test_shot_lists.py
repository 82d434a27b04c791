"""Lists of shots on real workers that are killed outright: every shot has its result, or says why it has none."""

from __future__ import annotations

from physics import simulate_shot
from tests.system.conftest import StartWorker, wait_for
from tests.worker.test_shot_lists import SHOT, sweep
from worker.service import DesignService, ShotListService
from worker.shot_list import ShotListRequest, ShotOutcome, shots_of


def voltages(count: int) -> ShotListRequest:
    shot = {**SHOT, "solver": {"fidelity": "design"}}
    return sweep(("/bank/charge_voltage_v", [4000.0 + 5.0 * n for n in range(count)]), **shot)


def outcomes_of(lists: ShotListService, list_id: str) -> dict[int, ShotOutcome]:
    return lists.store.outcomes(lists.store.get(list_id), 1000).outcomes


def test_list_survives_killed_processes_and_a_killed_worker(service: DesignService, start_worker: StartWorker) -> None:
    """A pool process and then the whole worker are killed in the middle; another worker ends the list.

    No count ever goes back, no finished shot is lost or changed, and each has the figures of the shot run here.
    """
    lists = ShotListService(service)
    request = voltages(400)
    list_id = lists.submit(request).id
    first = start_worker(2)
    seen, kept = [0], dict[int, ShotOutcome]()

    def come_to(count: int) -> bool:
        seen.append(lists.store.get(list_id).progress.finished_shots_count)
        return seen[-1] >= count

    wait_for(lambda: come_to(20), "some shots")
    first.kill_child()
    wait_for(lambda: come_to(60), "some more shots")
    first.kill()
    kept = outcomes_of(lists, list_id)
    assert len(kept) >= 60
    start_worker(2)
    wait_for(lambda: come_to(400), "the rest of the shots")
    wait_for(lambda: lists.store.get(list_id).ended, "the end of the list")
    found = lists.store.get(list_id)
    assert (found.state, found.progress.failed_shots_count, found.failure) == ("succeeded", 0, None)
    assert found.progress.repeats_count >= 2
    assert seen == sorted(seen)
    ended = outcomes_of(lists, list_id)
    assert sorted(ended) == list(range(400))
    assert kept.items() <= ended.items()
    shots = shots_of(request, service.benches.named)
    for number in (0, 59, 399):
        assert ended[number].summary == simulate_shot(shots[number]).summary


def test_shot_that_kills_its_worker_fails_alone(service: DesignService, start_worker: StartWorker) -> None:
    """A shot that ends its process each time is given up after three attempts; all others of its list have results."""
    lists = ShotListService(service)
    gaps = [1e-3 + n * 1e-5 for n in range(30)]
    list_id = lists.submit(sweep(("/gap_m", gaps))).id
    start_worker(program=("-m", "tests.system.deadly_worker", repr(gaps[17])))
    wait_for(lambda: lists.store.get(list_id).ended, "the end of the list", 120.0)
    found, ended = lists.store.get(list_id), outcomes_of(lists, list_id)
    assert (found.state, found.progress.finished_shots_count, found.progress.failed_shots_count) == ("succeeded", 29, 1)
    assert [number for number, kept in ended.items() if kept.state == "failed"] == [17]
    assert ended[17].attempts_count == 3
    assert ended[17].failure is not None
    assert "3 attempts" in ended[17].failure
    assert found.failure is not None
    assert "1 of 30" in found.failure
