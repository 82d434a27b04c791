"""Lists of shots: posted as one job, watched like a design, read as a table."""

from __future__ import annotations

import csv
import io
import json
import time
from collections.abc import Callable
from typing import Any
from uuid import uuid4

import httpx
import pytest
from jsonschema_rs import Draft202012Validator

Json = dict[str, Any]
WaitForEnd = Callable[[str], Json]

_VOLTAGES = [5000.0, 5500.0, 6000.0]
_GAPS = [1e-3, 1.4e-3]


def _posted(client: httpx.Client, body: Json, key: str | None = None) -> httpx.Response:
    answer = client.post("/v1/shot-lists", json=body, headers={"Idempotency-Key": key} if key else {})
    assert answer.status_code == 202, answer.text
    return answer


def _errors(answer: httpx.Response) -> list[Json]:
    assert answer.status_code == 422, answer.text
    assert answer.json()["type"] == "/problems/invalid-input"
    return list(answer.json()["errors"])


@pytest.fixture
def sweep(shot: Json) -> Json:
    """Six shots."""
    vary = [{"pointer": "/gap_m", "values": _GAPS}, {"pointer": "/bank/charge_voltage_v", "values": _VOLTAGES}]
    limits = {"charge_voltage_v": 5800.0}
    return {"name": "six of them", "shot": shot | {"limits": limits}, "vary": vary}


@pytest.fixture
def long_list(shot: Json) -> Json:
    """More shots than are run within a test."""
    shot["solver"]["fidelity"] = "reference"
    return {"shot": shot, "vary": [{"pointer": "/bank/charge_voltage_v", "values": [4000.0 + n for n in range(1000)]}]}


@pytest.fixture
def finished_list(client: httpx.Client, sweep: Json, wait_for_end: WaitForEnd) -> Json:
    """A sweep that has run to its end."""
    body = wait_for_end(_posted(client, sweep).headers["Location"])
    assert body["status"] == "succeeded", body["failure"]
    return body


def test_events_of_a_real_list_tell_how_it_came_on(client: httpx.Client, finished_list: Json) -> None:
    """From its post to its end, in events that fit the published document; after the last one there is nothing."""
    path = finished_list["links"]["events"]
    answer = client.get(path, headers={"Last-Event-ID": "0-0"})
    blocks = [dict(line.split(": ", 1) for line in block.splitlines()) for block in answer.text.split("\n\n") if block]
    told = [(block["event"], json.loads(block["data"])) for block in blocks if "event" in block]
    states = [data for kind, data in told if kind == "status"]
    assert [data["status"] for data in states] == ["queued", "running", "succeeded"]
    assert states[-1] == {name: finished_list[name] for name in states[-1]}
    assert told[-1] == ("end", {"status": "succeeded"})
    assert [data for kind, data in told if kind == "progress"][-1] == finished_list["progress"]
    document = client.get("/openapi.json").json()
    for name, kind in (("ShotListStatus", "status"), ("ShotListProgress", "progress")):
        schema = {"$ref": f"#/components/schemas/{name}", "components": document["components"]}
        for data in (data for found, data in told if found == kind):
            Draft202012Validator(schema).validate(data)
    *_, last = [block["id"] for block in blocks if "id" in block]
    assert client.get(path, params={"last_event_id": last}).status_code == 204


def test_names_of_the_store_are_no_ids(client: httpx.Client, finished_list: Json, finished: Json) -> None:
    """What a job or a part of it is called in the store is no design and no list, whatever is asked of it."""
    path = f"/v1/designs/shot-list:{finished_list['id']}"
    answers = [client.get(path + part) for part in ("", "/candidates", "/candidates/0", "/export", "/events")]
    answers += [client.post(f"{path}/cancel"), client.delete(path)]
    for part in (":rows", ":events"):
        for job in (finished, finished_list):
            answers += [client.get(f"{job['links']['self']}{part}{more}") for more in ("", "/events")]
    assert {(answer.status_code, answer.json()["type"]) for answer in answers} == {(404, "/problems/not-found")}
    assert client.get(finished_list["links"]["self"]).json() == finished_list


def _cancelled(client: httpx.Client, path: str, wait_for_end: WaitForEnd) -> Json:
    client.post(f"{path}/cancel").raise_for_status()
    return wait_for_end(path)


