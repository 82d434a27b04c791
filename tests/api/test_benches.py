"""Benches: described once, revised without ever overwriting, and named by designs and shots."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from uuid import UUID, uuid4

import httpx
import pytest

from worker.request import Bench

Json = dict[str, Any]

_BENCH: Json = {
    "name": "bay 2",
    "bank": {"inductance_henry": 6e-8, "resistance_ohm": 3e-3},
    "leads": {"inductance_henry": 1e-7, "resistance_ohm": 4e-3},
    "capacitance": {"low_farad": 6e-5, "high_farad": 2e-4},
    "limits": {
        "charge_voltage_v": 10000,
        "stored_energy_j": 8000,
        "peak_current_a": 120000,
        "turn_insulation_margin_ratio": 0.2,
    },
    "wires": ["awg_10", "awg_12"],
}
#: What a design and a shot need not say when they name the bench.
_FROM_BENCH = ("bench", "limits")


def _posted(client: httpx.Client, bench: Json = _BENCH, key: str | None = None) -> httpx.Response:
    answer = client.post("/v1/benches", json=bench, headers={"Idempotency-Key": key} if key else {})
    assert answer.status_code == 201, answer.text
    return answer


@pytest.fixture
def bench(client: httpx.Client) -> Json:
    """A bench of its own for each test."""
    found: Json = _posted(client).json()
    return found


@pytest.fixture
def on_bench(design: Json, bench: Json) -> Json:
    """The small design, on the bench, stating nothing that the bench has."""
    search = {name: design["search"][name] for name in ("turns", "gap")}
    return {k: v for k, v in design.items() if k not in _FROM_BENCH} | {"bench_id": bench["id"], "search": search}


@pytest.fixture
def shot_on_bench(shot: Json, bench: Json) -> Json:
    """The small shot on the bench."""
    bank = {"capacitance_farad": 1e-4, "charge_voltage_v": 6000.0}
    return {k: v for k, v in shot.items() if k != "leads"} | {"bench_id": bench["id"], "bank": bank}


def _put(client: httpx.Client, bench: Json, tag: str, **changes: object) -> httpx.Response:
    return client.put(bench["links"]["self"], json=bench["bench"] | changes, headers={"If-Match": tag})


def _tag(client: httpx.Client, bench: Json) -> str:
    return client.get(bench["links"]["self"]).headers["ETag"]


def _error(answer: httpx.Response, status: int = 422) -> Json:
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    (found,) = answer.json()["errors"]
    return dict(found)


# ---- the resource ----------------------------------------------------------------------------------------------------


def test_posted_bench_is_revision_one(client: httpx.Client) -> None:
    """It is answered with 201, where it is, an id of version 7, and the description with every default."""
    answer = _posted(client)
    body = answer.json()
    assert answer.headers["Location"] == f"/v1/benches/{body['id']}"
    assert UUID(body["id"]).version == 7
    assert body["revision"] == 1
    assert body["bench"]["switch"]["kind"] == "ideal"
    again = client.get(answer.headers["Location"])
    assert again.json() == body
    assert again.headers["ETag"] == answer.headers["ETag"]


def test_change_makes_the_next_revision_and_keeps_the_last(client: httpx.Client, bench: Json) -> None:
    """A change with the ETag that was read makes revision 2; revision 1 stays as it was, byte for byte."""
    before = client.get(bench["links"]["revision"])
    changed = _put(client, bench, _tag(client, bench), notes="new leads")
    assert changed.status_code == 200, changed.text
    assert (changed.json()["revision"], changed.json()["bench"]["notes"]) == (2, "new leads")
    assert client.get(bench["links"]["self"]).json() == changed.json()
    assert client.get(bench["links"]["revision"]).content == before.content
    listed = client.get(bench["links"]["revisions"]).json()
    assert [entry["revision"] for entry in listed["items"]] == [2, 1]
    assert listed["next_cursor"] is None


def test_change_needs_to_have_read_what_it_changes(client: httpx.Client, bench: Json) -> None:
    """Without If-Match it is 428, with the ETag of what is no longer there 412, and nothing is changed."""
    tag = _tag(client, bench)
    bare = client.put(bench["links"]["self"], json=bench["bench"])
    assert (bare.status_code, bare.json()["type"]) == (428, "/problems/precondition-required")
    assert _put(client, bench, tag, notes="first").status_code == 200
    late = _put(client, bench, tag, notes="second")
    assert (late.status_code, late.json()["type"]) == (412, "/problems/changed-meanwhile")
    assert client.get(bench["links"]["self"]).json()["bench"]["notes"] == "first"
    assert _put(client, bench, "*", notes="third").json()["revision"] == 3


def test_revisions_are_paged(client: httpx.Client, bench: Json) -> None:
    """Pages of revisions lead from the latest to the first, each once, and a change meanwhile shifts nothing."""
    for number in range(4):
        _put(client, bench, "*", notes=f"change {number}")
    seen, cursor = [], None
    while True:
        query = {"limit": 2} | ({"cursor": cursor} if cursor else {})
        page = client.get(bench["links"]["revisions"], params=query).json()
        seen += [entry["revision"] for entry in page["items"]]
        cursor = page["next_cursor"]
        if cursor is None:
            break
        _put(client, bench, "*", notes="meanwhile")
    assert seen == [5, 4, 3, 2, 1]


def test_benches_are_listed_newest_first(client: httpx.Client) -> None:
    """The list pages from the newest bench to the oldest, each in its latest revision."""
    made = [_posted(client).json()["id"] for _ in range(3)]
    first = client.get("/v1/benches", params={"limit": 2}).json()
    _posted(client)
    second = client.get("/v1/benches", params={"limit": 1, "cursor": first["next_cursor"]}).json()
    assert [entry["id"] for entry in first["items"] + second["items"]] == made[::-1]


def test_deleted_bench_is_gone(client: httpx.Client, bench: Json) -> None:
    """It answers 410 from then on, with its revisions; one that never was answers 404."""
    assert client.delete(bench["links"]["self"]).status_code == 204
    for path in bench["links"].values():
        assert client.get(path).status_code == 410
    assert client.delete(bench["links"]["self"]).status_code == 410
    assert _put(client, bench, "*").status_code == 410
    assert client.get(f"/v1/benches/{uuid4()}").status_code == 404


def test_revision_that_never_was_is_not_found(client: httpx.Client, bench: Json) -> None:
    """A revision beyond the latest is 404, and says what the latest is."""
    answer = client.get(f"{bench['links']['revisions']}/7")
    assert answer.status_code == 404
    assert "latest is 1" in answer.json()["detail"]


def test_same_key_makes_one_bench(client: httpx.Client) -> None:
    """Posting again with the same Idempotency-Key gives the same bench; with another body it is refused."""
    key = str(uuid4())
    assert _posted(client, key=key).json() == _posted(client, key=key).json()
    other = client.post("/v1/benches", json=_BENCH | {"name": "bay 3"}, headers={"Idempotency-Key": key})
    assert (other.status_code, other.json()["type"]) == (422, "/problems/idempotency-mismatch")


def test_wrong_scale_in_a_bench_is_refused(client: httpx.Client) -> None:
    """A bench is checked as designs are: field, value, unit, range, and what may have been meant."""
    bench = _BENCH | {"bank": {"inductance_henry": 60.0}}
    error = _error(client.post("/v1/benches", json=bench))
    assert (error["pointer"], error["unit"], error["hint"]) == ("/bank/inductance_henry", "H", "did you mean 6e-05?")


# ---- designs on a bench ----------------------------------------------------------------------------------------------


def _cancelled(client: httpx.Client, answer: httpx.Response) -> Json:
    assert answer.status_code == 202, answer.text
    path = answer.headers["Location"]
    client.post(f"{path}/cancel").raise_for_status()
    body: Json = client.get(path).json()
    return body


def test_design_takes_what_it_leaves_out_from_its_bench(client: httpx.Client, on_bench: Json, bench: Json) -> None:
    """The stored request is whole, says where it is from, and tightens a limit."""
    on_bench["limits"] = {"peak_current_a": 90000, "turn_insulation_margin_ratio": 0.3}
    body = _cancelled(client, client.post("/v1/designs", json=on_bench))
    request = body["request"]
    assert body["provenance"]["bench"] == {"id": bench["id"], "revision": 1, "name": "bay 2"}
    assert request["bench"] == {k: bench["bench"][k] for k in Bench.model_fields}
    assert request["search"]["wires"] == _BENCH["wires"]
    assert request["search"]["capacitance"] == _BENCH["capacitance"]
    assert request["limits"]["charge_voltage_v"] == 10000
    assert request["limits"]["peak_current_a"] == 90000
    assert request["limits"]["turn_insulation_margin_ratio"] == 0.3
    again = _cancelled(client, client.post("/v1/designs", json=request))
    assert again["request"] == request
    assert again["provenance"]["bench"] is None


def test_design_on_a_bench_runs_to_its_end(
    client: httpx.Client, on_bench: Json, wait_for_end: Callable[[str], Json]
) -> None:
    """Workers find the whole request: a small design on a bench succeeds with its wires and inside its limits."""
    on_bench |= {"budget_trials_count": 8, "limits": {"stored_energy_j": 6000}}
    body = wait_for_end(client.post("/v1/designs", json=on_bench).headers["Location"])
    assert body["status"] == "succeeded", body["failure"]
    best = body["recommended"]["candidate"]
    assert best["wire"] in _BENCH["wires"]
    assert best["stored_energy_j"] <= 6000


@pytest.mark.parametrize(
    ("limit", "value", "bound"),
    [("peak_current_a", 130000, "maximum"), ("turn_insulation_margin_ratio", 0.1, "minimum")],
)
def test_limit_of_a_bench_is_not_loosened(
    client: httpx.Client, on_bench: Json, limit: str, value: float, bound: str
) -> None:
    """More than the bench bears is refused with both values, whichever side is the safe one."""
    allowed = _BENCH["limits"][limit]
    error = _error(client.post("/v1/designs", json=on_bench | {"limits": {limit: value}}))
    assert error["pointer"] == f"/limits/{limit}"
    assert f"{value:g}" in error["detail"]
    assert f"{allowed:g}" in error["detail"]
    assert error[bound] == allowed


def test_null_leaves_the_limit_of_the_bench(client: httpx.Client, on_bench: Json) -> None:
    """A limit that is null in the design is the bench's, not none."""
    body = _cancelled(client, client.post("/v1/designs", json=on_bench | {"limits": {"peak_current_a": None}}))
    assert body["request"]["limits"]["peak_current_a"] == 120000


