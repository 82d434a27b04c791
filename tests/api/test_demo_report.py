"""The demo's words and tables, made from a real finished design."""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from api import demo_report, examples
from api.designs.representations import CandidateDetail, CandidateList, CandidateRow, DesignDetail
from worker.request import DesignRequest

Json = dict[str, Any]


@pytest.fixture
def front(client: httpx.Client, finished: Json) -> list[CandidateRow]:
    """The trade-off front."""
    return CandidateList.model_validate_json(client.get(finished["links"]["front"]).content).items


def test_request_is_told_in_practical_units() -> None:
    """The question is put in mm, kV, J, kA and µF."""
    text = "\n".join(demo_report.request_lines(DesignRequest.model_validate(examples.DESIGN)))
    for words in ("30.0 mm", "24.00 mm", "10.0 kV", "8000 J", "120 kA", "60 to 300 µF", "0.20 µH"):
        assert words in text


def test_front_is_a_table_with_one_recommended_row(front: list[CandidateRow]) -> None:
    """The table has a line a candidate and marks one."""
    lines = demo_report.front_lines(front)
    assert len(lines) >= 3
    assert len([line for line in lines if line.startswith("*")]) == 1
    assert len({len(line) for line in lines[:3]}) == 1


def test_long_front_is_thinned(front: list[CandidateRow]) -> None:
    """Of a long front the ends, the recommended and some between are shown, and the rest is counted."""
    rows = [front[0].model_copy(update={"number": n, "recommended": n == 31}) for n in range(60)]
    lines = demo_report.front_lines(rows)
    shown = [int(line.strip("* ").split()[0]) for line in lines[2:-1]]
    assert {0, 31, 59} <= set(shown)
    assert f"{60 - len(shown)} more" in lines[-1]


def test_recommended_shot_is_told_with_hazards_and_cautions(client: httpx.Client, finished: Json) -> None:
    """The recommended shot comes with what to build, its figures, the hazards and every caution."""
    design = DesignDetail.model_validate_json(client.get(finished["links"]["self"]).content)
    assert design.recommended is not None
    detail = CandidateDetail.model_validate_json(client.get(design.recommended.candidate.link).content)
    assert detail.result is not None
    text = "\n".join([*demo_report.shot_lines(detail), *demo_report.hazard_lines(detail.result.hazards)])
    assert text.startswith(detail.result.verdict.statement[:40])
    for words in ("turns of", "final diameter", "peak current", "debris energy", "lethal"):
        assert words in text
    for caution in detail.result.hazards.cautions:
        assert caution.split(":")[0] in " ".join(text.split())