def test_list_of_a_thousand_is_accepted_and_cancelled(
    client: httpx.Client, long_list: Json, wait_for_end: WaitForEnd
) -> None:
    """It is accepted with Location, Retry-After, id and links, shows true progress, and can be stopped meanwhile."""
    answer = _posted(client, long_list)
    body = answer.json()
    assert answer.headers["Location"] == body["links"]["self"] == f"/v1/shot-lists/{body['id']}"
    assert int(answer.headers["Retry-After"]) > 0
    path, seen = answer.headers["Location"], [0]
    while len(set(seen)) < 3:
        state = client.get(path).json()
        seen.append(state["progress"]["finished_shots_count"])
        time.sleep(0.2)
    assert seen == sorted(seen)
    assert state["status"] == "running"
    assert state["progress"]["shots_count"] == 1000
    assert state["progress"]["heartbeat_at"] >= state["started_at"]
    assert state["expires_at"] is None
    refused = client.delete(path)
    assert (refused.status_code, refused.json()["type"]) == (409, "/problems/shot-list-not-finished")
    later = {"expires_at": "2090-01-01T00:00:00Z"}
    assert client.patch(path, json=later).json()["type"] == "/problems/shot-list-not-finished"
    ended = _cancelled(client, path, wait_for_end)
    assert client.patch(path, json=later).json()["expires_at"] == later["expires_at"]
    assert client.get(path).json()["expires_at"] == later["expires_at"]
    assert ended["status"] == "cancelled"
    assert seen[-1] <= ended["progress"]["finished_shots_count"] < 1000
    assert client.post(f"{path}/cancel").json()["status"] == "cancelled"
    rows = client.get(f"{path}/shots", params={"limit": 1000}).json()["items"]
    states = [row["state"] for row in rows]
    assert states.count("finished") == ended["progress"]["finished_shots_count"]
    assert set(states) == {"finished", "skipped"}
    assert client.delete(path).status_code == 204
    for gone in (path, f"{path}/shots", f"{path}/shots/0"):
        assert client.get(gone).status_code == 410


def test_status_block_is_that_of_a_design(finished_list: Json, finished: Json) -> None:
    """Whatever tells of a job's state is called the same for a list as for a design."""
    block = {"id", "name", "status", "failure", "created_at", "started_at", "finished_at", "expires_at"}
    shared = {"queue_place", "heartbeat_at", "repeats_count"}
    for body in (finished_list, finished):
        assert block <= body.keys()
        assert shared <= body["progress"].keys()
        assert body["links"]["self"]
    assert finished_list["expires_at"] > finished_list["finished_at"] >= finished_list["started_at"]
    assert finished_list["progress"]["finished_shots_count"] == finished_list["progress"]["shots_count"] == 6


