"""Every page in a real browser: its numbers are the API's, it asks nobody else, and everybody can use it."""

from __future__ import annotations

import re
from typing import Any

import httpx
import numpy as np
import pytest
from playwright.sync_api import Page

from api.examples import BENCH
from physics.hazards import CAUTIONS
from tests.browser.conftest import Open, faults_of
from tests.physics.shots import TRADE_SHOT

Json = dict[str, Any]


@pytest.fixture(scope="module")
def candidate(client: httpx.Client, finished: Json) -> Json:
    """The recommended candidate as the API tells it."""
    link = client.get(finished["links"]["self"]).json()["recommended"]["candidate"]["link"]
    body: Json = client.get(link).json()
    return body


@pytest.fixture(scope="module")
def bench(client: httpx.Client) -> str:
    """The id of a bench."""
    made: str = client.post("/v1/benches", json=BENCH).json()["id"]
    return made


@pytest.fixture(scope="module")
def pages(client: httpx.Client, finished: Json, candidate: Json, bench: str) -> dict[str, tuple[str, str]]:
    """Path of each page, and what is there once it is whole."""
    design, number = finished["id"], candidate["candidate"]["number"]
    other = next(n for n in range(10**6) if n != number)
    record = client.post(
        "/v1/records",
        json={
            "name": "seen",
            "shot_of": {"design_id": design, "number": number},
            "bench": {"id": bench},
            "fired_at": "2026-03-01T14:05:00Z",
            "sizes": {"final_outer_diameter_m": 0.0251},
        },
    ).json()["id"]
    return {
        "designs": ("/", "#designs progress"),
        "new design": ("/new", "#send:not([disabled])"),
        "new shot": ("/new-shot", "#send:not([disabled])"),
        "design": (f"/design?design={design}", "#rows tbody th"),
        "shot": (f"/shot?design={design}&number={number}", ".through"),
        "compare": (f"/compare?shot=design:{design}:{number}&shot=design:{design}:{other}", "#charts figure"),
        "explain": (f"/explain?design={design}&number={number}", ".through"),
        "benches": ("/benches", "#benches table"),
        "bench": (f"/bench?bench={bench}", "#revisions table"),
        "records": ("/records", "#records table"),
        "record": (f"/record?record={record}", "#figures table"),
        "aim": (f"/aim?design={design}&number={number}&bench={bench}", "#bench option"),
        "new record": (f"/record?design={design}&number={number}", "#form fieldset"),
    }


NAMES = [
    "designs",
    "new design",
    "new shot",
    "design",
    "shot",
    "compare",
    "explain",
    "benches",
    "bench",
    "records",
    "record",
    "new record",
    "aim",
]


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("name", NAMES)
def test_page_is_whole_clean_and_stays_at_home(
    client: httpx.Client, pages: dict[str, tuple[str, str]], see: Open, name: str, *, dark: bool
) -> None:
    """No error, no request elsewhere, every rule of axe-core kept (contrast AA among them), all cautions in sight."""
    path, until = pages[name]
    seen = see(f"{client.base_url}{path}", until=until, dark=dark)
    assert seen.faults == []
    assert seen.outside == []
    assert faults_of(seen.page) == []
    text = seen.page.inner_text("body")
    assert [caution for caution in CAUTIONS if caution not in text] == []


@pytest.mark.parametrize("name", NAMES)
def test_page_fits_a_phone_and_a_laptop_at_twice_the_size(
    client: httpx.Client, pages: dict[str, tuple[str, str]], see: Open, name: str
) -> None:
    """360 px wide, and 640 px as a 1280 px laptop has at 200 % zoom: nothing has to be scrolled sideways."""
    path, until = pages[name]
    for width in (360, 640):
        page = see(f"{client.base_url}{path}", until=until, width=width).page
        assert page.evaluate("document.documentElement.scrollWidth") <= width, width


def lines_of(page: Page, place: str) -> dict[str, tuple[float, float]]:
    """Extremes of each line drawn, by its name."""
    drawn = page.eval_on_selector_all(
        f"{place} polyline[data-name]",
        "all => all.map((line) => [line.dataset.name, line.dataset.min, line.dataset.max])",
    )
    return {name: (float(low), float(high)) for name, low, high in drawn}


