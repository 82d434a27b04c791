"""The whole way through the pages, live, and what goes wrong on it: a page that people leave open over night."""

from __future__ import annotations

import csv
import io
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
from playwright.sync_api import Page, expect
from pypdf import PdfReader

from api.launch import free_port, running
from tests.browser.conftest import Open, faults_of
from tests.system.conftest import Server, running_api, running_api_at
from tests.worker.samples import candidate, request
from tests.worker.test_store import leased
from worker.connection import connect
from worker.records import SlotName
from worker.settings import Settings
from worker.store import Store

Json = dict[str, Any]


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[httpx.Client]:
    """A client of a service of its own, in which nothing is yet, with a worker."""
    settings = Settings(redis_url=None, state_folder=tmp_path / "state")
    port = free_port("127.0.0.1")
    with (
        running(settings, "127.0.0.1", port, lambda *_: None) as started,
        httpx.Client(base_url=started.address, timeout=60.0, trust_env=False) as client,
    ):
        yield client


def test_from_an_empty_service_to_a_printed_sheet_and_what_was_learnt(  # noqa: PLR0915 -- one way, told from its start to its end
    lab: httpx.Client, see: Open, tmp_path: Path
) -> None:
    """Describe a bench, ask for a design, watch a real worker, open the shot, print its sheet, record it, fit."""
    page = see(f"{lab.base_url}/", until="#designs a").page
    assert "None yet" in page.inner_text("#designs")
    page.get_by_role("link", name="Benches").click()
    page.wait_for_selector("#form fieldset", state="attached")
    page.evaluate("document.getElementById('describe').open = true")
    page.fill("[data-pointer='/name'] input", "bay of the browser")
    page.click("button[form=form]")
    page.wait_for_url("**/bench?bench=*")
    page.wait_for_selector("#revisions table")
    assert page.inner_text("h1") == "bay of the browser"

    page.click("#searchhere")
    page.wait_for_selector("#send:not([disabled])")
    page.fill("[data-pointer='/name'] input", "asked by hand")
    page.fill("[data-pointer='/budget_trials_count'] input", "400")
    page.fill("[data-pointer='/target/final_outer_diameter_m'] input", "25")
    expect(page.locator("#summary")).to_contain_text("to 25.00 mm")
    page.wait_for_selector("#send:not([disabled])")
    page.click("#send")
    page.wait_for_url("**/design?design=*")
    design_id = page.url.partition("design=")[2]
    seen: set[str] = set()
    deadline = time.monotonic() + 120.0
    while "succeeded" not in page.inner_text("#state"):
        seen.add(page.inner_text("#trials"))
        assert time.monotonic() < deadline, seen
        page.wait_for_timeout(100)
    assert len(seen) >= 3, "progress was not told while the worker searched"
    page.wait_for_selector("#best:not([hidden])")
    page.click("#best")
    page.wait_for_selector(".through")
    design = lab.get(f"/v1/designs/{design_id}").json()
    assert design["request"]["target"]["final_outer_diameter_m"] == pytest.approx(0.025)
    assert design["provenance"]["bench"]["name"] == "bay of the browser"
    chosen = design["recommended"]["candidate"]
    assert f"Candidate {chosen['number']}" in page.inner_text("h1")

    page.get_by_role("link", name="Shot sheet to print").click()
    page.wait_for_selector("table")
    printed = PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True)))
    assert len(printed.pages) == 2
    assert f"{chosen['charge_voltage_v'] / 1e3:.2f} kV" in printed.pages[0].extract_text()
    page.go_back()
    page.get_by_role("link", name="Record what was measured").click()
    page.wait_for_selector("#form fieldset")
    page.fill("[data-pointer='/sizes/final_outer_diameter_m'] input", "25.04")
    page.fill("[data-pointer='/notes'] textarea", "rim a little out of round")
    shot = lab.get(chosen["link"]).json()["result"]["shot"]
    trace = tmp_path / "scope.csv"
    trace.write_text(scope_file(lab, shot), encoding="utf-8")
    drop(page, trace)
    assert "scope.csv" in page.inner_text("#filetold")
    page.click("#store")
    page.wait_for_selector("#charts polyline[data-name='measured']")
    record = lab.get(f"/v1/records/{page.url.partition('record=')[2]}").json()
    assert record["sizes"]["final_outer_diameter_m"] == pytest.approx(0.02504)
    assert record["shot_of"] == {"design_id": design_id, "number": chosen["number"]}
    measured = dict(
        page.eval_on_selector_all("#charts polyline", "all => all.map((l) => [l.dataset.name, Number(l.dataset.max)])")
    )
    rows = list(csv.DictReader(io.StringIO(lab.get(f"/v1/records/{record['id']}/trace.csv").text)))
    assert measured["measured"] == pytest.approx(max(float(row["current_a"]) for row in rows) / 1e3)
    assert measured["measured"] == pytest.approx(measured["predicted"], rel=0.03)
    assert abs(measured["residual"]) < 0.05 * measured["predicted"]

    page.click("#next a")
    page.wait_for_selector("#records table")
    assert "25.04 mm" in page.inner_text("#records")
    page.click("#fit")
    page.wait_for_selector("#quantities table", timeout=60_000)
    fit = lab.get(f"/v1/fits/{page.url.partition('fit=')[2]}").json()
    assert fit["status"] == "succeeded"
    assert page.locator("#remarks li").count() == 2 + len(fit["result"]["inseparable"]) + len(fit["result"]["remarks"])
    assert page.locator("#quantities tbody tr").count() == len(fit["result"]["quantities"])
    assert page.locator("#next tbody tr").count() == len(fit["result"]["next_shots"])
    page.get_by_role("button", name="Look at no. 1").click()
    page.wait_for_url("**/shot?list=*")
    page.wait_for_selector(".through")
    assert fit["result"]["makes_bench"]["revision"] == 2