def test_capacitance_that_the_bench_has_not_is_refused(client: httpx.Client, on_bench: Json) -> None:
    """A design may search part of the bench's range, not beyond it."""
    on_bench["search"]["capacitance"] = {"low_farad": 1e-4, "high_farad": 3e-4}
    error = _error(client.post("/v1/designs", json=on_bench))
    assert (error["minimum"], error["maximum"], error["unit"]) == (6e-5, 2e-4, "F")


def test_unknown_bench_is_refused_at_its_field(client: httpx.Client, on_bench: Json, shot_on_bench: Json) -> None:
    """A bench or a revision that is not there is 422 at the field that names it, for designs and shots."""
    for path, body in (("/v1/designs", on_bench), ("/v1/shots", shot_on_bench), ("/v1/shots/check", shot_on_bench)):
        unknown = _error(client.post(path, json=body | {"bench_id": str(uuid4())}))
        assert unknown["pointer"] == "/bench_id"
        assert _error(client.post(path, json=body | {"bench_revision": 5}))["pointer"] == "/bench_revision"


def test_wrong_field_beside_a_bench_is_named(client: httpx.Client, on_bench: Json) -> None:
    """Pointers, units and ranges of a design that names a bench are those of one that does not."""
    on_bench["search"]["gap"]["low_m"] = 5.0
    error = _error(client.post("/v1/designs", json=on_bench))
    assert (error["pointer"], error["unit"], error["maximum"]) == ("/search/gap/low_m", "m", 2e-2)


