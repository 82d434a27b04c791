"""Budgets in trials and in time, continuing a design, and its export in one go."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from typing import Any
from uuid import uuid4

import httpx
import pytest

Json = dict[str, Any]
WaitForEnd = Callable[[str], Json]


def _lines(answer: httpx.Response) -> list[Json]:
    return [json.loads(line) for line in answer.text.splitlines()]


def test_continued_design_keeps_its_trials_and_adds_to_them(
    client: httpx.Client, design: Json, wait_for_end: WaitForEnd
) -> None:
    """A design of 6 trials raised to 9 runs 3 more, leaves the first as they were, and says what was asked when."""
    path = client.post("/v1/designs", json=design | {"budget_trials_count": 6}).headers["Location"]
    first = wait_for_end(path)
    before = _lines(client.get(first["links"]["export"]))
    assert first["ended_because"] == "budget"
    assert "6 trials" in first["ending"]

    key = {"Idempotency-Key": str(uuid4())}
    answer = client.post(first["links"]["continuation"], json={"budget_trials_count": 9}, headers=key)
    assert answer.status_code == 202, answer.text
    assert answer.headers["Location"] == path
    assert answer.json()["status"] in ("queued", "running")
    again = client.post(first["links"]["continuation"], json={"budget_trials_count": 9}, headers=key)
    assert again.status_code == 202
    ended = wait_for_end(path)
    after = _lines(client.get(first["links"]["export"]))
    assert ended["status"] == "succeeded"
    assert ended["progress"]["finished_trials_count"] == ended["progress"]["budget_trials_count"] == 9
    assert ended["request"] == first["request"]
    assert [asked["budget_trials_count"] for asked in ended["continuations"]] == [9]
    assert ended["created_at"] == first["created_at"]
    assert ended["expires_at"] > ended["finished_at"] > first["finished_at"]
    same = {"on_front", "recommended", "confirmation", "robustness"}  # these are the outcome's, not the trial's
    assert [_without(row, same) for row in after[:6]] == [_without(row, same) for row in before]
    assert sorted(row["number"] for row in after) == list(range(9))

    refused = client.post(first["links"]["continuation"], json={"budget_trials_count": 9})
    assert refused.status_code == 422
    (error,) = refused.json()["errors"]
    assert (error["pointer"], error["minimum"]) == ("/budget_trials_count", 10)


def _without(row: Json, names: set[str]) -> Json:
    return {name: value for name, value in row.items() if name not in names}


def test_continuing_what_cannot_go_on_is_a_conflict(
    client: httpx.Client, design: Json, wait_for_end: WaitForEnd
) -> None:
    """A design at work, and one that was cancelled, answer 409 each with a problem of its own."""
    path = client.post("/v1/designs", json=design | {"budget_trials_count": 100_000}).headers["Location"]
    busy = client.post(f"{path}/continue", json={"budget_trials_count": 200_000})
    assert (busy.status_code, busy.json()["type"]) == (409, "/problems/design-not-finished")
    client.post(f"{path}/cancel")
    assert wait_for_end(path)["ended_because"] == "cancelled"
    refused = client.post(f"{path}/continue", json={"budget_trials_count": 200_000})
    assert (refused.status_code, refused.json()["type"]) == (409, "/problems/design-not-continuable")
    assert "cancelled" in refused.json()["detail"]


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({}, ""),
        ({"budget_trials_count": 9, "budget_duration_s": 60.0}, ""),
        ({"budget_trials_count": 0}, "/budget_trials_count"),
        ({"finish_by_at": "2020-01-01T00:00:00Z"}, "/finish_by_at"),
        ({"finish_by_at": "tomorrow"}, "/finish_by_at"),
        ({"finish_by_at": "2030-02-30T00:00:00Z"}, "/finish_by_at"),
        ({"seed": 1}, "/seed"),
    ],
)
def test_wrong_budget_is_refused_by_name(client: httpx.Client, finished: Json, body: Json, pointer: str) -> None:
    """Exactly one kind of budget, in its range, and no time that has passed or does not exist."""
    answer = client.post(finished["links"]["continuation"], json=body)
    assert answer.status_code == 422
    assert pointer in [error["pointer"] for error in answer.json()["errors"]]


def test_time_can_be_the_budget(client: httpx.Client, design: Json, wait_for_end: WaitForEnd) -> None:
    """A design with a time to end by says until when it may go on, and that no number of trials is planned."""
    del design["budget_trials_count"]
    answer = client.post("/v1/designs", json=design | {"finish_by_at": "2100-01-01T01:00:00+01:00"})
    assert answer.status_code == 202, answer.text
    body = client.get(answer.headers["Location"]).json()
    assert body["request"]["finish_by_at"] == body["progress"]["deadline_at"] == "2100-01-01T00:00:00Z"
    assert body["request"]["budget_trials_count"] is None
    assert body["progress"]["budget_trials_count"] is None
    assert body["progress"]["rounds_count"] is None
    assert client.get("/").status_code == 200  # the page shows it as well
    client.post(body["links"]["cancel"])
    wait_for_end(body["links"]["self"])


@pytest.mark.parametrize("change", [{"finish_by_at": "2020-01-01T00:00:00Z"}, {"budget_duration_s": 60.0}])
def test_design_with_a_wrong_budget_is_not_accepted(client: httpx.Client, design: Json, change: Json) -> None:
    """A time in the past, and two kinds of budget at once, are refused."""
    if "finish_by_at" in change:
        del design["budget_trials_count"]
    assert client.post("/v1/designs", json=design | change).status_code == 422


@pytest.mark.parametrize("only", ["all", "feasible", "front"])
def test_export_holds_what_the_list_holds(client: httpx.Client, finished: Json, only: str) -> None:
    """The lines of the export are the rows of the list, as JSON and as CSV."""
    rows = client.get(finished["links"]["candidates"], params={"only": only, "limit": 1000}).json()["items"]
    assert rows
    answer = client.get(finished["links"]["export"], params={"only": only})
    assert answer.headers["content-type"] == "application/x-ndjson"
    assert answer.headers["content-disposition"].endswith(f'{finished["id"]}.ndjson"')
    assert _lines(answer) == rows
    table = client.get(finished["links"]["export"], params={"only": only, "format": "csv"})
    page = client.get(finished["links"]["candidates"], params={"only": only, "limit": 1000, "format": "csv"})
    assert table.text == page.text
    assert len(list(csv.DictReader(io.StringIO(table.text, newline="")))) == len(rows)


def test_export_of_nothing(client: httpx.Client) -> None:
    """An unknown design, and an unknown format, are problems and no empty file."""
    unknown = client.get("/v1/designs/0197a3b0-0000-7000-8000-000000000000/export")
    assert (unknown.status_code, unknown.headers["content-type"]) == (404, "application/problem+json")
    assert client.get("/v1/designs/any/export?format=xml").status_code == 422