def drop(page: Page, file: Path) -> None:
    """Let a file fall where one is taken, as from a file manager."""
    script = "([text, name]) => { const all = new DataTransfer(); all.items.add(new File([text], name)); return all; }"
    carried = page.evaluate_handle(script, [file.read_text(encoding="utf-8"), file.name])
    page.dispatch_event("#drop", "drop", {"dataTransfer": carried})


def scope_file(client: httpx.Client, shot: Json) -> str:
    """What an oscilloscope would have stored: the model's own current with 1 % noise, begun 5 us before."""
    rows = list(csv.DictReader(io.StringIO(client.post("/v1/shots/series", json=shot).text)))
    time_s = np.array([float(row["time_s"]) for row in rows])
    current_a = np.array([float(row["current_a"]) for row in rows])
    grid = np.arange(-5e-6, time_s[-1], 5e-8)
    noise = np.random.default_rng(1).normal(0.0, 0.01 * np.abs(current_a).max(), grid.size)
    value = np.interp(grid, time_s, current_a, left=0.0) + noise
    return "time,current\n" + "\n".join(f"{at:.9e},{amp:.6e}" for at, amp in zip(grid, value, strict=True))


def test_refused_trace_says_why_and_can_be_mended(
    client: httpx.Client, finished: Json, see: Open, tmp_path: Path
) -> None:
    """The record stands, the reason is shown, and another file can follow."""
    number = client.get(finished["links"]["self"]).json()["recommended"]["candidate"]["number"]
    page = see(f"{client.base_url}/record?design={finished['id']}&number={number}", until="#form fieldset").page
    bad = tmp_path / "bad.csv"
    bad.write_text("time,current\n0,0\n1e-6,1\n2e-6,2\n", encoding="utf-8")
    page.set_input_files("#file", bad)
    page.click("#store")
    page.wait_for_selector("#trouble:not([hidden])")
    assert "trace" in page.inner_text("#trouble").lower()
    assert "its trace was refused" in page.inner_text("#stored")
    record = page.url.partition("record=")[2]
    shot = client.get(f"/v1/records/{record}").json()["shot"]
    good = tmp_path / "good.csv"
    good.write_text(scope_file(client, shot), encoding="utf-8")
    page.set_input_files("#file", good)
    page.click("#store")
    page.wait_for_selector("#charts polyline[data-name='residual']")


def test_restart_of_the_service_is_shown_and_heals(server: Server, see: Open, tmp_path: Path) -> None:
    """A design is watched while the API is killed and started again: the page says so, and then shows what happened."""
    store, port = empty_store(server), free_port("127.0.0.1")
    design_id = store.create(request(budget_trials_count=60)).design_id
    lease = leased(store, SlotName(job_id=design_id, round=0, island=0))
    with running_api_at(port, server, tmp_path / "first") as (_, address):
        seen = see(f"{address}/design?design={design_id}", until="#rows thead")
        expect(seen.page.locator("#trials")).to_contain_text("0 of 60")
        store.record(lease, [candidate(number) for number in range(5)])
        expect(seen.page.locator("#trials")).to_contain_text("5 of 60", timeout=15_000)
    expect(seen.page.locator("#connection")).to_be_visible(timeout=15_000)
    assert "lost" in seen.page.inner_text("#connection")
    store.record(lease, [candidate(number) for number in range(5, 12)])
    with running_api_at(port, server, tmp_path / "second"):
        expect(seen.page.locator("#connection")).to_be_hidden(timeout=30_000)
        expect(seen.page.locator("#trials")).to_contain_text("12 of 60", timeout=30_000)
        seen.page.select_option("#filter select[name=only]", "all")
        expect(seen.page.locator("#count")).to_contain_text("12 of 12", timeout=15_000)