def test_what_neither_states_is_missing(client: httpx.Client, on_bench: Json) -> None:
    """A stock that neither the design nor its bench states is told as missing."""
    bare = _posted(client, {k: v for k, v in _BENCH.items() if k != "wires"}).json()
    error = _error(client.post("/v1/designs", json=on_bench | {"bench_id": bare["id"]}))
    assert error["pointer"] == "/search/wires"
    assert "missing" in error["detail"]


def test_older_revision_can_be_named(client: httpx.Client, on_bench: Json, bench: Json) -> None:
    """Without a number a design takes the latest revision; with one it takes that."""
    limits = {**_BENCH["limits"], "peak_current_a": 60000}
    assert _put(client, bench, "*", limits=limits).status_code == 200
    latest = _cancelled(client, client.post("/v1/designs", json=on_bench))
    first = _cancelled(client, client.post("/v1/designs", json=on_bench | {"bench_revision": 1}))
    found = [(d["provenance"]["bench"]["revision"], d["request"]["limits"]["peak_current_a"]) for d in (latest, first)]
    assert found == [(2, 60000), (1, 120000)]


def test_key_stands_for_the_body_as_sent(client: httpx.Client, on_bench: Json, bench: Json) -> None:
    """After the bench was changed, even deleted, the same key and body still give the design that they made."""
    headers = {"Idempotency-Key": str(uuid4())}
    made = client.post("/v1/designs", json=on_bench, headers=headers)
    _cancelled(client, made)
    _put(client, bench, "*", notes="changed")
    assert client.post("/v1/designs", json=on_bench, headers=headers).json()["id"] == made.json()["id"]
    client.delete(bench["links"]["self"])
    assert client.post("/v1/designs", json=on_bench, headers=headers).json()["id"] == made.json()["id"]
    other = client.post("/v1/designs", json=on_bench | {"seed": 99}, headers=headers)
    assert other.json()["type"] == "/problems/idempotency-mismatch"
    kept = client.get(made.headers["Location"]).json()["provenance"]["bench"]
    assert (kept["id"], kept["revision"]) == (bench["id"], 1)