def test_each_shot_of_a_list_is_what_it_is_alone(client: httpx.Client, sweep: Json, finished_list: Json) -> None:
    """Every row has the figures of the same shot posted by itself, and its page the whole result."""
    rows = client.get(finished_list["links"]["shots"]).json()["items"]
    assert [row["number"] for row in rows] == list(range(6))
    for row in rows:
        gap, voltage = _GAPS[row["number"] // 3], _VOLTAGES[row["number"] % 3]
        assert row["varied"] == {"/gap_m": gap, "/bank/charge_voltage_v": voltage}
        assert row["exceeded"] == ("charge_voltage_v" if voltage > 5800.0 else "")
    shot = sweep["shot"] | {"gap_m": _GAPS[1], "bank": sweep["shot"]["bank"] | {"charge_voltage_v": _VOLTAGES[0]}}
    alone = client.post("/v1/shots", json=shot).json()
    detail = client.get(rows[3]["link"]).json()
    assert detail["result"] == alone
    assert detail["shot"] == alone["shot"]
    assert detail["row"] == rows[3]
    assert (rows[3]["status"], rows[3]["summary"]) == (alone["status"], alone["summary"])


@pytest.mark.parametrize("how", [{"params": {"format": "csv"}}, {"headers": {"Accept": "text/csv"}}])
def test_csv_equals_json(client: httpx.Client, finished_list: Json, how: Json) -> None:
    """The table has a column for each varied place and each figure, with the digits of the JSON."""
    path = finished_list["links"]["shots"]
    answer = client.get(path, **how)
    assert answer.headers["content-type"].startswith("text/csv")
    table = list(csv.DictReader(io.StringIO(answer.text, newline="")))
    for line, row in zip(table, client.get(path).json()["items"], strict=True):
        expected = row | row["varied"] | row["summary"]
        left_out = expected.keys() - line.keys()
        assert left_out == {"varied", "summary", "ratings", "advice"}
        assert line == {name: "" if expected[name] is None else f"{expected[name]}" for name in line}


def test_rows_are_paged(client: httpx.Client, finished_list: Json) -> None:
    """Pages by cursor and by Link lead through all shots once, JSON and CSV."""
    path = finished_list["links"]["shots"]
    seen, cursor = [], None
    while True:
        page = client.get(path, params={"limit": 4} | ({"cursor": cursor} if cursor else {})).json()
        seen += [row["number"] for row in page["items"]]
        cursor = page["next_cursor"]
        if cursor is None:
            break
    assert seen == list(range(6))
    link: str | None = f"{path}?format=csv&limit=4"
    lines = 0
    while link is not None:
        answer = client.get(link)
        lines += answer.text.count("\r\n") - 1
        link = answer.links["next"]["url"] if "next" in answer.links else None
    assert lines == 6


def test_wrong_shot_is_told_with_its_place(client: httpx.Client, shot: Json) -> None:
    """Of many shots each wrong one is told by its number, with unit, range and hint, and nothing is run."""
    wrong = shot | {"bank": shot["bank"] | {"capacitance_farad": 140}}
    before = client.get("/v1/shot-lists").json()
    shots = [shot] * 17 + [wrong] + [shot] * 3 + [shot | {"bench_id": str(uuid4()), "bank": {"charge_voltage_v": 5e3}}]
    first, *others = _errors(client.post("/v1/shot-lists", json={"shots": shots}))
    assert first["pointer"] == "/shots/17/bank/capacitance_farad"
    assert (first["unit"], first["maximum"]) == ("F", 2e-2)
    assert "did you mean 0.00014" in first["hint"]
    assert {error["pointer"] for error in others} == {"/shots/21/leads"}
    assert client.get("/v1/shot-lists").json() == before


def test_thousand_whole_shots_are_taken(client: httpx.Client, shot: Json, wait_for_end: WaitForEnd) -> None:
    """As many shots as a list may have fit into a body with every default filled in; one more is refused."""
    whole = client.post("/v1/shots/check", json=shot).json()["shot"]
    shots = [whole | {"gap_m": 1e-3 + n * 1e-6} for n in range(1000)]
    path = _posted(client, {"shots": shots}).headers["Location"]
    assert client.get(f"{path}/shots/999").json()["shot"] == shots[-1]
    _cancelled(client, path, wait_for_end)
    (error,) = _errors(client.post("/v1/shot-lists", json={"shots": [*shots, whole]}))
    assert error["pointer"] == "/shots"


def test_wrong_value_of_a_sweep_is_told_with_its_place(client: httpx.Client, sweep: Json) -> None:
    """A value that no shot can have is told where it stands in the sweep."""
    sweep["vary"][0]["values"] = [1e-3, 1.4]
    (error,) = _errors(client.post("/v1/shot-lists", json=sweep))
    assert (error["pointer"], error["hint"]) == ("/vary/0/values/1", "did you mean 0.0014?")


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"vary": []}, ""),
        ({"shots": []}, "/shots"),
        ({"vary": [{"pointer": "/bank/nothing_v", "values": [1.0]}]}, "/vary/0/pointer"),
        ({"vary": [{"pointer": "gap_m", "values": [1e-3]}]}, "/vary/0/pointer"),
        ({"vary": [{"pointer": "/gap_m", "values": []}]}, "/vary/0/values"),
        ({"vary": [{"pointer": "/gap_m", "values": [1e-3] * 1001}]}, "/vary/0/values"),
        ({"vary": [{"pointer": f"/{name}", "values": [1e-3] * 40} for name in ("gap_m", "gap_m")]}, ""),
    ],
)
def test_list_that_makes_no_sense_is_refused(client: httpx.Client, sweep: Json, change: Json, pointer: str) -> None:
    """Neither shots nor a sweep, places that are none, and more than a thousand combinations are refused by name."""
    assert pointer in [error["pointer"] for error in _errors(client.post("/v1/shot-lists", json=sweep | change))]


def test_not_finite_value_is_refused(client: httpx.Client, sweep: Json) -> None:
    """A number that is none in a sweep is a refusal, not a 500."""
    text = json.dumps(sweep).replace("5500.0", "NaN")
    headers = {"Content-Type": "application/json"}
    assert _errors(client.post("/v1/shot-lists", content=text, headers=headers))


