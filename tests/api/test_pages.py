"""The pages of a design and of a shot, in a real browser: their numbers are the API's, and they say what goes wrong."""

from __future__ import annotations

import html
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from physics.hazards import CAUTIONS

Json = dict[str, Any]

pytestmark = pytest.mark.skipif(shutil.which("chromium") is None, reason="no browser here")


def opened(address: str, folder: Path) -> tuple[str, list[str]]:
    """The page as it stands after some seconds, and what the browser refused or failed at."""
    words = ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-sync"]
    words += ["--disable-background-networking", "--disable-component-update", f"--user-data-dir={folder}"]
    words += ["--enable-logging=stderr", "--virtual-time-budget=8000", "--dump-dom", address]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=True)
    faults = ("Content Security Policy", "Refused to", "Uncaught")
    return done.stdout, [line for line in done.stderr.splitlines() if any(words in line for words in faults)]


@pytest.fixture(scope="module")
def candidate(client: httpx.Client, finished: Json) -> Json:
    """The recommended candidate as the API tells it."""
    link = client.get(finished["links"]["self"]).json()["recommended"]["candidate"]["link"]
    body: Json = client.get(link).json()
    return body


@pytest.fixture(scope="module")
def page(
    client: httpx.Client, finished: Json, candidate: Json, tmp_path_factory: pytest.TempPathFactory
) -> tuple[str, list[str]]:
    """Its page."""
    address = f"{client.base_url}/shot?design={finished['id']}&number={candidate['candidate']['number']}"
    return opened(address, tmp_path_factory.mktemp("browser"))


def lines_of(text: str) -> dict[str, tuple[float, float]]:
    """Extremes of each line drawn, by its name."""
    drawn = [dict(re.findall(r'data-(\w+)="([^"]*)"', tag)) for tag in re.findall(r"<polyline[^>]*>", text)]
    return {line["name"]: (float(line["min"]), float(line["max"])) for line in drawn}


def test_charts_draw_the_numbers_of_the_api(page: tuple[str, list[str]], candidate: Json) -> None:
    """Every chart has its lines, and each its extremes, in the units of the bench; the browser refused nothing."""
    text, faults = page
    assert faults == []
    drawn, series = lines_of(text), candidate["result"]["series"]
    for name, column, scale in [
        ("bank", "bank_voltage_v", 1e-3),
        ("gap", "gap_field_tesla", 1.0),
        ("outer", "outer_diameter_m", 1e3),
        ("bore of the coil", "coil_inner_diameter_m", 1e3),
        ("force", "force_n", 1e-3),
        ("part", "workpiece_temperature_k", 1.0),
    ]:
        values = [scale * value for value in series[column]]
        assert drawn[name] == pytest.approx((min(values), max(values))), name
    assert text.count("<polyline") == 8
    (end,) = re.findall(r'data-name="part after" data-max="([^"]+)"', text)
    assert float(end) == pytest.approx(series["outer_diameter_m"][-1] / 2)


def test_energy_adds_up_and_limits_are_shown(page: tuple[str, list[str]], candidate: Json) -> None:
    """The parts of the balance add up to the bank's energy, and every rating has its bar."""
    text, result = page[0], candidate["result"]
    (total,) = re.findall(r'data-sum="([^"]+)"', text)
    assert float(total) == pytest.approx(result["energy"]["bank_j"], rel=1e-6)
    bars = dict(re.findall(r'<rect class="bar[^"]*"[^>]*data-name="([^"]+)" data-value="([^"]+)"', text))
    for rating in result["ratings"]:
        name = rating["name"].rpartition("_")[0].replace("_", " ")
        assert float(bars[name]) == pytest.approx(1.0 - rating["margin_ratio"])


def test_verdict_hazards_checklist_and_cautions_are_told(page: tuple[str, list[str]], candidate: Json) -> None:
    """Word for word as in the answer, the cautions also before anything is loaded."""
    text, result = html.unescape(page[0]), candidate["result"]
    assert result["verdict"]["statement"] in text
    for estimate in result["hazards"]["estimates"]:
        assert estimate["statement"] in text
    for item in result["checklist"]:
        assert item["action"] in text
    for fault in result["faults"]:
        assert fault["demands"] in text
    for caution in CAUTIONS:
        assert caution in text
    assert result["provenance"]["input_sha256"][:16] in text


def test_cautions_stand_before_any_script_runs(client: httpx.Client) -> None:
    """They are in the page itself."""
    text = html.unescape(client.get("/shot").text)
    assert [caution for caution in CAUTIONS if caution not in text] == []


def test_what_is_not_there_is_said(client: httpx.Client, finished: Json, tmp_path: Path) -> None:
    """A number that no candidate has: the API's own words, and no empty charts."""
    text, faults = opened(f"{client.base_url}/shot?design={finished['id']}&number=999999", tmp_path)
    assert [fault for fault in faults if "404" not in fault] == []
    problem = client.get(f"{finished['links']['self']}/candidates/999999").json()
    assert problem["title"] in html.unescape(text)
    assert "<polyline" not in text


def test_front_page_leads_to_the_shot(client: httpx.Client, finished: Json) -> None:
    """The recommended shot of a design is a link."""
    number = client.get(finished["links"]["self"]).json()["recommended"]["candidate"]["number"]
    assert f'href="/shot?design={finished["id"]}&amp;number={number}"' in client.get("/").text


def test_design_shows_its_front_and_leads_to_its_shots(client: httpx.Client, finished: Json, tmp_path: Path) -> None:
    """State, progress, the reason, a point and a row for each candidate of the front, each a link to its shot."""
    text, faults = opened(f"{client.base_url}/design?design={finished['id']}", tmp_path)
    text = html.unescape(text)
    assert faults == []
    design = client.get(finished["links"]["self"]).json()
    front = client.get(finished["links"]["front"]).json()["items"]
    assert design["recommended"]["reason"] in text
    progress = design["progress"]
    assert f"{progress['finished_trials_count']} of {progress['budget_trials_count']} trials" in text
    points = sorted((float(x), float(y)) for x, y in re.findall(r'data-x="([^"]+)" data-y="([^"]+)"', text))
    wanted = sorted((row["stored_energy_j"] / 1e3, row["charge_voltage_v"] / 1e3) for row in front)
    assert np.array(points) == pytest.approx(np.array(wanted))
    for row in front:
        assert text.count(f'href="/shot?design={finished["id"]}&number={row["number"]}"') == 2
    assert text.count("★") == 1
    assert [caution for caution in CAUTIONS if caution not in text] == []


def test_design_that_is_not_there_is_said(client: httpx.Client, tmp_path: Path) -> None:
    """In the API's own words."""
    text, _ = opened(f"{client.base_url}/design?design=none", tmp_path)
    assert client.get("/v1/designs/none").json()["title"] in html.unescape(text)
