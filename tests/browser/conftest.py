"""A real browser, of this machine: pages that note what it refused, failed at, or asked of anybody else."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

from tests.system.conftest import server

__all__ = ["server"]

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
#: Nothing of a browser's own may leave the machine.
SILENT = [
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@dataclass
class Seen:
    """A page, and what its browser complained of."""

    page: Page
    faults: list[str] = field(default_factory=list)
    outside: list[str] = field(default_factory=list)


Open = Callable[..., Seen]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Headless Chromium. Its driver keeps an event loop running, which tests of other folders must not find."""
    if BROWSER is None:
        pytest.skip("no browser here; on Debian: apt-get install chromium")
    with sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=BROWSER, args=SILENT)
        yield started
        started.close()


@pytest.fixture
def see(browser: Browser) -> Iterator[Open]:
    """Opens addresses in fresh pages of one context, in the size of a laptop unless another is given."""
    context = browser.new_context(viewport={"width": 1280, "height": 800}, accept_downloads=True)

    def opened(address: str, *, until: str | None = None, width: int = 1280, dark: bool = False) -> Seen:
        page = context.new_page()
        page.set_viewport_size({"width": width, "height": 800})
        page.emulate_media(color_scheme="dark" if dark else "light")
        seen, origin = Seen(page), str(httpx.URL(address).copy_with(raw_path=b"/"))
        page.on("pageerror", lambda error: seen.faults.append(str(error)))
        page.on("console", lambda said: seen.faults.append(said.text) if said.type == "error" else None)
        page.on("request", lambda asked: None if _own(asked.url, origin) else seen.outside.append(asked.url))
        page.goto(address)
        if until is not None:
            page.wait_for_selector(until, timeout=30_000, state="attached")
        return seen

    yield opened
    context.close()


def _own(url: str, origin: str) -> bool:
    return url.startswith((origin, "data:", "blob:"))


def faults_of(page: Page) -> list[str]:
    """What axe-core finds, in its own words; all its rules are on."""
    found = Axe().run(page)
    return [
        f"{rule['id']}: {node['html'][:200]}" for rule in found.response["violations"] for node in rule["nodes"][:3]
    ]
