"""Fits over HTTP: from records through a job to the bench's next revision, and predicted against measured."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from typing import Any
from uuid import uuid4

import httpx
import pytest

from tests.worker.fired import BENCH, PLAN, TRUTH, fired, planned

Json = dict[str, Any]


@pytest.fixture(scope="module")
def bench(client: httpx.Client) -> Json:
    """A bench with two shots fired on it, which is not as it is described."""
    found: Json = client.post("/v1/benches", json=BENCH).raise_for_status().json()
    for seed, (voltage_v, turns) in enumerate(PLAN[:2]):
        body = fired(planned(voltage_v, turns), seed, {"id": found["id"]})
        client.post("/v1/records", json=body).raise_for_status()
    return found


@pytest.fixture(scope="module")
def fitted(client: httpx.Client, bench: Json, wait_for_end: Callable[[str], Json]) -> Json:
    """A fit of both that has succeeded."""
    body = {"name": "both", "bench": {"id": bench["id"], "revision": 1}, "fidelity": "screen"}
    answer = client.post("/v1/fits", json=body, headers={"Idempotency-Key": f"fit of {bench['id']}"})
    assert answer.status_code == 202, answer.text
    assert answer.headers["Location"] == answer.json()["links"]["self"]
    found = wait_for_end(answer.headers["Location"])
    assert found["status"] == "succeeded", found["failure"]
    return found


def test_fit_makes_a_revision_that_says_where_it_is_from(client: httpx.Client, bench: Json, fitted: Json) -> None:
    """The job has the status block of all jobs; its answer is the bench's revision 2, and revision 1 is as it was."""
    assert fitted["progress"]["records_count"] == 2
    assert fitted["finished_at"] < fitted["expires_at"]
    assert fitted["provenance"]["bench"] == {"id": bench["id"], "revision": 1, "name": "bay 3"}
    assert len(fitted["provenance"]["record_ids"]) == 2
    assert fitted["cautions"]
    result = fitted["result"]
    for quantity in result["quantities"]:
        assert abs(quantity["value"] - TRUTH[quantity["name"]]) < 3.0 * quantity["error"], quantity
    assert result["statement"].startswith("The data tell")
    assert result["next_shots"]
    latest = client.get(fitted["links"]["bench"]).json()
    assert result["makes_bench"] == {"id": bench["id"], "revision": 2, "name": "bay 3"}
    assert (latest["revision"], latest["bench"]["fitted_from"]) == (2, fitted["id"])
    assert latest["bench"]["spreads"] == result["spreads"]
    assert client.get(bench["links"]["revision"]).json() == bench


def test_fit_is_found_followed_and_asked_for_again(client: httpx.Client, bench: Json, fitted: Json) -> None:
    """Lists, events, ETag and idempotency are those of every job."""
    listed = client.get("/v1/fits", params={"name": "BOTH", "status": "succeeded"}).json()["items"]
    assert fitted["id"] in [entry["id"] for entry in listed]
    with client.stream("GET", fitted["links"]["events"]) as stream:
        text = "".join(stream.iter_text())
    assert [line for line in text.splitlines() if line.startswith("event:")] == [
        "event: status", "event: progress", "event: end",
    ]  # fmt: skip
    tag = client.get(fitted["links"]["self"]).headers["ETag"]
    assert client.get(fitted["links"]["self"], headers={"If-None-Match": tag}).status_code == 304
    body = {"name": "both", "bench": {"id": bench["id"], "revision": 1}, "fidelity": "screen"}
    headers = {"Idempotency-Key": f"fit of {bench['id']}"}
    assert client.post("/v1/fits", json=body, headers=headers).json()["id"] == fitted["id"]
    assert client.post("/v1/fits", json=body | {"name": "no"}, headers=headers).status_code == 422
    assert client.post(fitted["links"]["cancel"]).json()["status"] == "succeeded"


