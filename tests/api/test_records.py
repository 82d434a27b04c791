"""Records of fired shots: stored once, never changed, superseded, found, exported and deleted."""

from __future__ import annotations

import csv
import io
from typing import Any
from uuid import UUID, uuid4

import httpx
import pytest

from api.examples import BENCH

Json = dict[str, Any]


def error_of(answer: httpx.Response) -> Json:
    """The only wrong field of a refused body."""
    assert answer.status_code == 422, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    (found,) = answer.json()["errors"]
    return dict(found)


@pytest.fixture(scope="module")
def bench(client: httpx.Client) -> Json:
    """A bench for the records of this module."""
    found: Json = client.post("/v1/benches", json=BENCH).raise_for_status().json()
    return found


@pytest.fixture
def record(shot: Json) -> Json:
    """A good record, to be spoilt by a test."""
    return {
        "name": "blank 12",
        "shot": shot,
        "set": {"charge_voltage_v": 6010.0, "gap_m": 1.02e-3, "thickness_m": 2.01e-3},
        "fired_at": "2026-03-01T14:05:00+01:00",
        "sizes": {"final_outer_diameter_m": 0.0262, "size_error_m": 2e-5},
        "burst_time_s": 3.1e-5,
        "notes": "Two pieces in the barrier",
        "photographs": ["photos/12.jpg"],
    }


def posted(client: httpx.Client, record: Json, key: str | None = None) -> Json:
    answer = client.post("/v1/records", json=record, headers={"Idempotency-Key": key} if key else {})
    assert answer.status_code == 201, answer.text
    body: Json = answer.json()
    assert answer.headers["Location"] == body["links"]["self"]
    return body


def test_record_tells_the_shot_as_it_was_fired(client: httpx.Client, record: Json) -> None:
    """What was set takes the place of what was planned, times are UTC, and the rest is as posted."""
    body = posted(client, record)
    assert UUID(body["id"]).version == 7
    fired = body["shot"]
    assert (fired["bank"]["charge_voltage_v"], fired["gap_m"], fired["workpiece"]["thickness_m"]) == (
        6010.0, 1.02e-3, 2.01e-3,
    )  # fmt: skip
    assert fired["bank"]["capacitance_farad"] == record["shot"]["bank"]["capacitance_farad"]
    assert body["fired_at"] == "2026-03-01T13:05:00Z"
    assert body["sizes"]["final_outer_diameter_m"] == 0.0262
    assert (body["bench"], body["shot_of"], body["trace"], body["superseded_by"]) == (None, None, None, None)
    assert body["photographs"] == ["photos/12.jpg"]
    assert any("kills" in caution or "kill" in caution for caution in body["cautions"])
    again = client.get(body["links"]["self"])
    assert again.json() == body
    assert client.get(body["links"]["self"], headers={"If-None-Match": again.headers["ETag"]}).status_code == 304


def test_record_on_a_bench_has_its_circuit(client: httpx.Client, record: Json, bench: Json) -> None:
    """Named by the shot or stated beside it, the bench and its revision are told, and its circuit is the shot's."""
    stated = posted(client, record | {"bench": {"id": bench["id"]}})
    bank = {"capacitance_farad": 1e-4, "charge_voltage_v": 6000.0}
    on_bench = {k: v for k, v in record["shot"].items() if k != "leads"} | {"bench_id": bench["id"], "bank": bank}
    named = posted(client, record | {"shot": on_bench})
    for body in (stated, named):
        assert body["bench"] == {"id": bench["id"], "revision": 1, "name": BENCH["name"]}
        assert body["shot"]["leads"] == bench["bench"]["leads"]
        assert body["shot"]["bank"]["inductance_henry"] == bench["bench"]["bank"]["inductance_henry"]


def test_record_of_a_candidate_has_its_shot(client: httpx.Client, record: Json, finished: Json) -> None:
    """Naming a candidate of a design gives the shot that the design tells of it, as it was set."""
    best = finished["recommended"]["candidate"]
    asked = {k: v for k, v in record.items() if k not in ("shot", "set")}
    asked |= {"shot_of": {"design_id": finished["id"], "number": best["number"]}, "set": {"charge_voltage_v": 5555.0}}
    fired = posted(client, asked)["shot"]
    planned = client.get(best["link"]).json()["result"]["shot"]
    planned["bank"]["charge_voltage_v"] = 5555.0
    assert fired == planned