def test_shot_shows_the_numbers_of_the_api(
    client: httpx.Client, pages: dict[str, tuple[str, str]], candidate: Json, see: Open
) -> None:
    """Every chart has its lines with the API's extremes; energies add up; limits, hazards, checks word for word."""
    page, result = see(f"{client.base_url}{pages['shot'][0]}", until=".through").page, candidate["result"]
    drawn, series = lines_of(page, "#charts"), result["series"]
    for name, column, scale, zero in [
        ("bank", "bank_voltage_v", 1e-3, 0.0),
        ("gap", "gap_field_tesla", 1.0, 0.0),
        ("centre", "centre_field_tesla", 1.0, 0.0),
        ("outer", "outer_diameter_m", 1e3, 0.0),
        ("bore of the coil", "coil_inner_diameter_m", 1e3, 0.0),
        ("force", "force_n", 1e-3, 0.0),
        ("part, hottest place", "workpiece_temperature_k", 1.0, 273.15),
    ]:
        values = [scale * value - zero for value in series[column]]
        assert drawn[name] == pytest.approx((min(values), max(values))), name
    flow = page.eval_on_selector("#balance svg[data-whole]", "drawn => [drawn.dataset.sum, drawn.dataset.whole]")
    assert float(flow[0]) == pytest.approx(float(flow[1]), rel=1e-6)
    assert float(flow[1]) == pytest.approx(result["energy"]["bank_j"])
    bands = page.eval_on_selector_all(".band", "all => all.map((band) => Number(band.dataset.value))")
    assert sum(bands) == pytest.approx(result["energy"]["bank_j"], rel=1e-6)
    bars = dict(
        page.eval_on_selector_all(
            "#balance .bar[data-name]", "all => all.map((b) => [b.dataset.name, b.dataset.value])"
        )
    )
    for rating in result["ratings"]:
        name = rating["name"].rpartition("_")[0].replace("_", " ")
        assert float(bars[name]) == pytest.approx(1.0 - rating["margin_ratio"])
    text = page.inner_text("main")
    assert result["verdict"]["statement"] in text
    for told in (*result["hazards"]["estimates"], *result["faults"]):
        assert told["statement"] in text
    for item in result["checklist"]:
        assert item["action"] in text
    assert result["provenance"]["input_sha256"] in text
    end = page.eval_on_selector("[data-name='part after']", "drawn => Number(drawn.dataset.max)")
    assert end == pytest.approx(series["outer_diameter_m"][-1] / 2)


def test_shot_of_a_list_whose_coil_bursts(client: httpx.Client, see: Open) -> None:
    """Its own page: arcs and flying copper are in the balance, which adds up, and the moment of burst in each chart."""
    made = client.post("/v1/shot-lists", json={"shots": [TRADE_SHOT]}).json()["id"]
    page = see(f"{client.base_url}/shot?list={made}&number=0", until=".through").page
    result = client.get(f"/v1/shot-lists/{made}/shots/0").json()["result"]
    assert result["summary"]["burst_time_s"] is not None
    bands = dict(page.eval_on_selector_all(".band", "all => all.map((b) => [b.dataset.name, Number(b.dataset.value)])"))
    assert bands["arcs"] == pytest.approx(result["energy"]["arc_j"])
    assert sum(bands.values()) == pytest.approx(result["energy"]["bank_j"], rel=1e-6)
    assert page.locator("#charts text", has_text="burst").count() == page.locator("#charts figure").count()
    assert page.locator(".piece.broken").count() == 0
    page.locator("#section input[type=range]").focus()
    page.keyboard.press("End")
    assert page.locator(".piece.broken").count() > 0