# ---- shots on a bench ------------------------------------------------------------------------------------------------


def test_shot_on_a_bench_is_the_shot_written_out(client: httpx.Client, shot: Json, shot_on_bench: Json) -> None:
    """Naming the bench gives what writing out its bank, leads and limits gives."""
    answer = client.post("/v1/shots", json=shot_on_bench)
    assert answer.status_code == 200, answer.text
    shot["bank"] |= _BENCH["bank"]
    shot["limits"] = _BENCH["limits"]
    assert answer.json() == client.post("/v1/shots", json=shot).json()
    assert client.post("/v1/shots/check", json=shot_on_bench).json()["shot"] == answer.json()["shot"]


def test_shot_on_a_bench_cannot_loosen_it_either(client: httpx.Client, shot_on_bench: Json) -> None:
    """A limit of a shot may be tighter than the bench's, never looser, and the bank is set as it can be."""
    loose = _error(client.post("/v1/shots", json=shot_on_bench | {"limits": {"stored_energy_j": 9000}}))
    assert (loose["pointer"], loose["maximum"]) == ("/limits/stored_energy_j", 8000)
    shot_on_bench["bank"]["capacitance_farad"] = 1e-3
    beyond = _error(client.post("/v1/shots", json=shot_on_bench))
    assert (beyond["pointer"], beyond["maximum"]) == ("/bank/capacitance_farad", 2e-4)


def test_shot_on_a_bench_of_equal_capacitors(client: httpx.Client, shot_on_bench: Json) -> None:
    """Their number sets the bank, with the strays of each; a capacitance, or more than there are, is refused."""
    stock = {"each_farad": 2.5e-5, "each_inductance_henry": 2e-7, "low_count": 2, "high_count": 8}
    bench = _posted(client, {k: v for k, v in _BENCH.items() if k != "capacitance"} | {"capacitors": stock}).json()
    body = shot_on_bench | {"bench_id": bench["id"]}
    assert _error(client.post("/v1/shots/check", json=body))["pointer"] == "/bank"
    body["bank"] = {"charge_voltage_v": 6000.0, "capacitors_count": 4}
    bank = client.post("/v1/shots/check", json=body).json()["shot"]["bank"]
    assert (bank["capacitance_farad"], bank["capacitor_inductance_henry"]) == (1e-4, 2e-7)
    assert bank["inductance_henry"] == _BENCH["bank"]["inductance_henry"]
    body["bank"]["capacitors_count"] = 9
    assert _error(client.post("/v1/shots/check", json=body))["maximum"] == 8


def test_fixed_capacitance_need_not_be_repeated(client: httpx.Client, shot_on_bench: Json) -> None:
    """On a bank that cannot be set the voltage is all that a shot states of it."""
    fixed = {"low_farad": 1.2e-4, "high_farad": 1.2e-4}
    bench = _posted(client, _BENCH | {"capacitance": fixed}).json()
    body = shot_on_bench | {"bench_id": bench["id"], "bank": {"charge_voltage_v": 6000.0}}
    assert client.post("/v1/shots/check", json=body).json()["shot"]["bank"]["capacitance_farad"] == 1.2e-4
    open_bank = shot_on_bench | {"bank": {"charge_voltage_v": 6000.0}}
    assert _error(client.post("/v1/shots/check", json=open_bank))["pointer"] == "/bank/capacitance_farad"
