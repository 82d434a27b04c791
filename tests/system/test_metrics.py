"""Metrics of real processes: two of the API, a worker with two children, and some that have been killed."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families

from tests.system.conftest import Server, StartWorker, running_api, small_request, wait_for, wait_for_end
from tests.worker.test_shot_lists import sweep
from worker.service import DesignService, ShotListService

Figures = dict[tuple[str, tuple[tuple[str, str], ...]], float]


@pytest.fixture
def address(api: tuple[object, str]) -> str:
    return api[1]


def scrape(address: str) -> Figures:
    text = httpx.get(f"{address}/metrics", trust_env=False).raise_for_status().text
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def value(figures: Figures, name: str, **labels: str) -> float:
    return figures.get((f"shotwright_{name}", tuple(sorted(labels.items()))), 0.0)


def total(figures: Figures, name: str, **labels: str) -> float:
    """Sum over all labels that are not given."""
    wanted = set(labels.items())
    return sum(
        found for (known, given), found in figures.items() if known == f"shotwright_{name}" and wanted <= set(given)
    )


def ask(address: str, path: str, times: int, method: str = "GET") -> None:
    with httpx.Client(base_url=address, trust_env=False) as client:
        for _ in range(times):
            client.request(method, path)


def test_http_counts_are_exact_over_processes_and_their_deaths(
    service: DesignService, server: Server, tmp_path: Path
) -> None:
    """Two processes show the same sums of what both were sent; killed and followed by a third, nothing is lost."""
    wires, design = "/v1/wires", "/v1/designs/{design_id}"
    assert service.store.live_workers() == []
    with ExitStack() as stack:
        killed, first = stack.enter_context(running_api(server, tmp_path / "a.log"))
        _, second = stack.enter_context(running_api(server, tmp_path / "b.log"))
        ask(first, "/v1/wires", 7)
        ask(second, "/v1/wires", 5)
        ask(first, "/v1/designs/unknown-1", 4)
        ask(second, "/v1/designs/unknown-2", 5)
        ask(second, "/nowhere/at/all", 2)
        ask(second, "/v1/wires", 1, method="PROPFIND")
        for address in (first, second):
            figures = scrape(address)
            assert value(figures, "http_requests_total", method="GET", route=wires, status="200") == 12
            assert value(figures, "http_requests_total", method="GET", route=design, status="404") == 9
            assert value(figures, "http_requests_total", method="GET", route="none", status="404") == 2
            assert total(figures, "http_requests_total", method="other") == 1
            assert value(figures, "http_request_duration_seconds_count", method="GET", route=wires) == 12
            assert not [labels for _, labels in figures if "unknown-" in str(labels) or "nowhere" in str(labels)]
        killed.kill()
        killed.wait(10)
        with running_api(server, tmp_path / "c.log") as (_, third):
            ask(third, "/v1/wires", 3)
            for address in (second, third):
                figures = scrape(address)
                assert value(figures, "http_requests_total", method="GET", route=wires, status="200") == 15
                assert (
                    value(figures, "http_request_duration_seconds_bucket", method="GET", route=wires, le="+Inf") == 15
                )
            counters = {path.stem for path in (tmp_path / "state" / "metrics").glob("counter_*.db")}
            assert len(counters) == 3
            assert f"counter_{killed.pid}" not in counters
            assert "counter_0" in counters


def test_figures_of_the_search_are_those_of_its_rows(
    service: DesignService, start_worker: StartWorker, address: str
) -> None:
    """What two children of a worker did adds up to the rows that are stored, and stays when the design is deleted."""
    waiting = service.submit(small_request(budget_trials_count=30, seed=2)).design_id
    figures = scrape(address)
    assert value(figures, "designs", status="queued") == 1
    assert value(figures, "queue_messages") == len(service.store.first_slots(waiting))
    assert value(figures, "oldest_queued_seconds") > 0.0
    assert value(figures, "workers") == 0
    assert value(figures, "trials_total") == 0
    service.cancel(waiting)
    start_worker(2)
    design_id = service.submit(small_request()).design_id
    design = wait_for_end(service, design_id)
    rows = [row for page in service.store.all_candidates(design_id) for row in page]
    closings = 2 + design.progress.round_number  # one of each round, and that of the cancelled design
    figures = scrape(address)
    assert value(figures, "store_up") == 1
    assert value(figures, "workers") == 1
    assert value(figures, "trials_total") == len(rows) == design.progress.finished_trials_count
    assert value(figures, "trial_shots_total") == sum(row.shots_count for row in rows)
    assert value(figures, "designs_created_total") == 2
    assert value(figures, "designs_ended_total", status="succeeded") == 1
    assert value(figures, "designs_ended_total", status="cancelled") == 1
    assert value(figures, "islands_total", ending="skipped") == 1
    assert value(figures, "islands_total", ending="filled") == value(figures, "attempts_total") - closings
    assert total(figures, "designs") == 0
    assert value(figures, "oldest_queued_seconds") == 0
    service.store.delete(design_id)
    assert value(scrape(address), "trials_total") == len(rows)


def test_figures_of_lists_are_those_of_their_shots(
    service: DesignService, start_worker: StartWorker, address: str
) -> None:
    """Lists by how they ended, and what became of their shots and slices, apart from what is told of designs."""
    lists = ShotListService(service)
    waiting = lists.submit(sweep(("/gap_m", [1e-3, 1.5e-3]))).id
    assert value(scrape(address), "shot_lists", status="queued") == 1
    lists.store.cancel(waiting)
    start_worker(2)
    list_id = lists.submit(sweep(("/bank/charge_voltage_v", [4000.0 + n for n in range(30)]))).id
    wait_for(lambda: lists.store.get(list_id).ended, "the end of the list")
    slices, skipped = len(lists.store.slots(list_id)), len(lists.store.slots(waiting))
    assert min(slices, skipped) > 1
    figures = scrape(address)
    assert value(figures, "shot_lists_created_total") == 2
    assert value(figures, "shot_lists_ended_total", status="succeeded") == 1
    assert value(figures, "shot_lists_ended_total", status="cancelled") == 1
    assert value(figures, "list_shots_total", state="finished") == total(figures, "list_shots_total") == 30
    assert value(figures, "slices_total", ending="filled") == value(figures, "attempts_total") == slices
    assert value(figures, "slices_total", ending="skipped") == skipped
    assert total(figures, "shot_lists") == 0
    for name in ("designs", "designs_created_total", "designs_ended_total", "islands_total", "trials_total"):
        assert total(figures, name) == 0


def test_metrics_stand_while_the_store_is_away(server: Server, address: str) -> None:
    """Without the store the figures of HTTP are still answered, and one tells that it is away."""
    server.kill()
    figures = scrape(address)
    server.start()
    assert value(figures, "store_up") == 0
    assert not total(figures, "trials_total")
    assert total(figures, "http_requests_total") >= 1
    assert value(scrape(address), "store_up") == 1
