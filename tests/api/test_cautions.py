"""Wherever a person sees a shot, every caution stands beside it."""

from __future__ import annotations

import html
import subprocess
import sys
from pathlib import Path
from typing import Any

import httpx
import pytest

from api import demo_report
from api.designs.representations import CandidateDetail
from physics.hazards import CAUTIONS

Json = dict[str, Any]
ROOT = Path(__file__).parents[2]


def _missing(text: str) -> list[str]:
    """Cautions that are not in the text, whatever its line breaks."""
    flat = " ".join(html.unescape(text).replace("> ", " ").split())
    return [caution for caution in CAUTIONS if caution not in flat]


def test_cautions_say_what_has_to_be_said() -> None:
    """From high voltage to fume, that estimates are no safety review, and that local codes decide."""
    text = " ".join(CAUTIONS).lower()
    for words in (
        "high voltage",
        "stored energy",
        "qualified",
        "two-person rule",
        "interlocks",
        "remotely",
        "bleed down",
        "visible short",
        "barrier",
        "eye and ear protection",
        "implants",
        "hot",
        "fume",
        "no substitute for a safety review",
        "local codes",
        "licensed practice",
    ):
        assert words in text, words


def test_readme_shows_them() -> None:
    """Before anything else is explained."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert _missing(readme) == []
    assert readme.index(CAUTIONS[-1][:20]) < readme.index("## ")


def test_command_shows_them(tmp_path: Path) -> None:
    """In its help and in every answer."""
    command = [sys.executable, "-m", "physics"]
    shown = subprocess.run([*command, "--help"], capture_output=True, text=True, check=True, cwd=tmp_path)
    assert _missing(shown.stdout) == []


@pytest.mark.parametrize("path", ["/", "/design", "/shot", "/openapi.json"])
def test_page_and_description_show_them(client: httpx.Client, path: str) -> None:
    """The page that opens first, and the description of the API."""
    assert _missing(client.get(path).text.replace("\\n", " ")) == []


def test_every_answer_that_holds_a_shot_shows_them(client: httpx.Client, shot: Json, finished: Json) -> None:
    """A shot, its check, a list of shots, a design, a candidate."""
    ran = client.post("/v1/shots", json=shot).json()
    checked = client.post("/v1/shots/check", json=shot).json()
    listed = client.get(client.post("/v1/shot-lists", json={"shots": [shot]}).headers["Location"]).json()
    design = client.get(finished["links"]["self"]).json()
    candidate = client.get(design["recommended"]["candidate"]["link"]).json()
    for cautions in (
        ran["hazards"]["cautions"],
        checked["hazards"]["cautions"],
        listed["cautions"],
        design["cautions"],
        candidate["result"]["hazards"]["cautions"],
    ):
        assert cautions == list(CAUTIONS)
    for answer in (ran, checked, candidate["result"]):
        assert next(iter(answer)) == "verdict"
        assert answer["checklist"]


def test_demo_shows_them(client: httpx.Client, finished: Json) -> None:
    """In what it prints about the recommended shot."""
    design = client.get(finished["links"]["self"]).json()
    detail = CandidateDetail.model_validate_json(client.get(design["recommended"]["candidate"]["link"]).content)
    assert detail.result is not None
    lines = demo_report.hazard_lines(detail.result.hazards)
    assert _missing(" ".join(line.strip().removeprefix("! ") for line in lines)) == []