def empty_store(server: Server) -> Store:
    """An empty store whose leases outlast a test that does the work itself."""
    client = connect(server.url)
    client.flushdb()
    return Store(client, lease_seconds=600.0)


@pytest.fixture
def many(server: Server, tmp_path: Path) -> Any:
    """A design of 5,000 made-up trials, and the service that shows it."""
    store = empty_store(server)
    design_id = store.create(request(budget_trials_count=60)).design_id
    lease = leased(store, SlotName(job_id=design_id, round=0, island=0))
    chance = np.random.default_rng(3)
    for first in range(0, 5000, 500):
        energies, voltages = chance.uniform(2000.0, 6000.0, 500), chance.uniform(4000.0, 9000.0, 500)
        store.record(
            lease,
            [candidate(first + k, energy_j=float(energies[k]), voltage_v=float(voltages[k])) for k in range(500)],
        )
    store.fill(lease, [], [])
    with running_api(server, tmp_path / "log") as (_, address):
        yield design_id, address


def test_five_thousand_candidates_stay_fluid(many: tuple[str, str], see: Open) -> None:
    """All are there to scroll, sort and filter, with only some dozens drawn; the last is the last of the API's."""
    design_id, address = many
    page = see(f"{address}/design?design={design_id}", until="#rows thead").page
    page.select_option("#filter select[name=only]", "all")
    expect(page.locator("#count")).to_contain_text("5000 of 5000", timeout=30_000)
    assert page.locator("#rows tbody tr").count() < 120
    assert page.get_attribute("#rows table", "aria-rowcount") == "5001"
    page.get_by_role("button", name=re.compile("^energy")).click()
    page.get_by_role("button", name=re.compile("^energy")).click()
    page.eval_on_selector("#rows", "place => { place.scrollTop = place.scrollHeight; }")
    expect(page.locator("#rows tbody tr[aria-rowindex='5001']")).to_have_count(1)
    assert page.locator("#rows tbody tr").count() < 120
    drawn = (
        page.eval_on_selector("#front .cloud", "cloud => Number(cloud.dataset.count)")
        if page.locator("#front .cloud").count()
        else 0
    )
    assert drawn <= 5000
    # What a frame draws while scrolling, however fast the machine is: never more than is in view.
    most = page.evaluate(
        """async () => {
          const place = document.getElementById('rows'), drawn = [];
          const watch = new MutationObserver((changes) => drawn.push(...changes.flatMap(
            (change) => [...change.addedNodes].filter((node) => node.nodeName === 'TR'))));
          watch.observe(place, { childList: true, subtree: true });
          let most = 0;
          for (let top = 0; top < place.scrollHeight; top += place.scrollHeight / 40) {
            place.scrollTop = top;
            drawn.length = 0;
            await new Promise(requestAnimationFrame);
            await new Promise(requestAnimationFrame);
            most = Math.max(most, drawn.length);
          }
          return most;
        }"""
    )
    assert 10 < most < 120


def test_sheet_prints_on_two_pages(client: httpx.Client, finished: Json, see: Open) -> None:
    """As a browser prints it, A4 and no more than two; clean by axe-core; it asks nobody else; the PDF is a link."""
    link = client.get(finished["links"]["self"]).json()["recommended"]["candidate"]["link"]
    seen = see(f"{client.base_url}{link}/sheet", until="table")
    assert seen.faults == []
    assert seen.outside == []
    assert faults_of(seen.page) == []
    for picture in seen.page.locator("figure img").all():
        assert picture.evaluate("drawn => drawn.naturalWidth") > 0
        assert picture.get_attribute("alt")
    printed = PdfReader(io.BytesIO(seen.page.pdf(prefer_css_page_size=True)))
    assert len(printed.pages) == 2
    assert [float(side) for side in printed.pages[0].mediabox[2:]] == pytest.approx([595.28, 841.89], abs=1.0)
    target = seen.page.get_attribute("a[href*='format=pdf']", "href")
    assert client.get(str(target)).headers["content-type"] == "application/pdf"