def test_section_follows_its_slider(
    client: httpx.Client, pages: dict[str, tuple[str, str]], candidate: Json, see: Open
) -> None:
    """By keyboard: each frame has the densities and the number of lines that the API computed for that instant."""
    page = see(f"{client.base_url}{pages['shot'][0]}", until=".through").page
    frames = client.post("/v1/shots/section?frames_count=24", json=candidate["result"]["shot"]).json()["frames"]
    slider = page.locator("#section input[type=range]")
    slider.focus()
    page.keyboard.press("Home")
    shown = 0
    for index in (0, 5, 11):
        for _ in range(index - shown):
            page.keyboard.press("ArrowRight")
        shown = index
        densities = page.eval_on_selector_all(".through .piece", "all => all.map((p) => Number(p.dataset.density))")
        assert densities == pytest.approx([piece["density_a_per_m2"] for piece in frames[index]["pieces"]])
        count = page.eval_on_selector(".through .fieldline", "drawn => Number(drawn.dataset.count)")
        assert count == len(frames[index]["field_lines_m"])
        told = page.inner_text("#section figure:last-child figcaption").removeprefix("Section at ").split()[0]
        assert float(told) == pytest.approx(frames[index]["time_s"] * 1e6, rel=5e-3)


def test_a_candidate_off_the_front_shows_its_scatter_too(client: httpx.Client, finished: Json, see: Open) -> None:
    """Asked for when the page is opened, since no round of the search has computed it."""
    rows = client.get(finished["links"]["candidates"] + "?limit=1000").json()["items"]
    number = next(row["number"] for row in rows if row["feasible"] and row["chance_ratio"] is None)
    page = see(f"{client.base_url}/shot?design={finished['id']}&number={number}", until=".through").page
    page.wait_for_selector("#strayhead:not([hidden])", timeout=30_000)
    told = client.get(f"{finished['links']['candidates']}/{number}/robustness").json()
    assert f"± {told['spread_m'] * 1e3:.2f} mm (one standard deviation)" in page.inner_text("#figures")
    assert page.locator("#stray .bar").count() == len(told["ranking"])


def test_sliders_run_the_shot_beside_the_stored_one(
    client: httpx.Client, pages: dict[str, tuple[str, str]], candidate: Json, see: Open
) -> None:
    """The changed line is what the API says of the changed shot."""
    page = see(f"{client.base_url}{pages['shot'][0]}", until=".through").page
    slider = page.locator("#change input[aria-label='turns']")
    slider.focus()
    page.keyboard.press("ArrowRight")
    page.wait_for_selector("#charts polyline[data-name='coil current, changed']")
    shot = candidate["result"]["shot"]
    shot = {**shot, "coil": {**shot["coil"], "turns_count": shot["coil"]["turns_count"] + 1}}
    current = [value / 1e3 for value in client.post("/v1/shots", json=shot).json()["series"]["current_a"]]
    assert lines_of(page, "#charts")["coil current, changed"] == pytest.approx((min(current), max(current)))


def test_design_shows_its_front_and_every_candidate(
    client: httpx.Client, finished: Json, pages: dict[str, tuple[str, str]], see: Open
) -> None:
    """A point and a row for each of the front that open its shot; all trials when asked for; filters; sorting."""
    page = see(f"{client.base_url}{pages['design'][0]}", until="#rows tbody th").page
    front = client.get(finished["links"]["front"]).json()["items"]
    points = page.eval_on_selector_all(
        "#front .dot", "all => all.map((d) => [Number(d.dataset.x), Number(d.dataset.y)])"
    )
    wanted = sorted([row["stored_energy_j"] / 1e3, row["charge_voltage_v"] / 1e3] for row in front)
    assert np.array(sorted(points)) == pytest.approx(np.array(wanted))
    assert page.locator("#rows tbody tr").count() == len(front)
    page.select_option("#filter select[name=only]", "all")
    done = finished["progress"]["finished_trials_count"]
    assert page.inner_text("#count") == f"{done} of {done} candidates are shown."
    rows = client.get(finished["links"]["candidates"] + "?limit=1000").json()["items"]
    some = rows[0]["wire"]
    page.select_option("#filter select[name=wire]", some)
    assert page.inner_text("#count").startswith(f"{sum(row['wire'] == some for row in rows)} of")
    page.get_by_role("button", name=re.compile("^voltage")).click()
    first = page.inner_text("#rows tbody tr:first-child td:nth-child(7)")
    least = min(row["charge_voltage_v"] for row in rows if row["wire"] == some and row["charge_voltage_v"] is not None)
    assert float(first.split()[0]) == pytest.approx(least / 1e3, rel=5e-3)