def test_wrong_references_are_named(client: httpx.Client, record: Json, finished: Json, bench: Json) -> None:
    """An unknown design, candidate, bench, revision or record is refused at its field."""
    bare = {k: v for k, v in record.items() if k != "shot"}
    for changes, pointer in (
        (bare | {"shot_of": {"design_id": str(uuid4()), "number": 0}}, "/shot_of/design_id"),
        (bare | {"shot_of": {"design_id": finished["id"], "number": 10**6}}, "/shot_of/number"),
        (record | {"bench": {"id": str(uuid4())}}, "/bench/id"),
        (record | {"bench": {"id": bench["id"], "revision": 9}}, "/bench/revision"),
        (record | {"supersedes": str(uuid4())}, "/supersedes"),
        (record | {"fired_at": "2999-01-01T00:00:00Z"}, "/fired_at"),
        (record | {"set": {"gap_m": 1.02}}, "/set/gap_m"),
        (record | {"set": {"inner_diameter_m": 0.04}}, "/set"),
        (record | {"sizes": {"final_outer_diameter_m": 26.2}}, "/sizes/final_outer_diameter_m"),
        (bare, ""),
    ):
        assert error_of(client.post("/v1/records", json=changes))["pointer"] == pointer, changes


def test_record_is_superseded_not_changed(client: httpx.Client, record: Json) -> None:
    """The new record takes the old one's place in lists; the old one stays, says so, and is superseded only once."""
    label = str(uuid4())
    old = posted(client, record | {"notes": label})
    new = posted(client, record | {"notes": label, "supersedes": old["id"], "burst_time_s": 3.3e-5})
    kept = client.get(old["links"]["self"]).json()
    assert kept == old | {"superseded_by": new["id"]}
    assert client.put(old["links"]["self"], json=record).status_code == 405

    def listed(**query: Any) -> list[str]:
        found = client.get("/v1/records", params={"text": label, **query}).raise_for_status().json()["items"]
        return [row["id"] for row in found]

    assert listed() == [new["id"]]
    assert listed(superseded=True) == [new["id"], old["id"]]
    again = error_of(client.post("/v1/records", json=record | {"supersedes": old["id"]}))
    assert new["id"] in again["detail"]
    assert client.delete(new["links"]["self"]).status_code == 204
    assert client.get(new["links"]["self"]).status_code == 410
    assert listed() == [old["id"]]
    assert client.get(f"/v1/records/{uuid4()}").status_code == 404


def test_records_are_found_page_by_page(client: httpx.Client, record: Json, bench: Json) -> None:
    """Filters by bench, design, time and text hold together with paging; CSV has the same rows."""
    label = str(uuid4())
    made = [
        posted(client, record | {"notes": f"Label {label}", "fired_at": f"2026-03-0{day}T10:00:00Z", "bench": b})["id"]
        for day, b in ((1, None), (2, {"id": bench["id"]}), (3, {"id": bench["id"]}), (4, {"id": bench["id"]}))
    ]
    query: Json = {"text": label.upper(), "limit": 2}
    seen, path = list[str](), "/v1/records?" + str(httpx.QueryParams(query))
    while path:
        answer = client.get(path).raise_for_status()
        seen += [row["id"] for row in answer.json()["items"]]
        path = answer.links.get("next", {}).get("url", "")
    assert seen == made[::-1]

    def listed(**query: Any) -> list[str]:
        return [row["id"] for row in client.get("/v1/records", params={"text": label, **query}).json()["items"]]

    assert listed(bench_id=bench["id"]) == made[:0:-1]
    assert listed(fired_after="2026-03-02T10:00:00Z", fired_before="2026-03-04T10:00:00Z") == made[2:0:-1]
    assert listed(design_id=str(uuid4())) == []
    table = client.get("/v1/records", params={"text": label, "format": "csv"})
    assert table.headers["content-type"].startswith("text/csv")
    rows = list(csv.DictReader(io.StringIO(table.text)))
    assert [row["id"] for row in rows] == made[::-1]
    assert {float(row["charge_voltage_v"]) for row in rows} == {6010.0}
    assert {row["bench_revision"] for row in rows} == {"", "1"}
    wrong = client.get("/v1/records", params={"cursor": "bogus"})
    assert (wrong.status_code, wrong.json()["errors"][0]["parameter"]) == (422, "cursor")


def test_same_key_makes_one_record(client: httpx.Client, record: Json) -> None:
    """Posting again with the same Idempotency-Key gives the same record; with another body it is refused."""
    key = str(uuid4())
    assert posted(client, record, key) == posted(client, record, key)
    other = client.post("/v1/records", json=record | {"notes": "else"}, headers={"Idempotency-Key": key})
    assert (other.status_code, other.json()["type"]) == (422, "/problems/idempotency-mismatch")