def test_wrong_fit_is_refused_at_its_field(client: httpx.Client, bench: Json) -> None:
    """Fields, ranges and references are named."""
    for body, pointer in (
        ({"bench": {"id": str(uuid4())}}, "/bench/id"),
        ({"bench": {"id": bench["id"]}, "records": [str(uuid4())]}, "/records/0"),
        ({"bench": {"id": bench["id"]}, "since": "2030-01-01T00:00:00Z"}, "/bench/id"),
        ({"bench": {"id": bench["id"]}, "priors": {"gap_offset_m": 0.05}}, "/priors/gap_offset_m"),
        ({"bench": {"id": bench["id"]}, "records": ["a", "a"]}, ""),
        ({}, "/bench"),
    ):
        answer = client.post("/v1/fits", json=body)
        assert answer.status_code == 422, answer.text
        assert [error["pointer"] for error in answer.json()["errors"]] == [pointer], body
    assert client.get(f"/v1/fits/{uuid4()}").status_code == 404
    assert client.get("/v1/fits/a:rows").status_code == 404


def test_fitted_bench_predicts_what_was_measured(client: httpx.Client, bench: Json, fitted: Json) -> None:
    """Against revision 1 current and diameter are off by per cents, against the fit's by far less."""
    path = f"{bench['links']['self']}/comparison"
    before, after = (client.get(path, params={"revision": n}).raise_for_status().json() for n in (1, 2))
    assert after["bench"] == fitted["result"]["makes_bench"]
    assert client.get(path).json() == after
    for name, share in (("peak_current_a", 0.25), ("final_outer_diameter_m", 0.1), ("time_to_peak_s", 0.3)):
        was, now = (
            next(found["bias_ratio"] for found in body["summary"] if found["name"] == name) for body in (before, after)
        )
        assert abs(was) > 0.005, name
        assert abs(now) < share * abs(was), name
    assert [record["name"] for record in after["records"]] == ["shot 0", "shot 1"]
    rows = list(csv.DictReader(io.StringIO(client.get(path, params={"format": "csv"}).text)))
    assert len(rows) == sum(len(record["figures"]) for record in after["records"]) == 10
    assert rows[0]["figure"] == "peak_current_a"
    assert float(rows[0]["predicted"]) == after["records"][0]["figures"][0]["predicted"]
    assert client.get(f"/v1/benches/{uuid4()}/comparison").status_code == 404
    assert client.get(path, params={"revision": 9}).status_code == 404


def test_comparison_is_that_of_the_shot_itself(client: httpx.Client, bench: Json) -> None:
    """What is predicted of a record is what `/v1/shots` says of its shot on that revision, first time and again."""
    path = f"{bench['links']['self']}/comparison"
    for _ in range(2):
        record = client.get(path, params={"revision": 1}).json()["records"][0]
        shot = client.get(f"/v1/records/{record['record_id']}").json()["shot"]
        summary = client.post("/v1/shots", json=shot).json()["summary"]
        for figure in record["figures"]:
            assert figure["predicted"] == summary[figure["name"]]
            assert figure["difference"] == pytest.approx(figure["measured"] - figure["predicted"])


def test_fitted_bench_can_be_edited_and_keeps_what_it_is(client: httpx.Client, bench: Json, fitted: Json) -> None:
    """A change of its notes makes the next revision, with calibration, spreads and origin as they were."""
    latest = client.get(bench["links"]["self"])
    body = latest.json()["bench"] | {"notes": "as fitted"}
    changed = client.put(bench["links"]["self"], json=body, headers={"If-Match": latest.headers["ETag"]}).json()
    assert changed["revision"] == 3
    assert {k: v for k, v in changed["bench"].items() if k != "notes"} == {
        k: v for k, v in latest.json()["bench"].items() if k != "notes"
    }
    assert changed["bench"]["fitted_from"] == fitted["id"]


def test_deleted_fit_leaves_its_revision(client: httpx.Client, bench: Json, fitted: Json) -> None:
    """The fit is gone for good, the bench stands."""
    later = {"expires_at": "2090-01-01T00:00:00Z"}
    assert client.patch(fitted["links"]["self"], json=later).json()["expires_at"] == later["expires_at"]
    assert client.delete(fitted["links"]["self"]).status_code == 204
    assert client.get(fitted["links"]["self"]).status_code == 410
    assert client.get(f"{bench['links']['revisions']}/2").json()["bench"]["fitted_from"] == fitted["id"]