def test_chosen_candidates_are_compared(
    client: httpx.Client, finished: Json, pages: dict[str, tuple[str, str]], see: Open
) -> None:
    """Two boxes and a button lead to both side by side, what differs marked with how much."""
    page = see(f"{client.base_url}{pages['design'][0]}", until="#rows tbody th").page
    page.select_option("#filter select[name=only]", "all")
    for box in page.locator("#rows input[type=checkbox]").all()[:2]:
        box.check()
    page.click("#compare")
    page.wait_for_selector("#charts figure")
    heads = page.locator("#rows thead th a").all_inner_texts()
    details = [client.get(f"{finished['links']['candidates']}/{head.split()[-1]}").json()["result"] for head in heads]
    peaks = [detail["summary"]["peak_current_a"] / 1e3 for detail in details]
    row = page.locator("#rows tbody tr", has=page.locator("th", has_text=re.compile("^peak current$"))).inner_text()
    shown = [float(number) for number in re.findall(r"([\d.]+) kA", row)]
    assert shown == pytest.approx(peaks, rel=5e-3)
    assert len(lines_of(page, "#charts")) == 2


def test_shot_is_explained_by_keyboard(
    client: httpx.Client, pages: dict[str, tuple[str, str]], candidate: Json, see: Open
) -> None:
    """Every step of the API's explanation in its words, with law and moment, and letters for the back row."""
    page = see(f"{client.base_url}{pages['explain'][0]}", until=".through").page
    steps = candidate["result"]["explanation"]
    for index, step in enumerate(steps):
        text = page.inner_text("#stage")
        assert step["title"] in text
        assert step["statement"] in text
        assert step["equation"] in text
        assert f"{index + 1} of {len(steps)}" in text
        page.keyboard.press("ArrowRight")
    page.keyboard.press("Home")
    assert steps[0]["title"] in page.inner_text("#stage")
    sizes = page.evaluate(
        "['h2', '.big'].map((part) => parseFloat(getComputedStyle(document.querySelector('#stage ' + part)).fontSize))"
    )
    assert min(sizes) >= 48


def test_next_shot_is_aimed(client: httpx.Client, pages: dict[str, tuple[str, str]], see: Open) -> None:
    """The voltage that the API says, with a link that records it as set."""
    fresh = client.post("/v1/benches", json=BENCH).json()["id"]
    page = see(f"{client.base_url}{pages['aim'][0]}", until="#bench option").page
    page.select_option("#bench", fresh)
    page.click("#form button")
    page.wait_for_selector("#answer:not([hidden])", timeout=60_000)
    told = page.inner_text("#figures")
    target = str(page.get_attribute("#next a", "href"))
    voltage = float(target.partition("voltage=")[2])
    assert f"{voltage / 1e3:.3g} kV" in told
    assert page.locator("#charts figure").count() == 3
    page.click("#next a")
    page.wait_for_selector("#form fieldset")
    stated = page.input_value("[data-pointer='/set/charge_voltage_v'] input")
    assert float(stated) == pytest.approx(voltage / 1e3)


def test_what_is_wrong_is_said_where_it_is(client: httpx.Client, see: Open) -> None:
    """A value out of range: at its field, in the unit it was typed in; nothing can be sent; mended, it can."""
    page = see(f"{client.base_url}/new", until="#send:not([disabled])").page
    field = page.locator("[data-pointer='/workpiece/outer_diameter_m'] input")
    field.fill("3000")
    page.wait_for_selector("[data-pointer='/workpiece/outer_diameter_m'] .fielderror:not([hidden])")
    assert "between 2 and 300 mm" in page.inner_text("[data-pointer='/workpiece/outer_diameter_m'] .fielderror")
    assert page.is_disabled("#send")
    field.fill("30")
    page.wait_for_selector("#send:not([disabled])")
    assert page.locator(".fielderror:not([hidden])").count() == 0


@pytest.mark.parametrize(
    ("path", "api"),
    [("/design?design=none", "/v1/designs/none"), ("/shot?design=none&number=1", "/v1/designs/none/candidates/1")],
)
def test_what_is_not_there_is_said(client: httpx.Client, see: Open, path: str, api: str) -> None:
    """In the API's own words, and no empty charts."""
    page = see(f"{client.base_url}{path}", until="#trouble:not([hidden])").page
    assert client.get(api).json()["title"] in page.inner_text("#trouble")
    assert page.locator("polyline").count() == 0
