"""`make screenshots`: every page of a service that has searched, fired and fitted, as pictures to look at.

They are written to `build/screenshots`, in light and dark and on a phone; with `--readme` four small ones for the
README as well. Each page's first paint, as the browser itself tells it, is printed beside its name.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
from PIL import Image
from playwright.sync_api import Browser, sync_playwright

from api.examples import BENCH, DESIGN
from api.launch import free_port, running
from tests.browser.conftest import BROWSER, SILENT
from tests.browser.test_whole_way import scope_file
from worker.settings import Settings

ROOT = Path(__file__).parents[2]
TARGET = ROOT / "build" / "screenshots"
README = ROOT / "api" / "page" / "pictures"
#: What the README shows: the page, and how many of its upper pixels.
SHOWN = {"design": 800, "shot": 1500, "explain": 800, "new-design": 900}
_SMALL_PX = 560

Json = dict[str, Any]


def main() -> None:
    """Prepare a service, and look at it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readme", action="store_true", help="also make the four pictures of the README anew")
    for_readme = parser.parse_args().readme
    if BROWSER is None:
        raise SystemExit("no Chromium here; on Debian: apt-get install chromium")
    TARGET.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        settings = Settings(redis_url=None, state_folder=Path(folder))
        with running(settings, "127.0.0.1", free_port("127.0.0.1"), lambda *_: None) as service:
            pages = dict(prepared(service.address))
            browser = driver.chromium.launch(executable_path=BROWSER, args=SILENT)
            for name, (path, until) in pages.items():
                paint_ms = taken(browser, f"{service.address}{path}", until, TARGET / f"{name}.png")
                print(f"{name:12} first paint {paint_ms:5.0f} ms")
                taken(browser, f"{service.address}{path}", until, TARGET / f"{name}-dark.png", dark=True)
                taken(browser, f"{service.address}{path}", until, TARGET / f"{name}-phone.png", width=390)
            browser.close()
    if for_readme:
        small()
    print(f"Pictures are in {TARGET.relative_to(ROOT)}.")


def prepared(address: str) -> Iterator[tuple[str, tuple[str, str]]]:
    """A bench, a design on it, a recorded shot with its trace, and a fit; yields name, path, and what to wait for."""
    with httpx.Client(base_url=address, timeout=120.0, trust_env=False) as lab:
        bench = lab.post("/v1/benches", json=BENCH).json()["id"]
        asked = {name: value for name, value in DESIGN.items() if name not in ("bench", "limits")}
        design = _ended(lab, lab.post("/v1/designs", json={**asked, "bench_id": bench}).headers["Location"])
        chosen = design["recommended"]["candidate"]
        shot = lab.get(chosen["link"]).json()["result"]["shot"]
        record = lab.post(
            "/v1/records",
            json={
                "name": "blank 1",
                "shot_of": {"design_id": design["id"], "number": chosen["number"]},
                "fired_at": "2026-03-01T14:05:00Z",
                "sizes": {"final_outer_diameter_m": 0.02411, "final_centre_thickness_m": 3.05e-3},
            },
        ).json()
        weaker = {**shot, "bank": {**shot["bank"], "resistance_ohm": shot["bank"]["resistance_ohm"] + 1e-3}}
        file = scope_file(lab, weaker).encode()
        lab.put(record["links"]["trace"], content=file, headers={"Content-Type": "text/csv"}).raise_for_status()
        fit = _ended(lab, lab.post("/v1/fits", json={"bench": {"id": bench}}).headers["Location"])
    candidate = f"design={design['id']}&number={chosen['number']}"
    second = chosen["number"] + 1
    yield "designs", ("/", "#designs progress")
    yield "new-design", ("/new", "#summary .remark")
    yield "new-shot", ("/new-shot", "#send:not([disabled])")
    yield "design", (f"/design?design={design['id']}", "#rows tbody th")
    yield "shot", (f"/shot?{candidate}", ".through")
    compared = f"shot=design:{design['id']}:{chosen['number']}&shot=design:{design['id']}:{second}"
    yield "compare", (f"/compare?{compared}", "#charts figure")
    yield "explain", (f"/explain?{candidate}#4", ".through")
    yield "benches", ("/benches", "#benches table")
    yield "bench", (f"/bench?bench={bench}", "#revisions table")
    yield "records", ("/records", "#records table")
    yield "record", (f"/record?record={record['id']}", "#charts figure")
    yield "new-record", (f"/record?{candidate}", "#form fieldset")
    yield "fit", (f"/fit?fit={fit['id']}", "#quantities table")
    yield "sheet", (f"{chosen['link']}/sheet", "table")


def _ended(lab: httpx.Client, path: str) -> Json:
    while True:
        found: Json = lab.get(path).raise_for_status().json()
        if found["status"] in ("succeeded", "failed", "cancelled"):
            return found
        time.sleep(0.5)


def taken(browser: Browser, address: str, until: str, file: Path, *, dark: bool = False, width: int = 1280) -> float:
    """One picture of a whole page; returns its first paint, ms."""
    context = browser.new_context(viewport={"width": width, "height": 800}, color_scheme="dark" if dark else "light")
    page = context.new_page()
    page.goto(address)
    page.wait_for_selector(until, state="attached", timeout=60_000)
    page.wait_for_timeout(400)
    page.screenshot(path=file, full_page=True)
    paint_ms = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? 0")
    context.close()
    return float(paint_ms)


def small() -> None:
    """The README's pictures: the upper part of a page, few colours, small files."""
    README.mkdir(exist_ok=True)
    for name, high in SHOWN.items():
        with Image.open(TARGET / f"{name}.png") as whole:
            part = whole.convert("RGB").crop((0, 0, whole.width, min(high, whole.height)))
            part.thumbnail((_SMALL_PX, _SMALL_PX * 4), Image.Resampling.LANCZOS)
            part.quantize(64).save(README / f"{name}.png", optimize=True)


if __name__ == "__main__":
    main()