def test_list_on_a_bench(client: httpx.Client, shot: Json, wait_for_end: WaitForEnd) -> None:
    """Shots of a list may name a bench, and a sweep on it cannot leave what it bears."""
    limits = {"charge_voltage_v": 8000, "stored_energy_j": 4000}
    bench = client.post(
        "/v1/benches", json={"name": "bay 3", "limits": limits, "bank": {"inductance_henry": 6e-8}}
    ).json()
    load = {name: shot[name] for name in ("coil", "gap_m", "workpiece", "solver")}
    load |= {"bench_id": bench["id"], "bank": {"charge_voltage_v": 5000.0, "capacitance_farad": 1e-4}}
    vary = [{"pointer": "/bank/charge_voltage_v", "values": [5000.0, 9000.0]}]
    body = wait_for_end(_posted(client, {"shot": load, "vary": vary}).headers["Location"])
    assert body["provenance"]["benches"] == [{"id": bench["id"], "revision": 1, "name": "bay 3"}]
    rows = client.get(body["links"]["shots"]).json()["items"]
    assert [row["exceeded"] for row in rows] == ["", "charge_voltage_v stored_energy_j"]
    loose = load | {"limits": {"stored_energy_j": 5000}}
    (error,) = _errors(client.post("/v1/shot-lists", json={"shots": [load, loose]}))
    assert (error["pointer"], error["maximum"]) == ("/shots/1/limits/stored_energy_j", 4000)


def test_same_key_makes_one_list(client: httpx.Client, sweep: Json, wait_for_end: WaitForEnd) -> None:
    """Posting again with the same Idempotency-Key gives the same list; another body is refused."""
    key = str(uuid4())
    first, second = (_posted(client, sweep, key) for _ in range(2))
    assert first.headers["Location"] == second.headers["Location"]
    other = client.post("/v1/shot-lists", json=sweep | {"name": "other"}, headers={"Idempotency-Key": key})
    assert other.json()["type"] == "/problems/idempotency-mismatch"
    _cancelled(client, first.headers["Location"], wait_for_end)


def test_unknown_list_and_shot_are_not_found(client: httpx.Client, finished_list: Json) -> None:
    """An id that never was and a number beyond the list are 404."""
    for path in (f"/v1/shot-lists/{uuid4()}", f"{finished_list['links']['shots']}/6"):
        answer = client.get(path)
        assert (answer.status_code, answer.json()["type"]) == (404, "/problems/not-found")


# ---- finding jobs ----------------------------------------------------------------------------------------------------


def _ids(client: httpx.Client, path: str, **query: str | int) -> list[str]:
    found: list[str] = []
    cursor: str | None = None
    while True:
        page = client.get(path, params=query | ({"cursor": cursor} if cursor else {})).raise_for_status().json()
        found += [entry["id"] for entry in page["items"]]
        cursor = page["next_cursor"]
        if cursor is None:
            return found


@pytest.mark.parametrize("path", ["/v1/designs", "/v1/shot-lists"])
def test_jobs_are_found_by_state_name_and_time(
    client: httpx.Client, path: str, design: Json, long_list: Json, wait_for_end: WaitForEnd
) -> None:
    """Filters keep exactly what they say, filtered pages lead on, and what arrives meanwhile shifts nothing."""
    body = design | {"budget_trials_count": 100_000} if path == "/v1/designs" else long_list
    label = f"found {uuid4()}"
    paths = [client.post(path, json=body | {"name": f"{label} {n}"}).headers["Location"] for n in range(3)]
    other = client.post(path, json=body | {"name": "another"}).headers["Location"]
    ids = [found.rpartition("/")[2] for found in paths]
    _cancelled(client, paths[1], wait_for_end)
    assert _ids(client, path, name=label.upper(), limit=1) == ids[::-1]
    assert _ids(client, path, name=label, status="cancelled") == [ids[1]]
    assert other.rpartition("/")[2] not in _ids(client, path, status="cancelled")
    made = client.get(paths[1]).json()["created_at"]
    assert _ids(client, path, name=label, created_after=made) == [ids[2], ids[1]]
    assert _ids(client, path, name=label, created_before=made) == [ids[0]]
    first = client.get(path, params={"name": label, "limit": 2}).json()
    paths.append(client.post(path, json=body | {"name": label}).headers["Location"])
    rest = client.get(path, params={"name": label, "limit": 2, "cursor": first["next_cursor"]}).json()
    assert [entry["id"] for entry in rest["items"]] == [ids[0]]
    for found in (*paths, other):
        _cancelled(client, found, wait_for_end)


@pytest.mark.parametrize("path", ["/v1/designs", "/v1/shot-lists"])
@pytest.mark.parametrize(
    "query",
    ["status=asleep", "created_after=yesterday", "created_before=2026-01-01T00:00:00", "name=", "state=running"],
)
def test_filter_that_is_none_is_refused(client: httpx.Client, path: str, query: str) -> None:
    """A state, a time without its offset, or a parameter that is not known is refused by name."""
    (error,) = _errors(client.get(f"{path}?{query}"))
    assert error["parameter"] == query.partition("=")[0]
