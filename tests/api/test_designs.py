"""Posting, watching, cancelling and deleting designs."""

from __future__ import annotations

import csv
import io
import re
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from importlib.metadata import version
from typing import Any
from uuid import uuid4

import httpx
import pytest

Json = dict[str, Any]
WaitForEnd = Callable[[str], Json]

#: Too many trials to end within a test.
_LONG = 100_000


def _posted(client: httpx.Client, design: Json, key: str | None = None) -> httpx.Response:
    return client.post("/v1/designs", json=design, headers={"Idempotency-Key": key} if key else {})


def _cancelled(client: httpx.Client, path: str, wait_for_end: WaitForEnd) -> Json:
    client.post(f"{path}/cancel").raise_for_status()
    return wait_for_end(path)


def test_post_is_answered_at_once(client: httpx.Client, design: Json, wait_for_end: WaitForEnd) -> None:
    """A posted design is accepted in well under a second, with Location, Retry-After, id, status and links."""
    begun_s = time.monotonic()
    answer = _posted(client, design)
    assert time.monotonic() - begun_s < 1.0
    assert answer.status_code == 202
    body = answer.json()
    assert answer.headers["Location"] == body["links"]["self"] == f"/v1/designs/{body['id']}"
    assert int(answer.headers["Retry-After"]) > 0
    assert body["status"] in ("queued", "running")
    _cancelled(client, answer.headers["Location"], wait_for_end)


def test_finished_design_recommends_one_shot(finished: Json) -> None:
    """A finished design has all its trials, a front, and one recommended candidate with the reason for it."""
    progress = finished["progress"]
    assert finished["status"] == "succeeded"
    assert progress["finished_trials_count"] == progress["budget_trials_count"] == 30
    assert 0 < progress["feasible_trials_count"] <= 30
    assert finished["front_count"] > 0
    assert len(finished["recommended"]["reason"]) > 20
    assert finished["recommended"]["candidate"]["on_front"]
    assert finished["cautions"]
    assert finished["expires_at"] > finished["finished_at"] > finished["created_at"]


def test_recommended_shot_lands_on_the_target(client: httpx.Client, finished: Json) -> None:
    """The recommended shot, posted again by itself, reaches the target within tolerance and inside every limit."""
    detail = client.get(finished["recommended"]["candidate"]["link"]).json()
    answer = client.post("/v1/shots", json=detail["result"]["shot"]).json()
    limits, target = finished["request"]["limits"], finished["request"]["target"]
    summary, bank = answer["summary"], answer["shot"]["bank"]
    assert answer["status"] == "completed"
    assert answer["shot"]["solver"]["fidelity"] == "design"
    assert abs(summary["final_outer_diameter_m"] - target["final_outer_diameter_m"]) <= target["tolerance_m"]
    assert bank["charge_voltage_v"] <= limits["charge_voltage_v"]
    assert 0.5 * bank["capacitance_farad"] * bank["charge_voltage_v"] ** 2 <= limits["stored_energy_j"]
    assert summary["peak_current_a"] <= limits["peak_current_a"]
    assert not any(rating["exceeded"] for rating in answer["ratings"])


def test_request_is_echoed_with_defaults(client: httpx.Client, finished: Json, wait_for_end: WaitForEnd) -> None:
    """The request comes back fully resolved and can be posted again as it is."""
    assert finished["request"]["search"]["coil_material"] == "copper"
    answer = _posted(client, finished["request"] | {"seed": 99})
    assert answer.status_code == 202
    _cancelled(client, answer.headers["Location"], wait_for_end)


def test_running_design_asks_to_be_polled_later(client: httpx.Client, design: Json, wait_for_end: WaitForEnd) -> None:
    """A design at work carries Retry-After, an ended one does not."""
    path = _posted(client, design | {"budget_trials_count": _LONG}).headers["Location"]
    running = client.get(path)
    assert running.status_code == 200
    assert running.headers["Retry-After"]
    assert running.json()["expires_at"] is None
    _cancelled(client, path, wait_for_end)
    assert "Retry-After" not in client.get(path).headers


def test_progress_never_goes_back(
    client: httpx.Client, design: Json, watched: list[Json], wait_for_end: WaitForEnd
) -> None:
    """Finished trials only grow, from nothing to the budget, and are seen on the way."""
    seen = [state["progress"]["finished_trials_count"] for state in watched]
    assert seen == sorted(seen)
    assert seen[-1] == watched[-1]["progress"]["budget_trials_count"]
    path, seen = _posted(client, design | {"budget_trials_count": _LONG}).headers["Location"], []
    while len(set(seen)) < 4:
        seen.append(client.get(path).json()["progress"]["finished_trials_count"])
        time.sleep(0.2)
    seen.append(_cancelled(client, path, wait_for_end)["progress"]["finished_trials_count"])
    assert seen == sorted(seen)


def test_unchanged_design_is_not_sent_again(client: httpx.Client, finished: Json) -> None:
    """A reader who has the present state already gets 304 without a body."""
    path = finished["links"]["self"]
    tag = client.get(path).headers["ETag"]
    for known in (tag, f"W/{tag}", f'"other", {tag}', "*"):
        again = client.get(path, headers={"If-None-Match": known})
        assert (again.status_code, again.content) == (304, b"")
        assert again.headers["ETag"] == tag
    assert client.get(path, headers={"If-None-Match": '"other"'}).status_code == 200


def test_cancel_keeps_what_is_finished(client: httpx.Client, design: Json, wait_for_end: WaitForEnd) -> None:
    """A running design is cancelled within ten seconds, keeps its finished trials, and may be cancelled again."""
    path = _posted(client, design | {"budget_trials_count": _LONG}).headers["Location"]
    while client.get(path).json()["progress"]["finished_trials_count"] == 0:
        time.sleep(0.2)
    begun_s = time.monotonic()
    ended = _cancelled(client, path, wait_for_end)
    assert time.monotonic() - begun_s < 10.0
    assert ended["status"] == "cancelled"
    assert ended["progress"]["finished_trials_count"] > 0
    again = client.post(f"{path}/cancel")
    assert again.status_code == 202
    assert again.json()["status"] == "cancelled"
    assert client.get(f"{path}/candidates").json()["items"]


def test_cancelling_an_ended_design_changes_nothing(client: httpx.Client, finished: Json) -> None:
    """A finished design stays succeeded when it is cancelled afterwards."""
    assert client.post(finished["links"]["cancel"]).json()["status"] == "succeeded"


def test_delete_leaves_a_tombstone(client: httpx.Client, design: Json, wait_for_end: WaitForEnd) -> None:
    """A design at work cannot be deleted (409); an ended one can, and answers 410 from then on."""
    path = _posted(client, design | {"budget_trials_count": _LONG}).headers["Location"]
    refused = client.delete(path)
    assert refused.status_code == 409
    assert refused.json()["type"] == "/problems/design-not-finished"
    _cancelled(client, path, wait_for_end)
    assert client.delete(path).status_code == 204
    for answer in (
        client.get(path),
        client.delete(path),
        client.post(f"{path}/cancel"),
        client.get(f"{path}/candidates"),
        client.get(f"{path}/candidates/0"),
    ):
        assert answer.status_code == 410
        assert answer.json()["type"] == "/problems/gone"


def test_nothing_feasible_says_what_limits(client: httpx.Client, design: Json, wait_for_end: WaitForEnd) -> None:
    """A design that no shot can meet succeeds with no recommendation, the reasons, and what would have to give."""
    design |= {"limits": {"charge_voltage_v": 1000, "stored_energy_j": 100}, "budget_trials_count": 6}
    body = wait_for_end(_posted(client, design).headers["Location"])
    assert body["status"] == "succeeded"
    assert body["recommended"] is None
    assert sum(miss["trials_count"] for miss in body["limiting"]["misses"]) == 6
    assert body["limiting"]["nearest"]["reason"]
    assert len(body["limiting"]["advice"]) > 20
    nearest = client.get(body["limiting"]["nearest"]["link"]).json()
    assert nearest["candidate"] == body["limiting"]["nearest"]
    assert nearest["result"]["summary"]["final_outer_diameter_m"] > 0.025


def test_design_from_stock_replays_as_a_shot(client: httpx.Client, design: Json, wait_for_end: WaitForEnd) -> None:
    """A search over layers, pitch, formers and capacitors ends with a shot that gives its figures again by itself."""
    del design["search"]["gap"], design["search"]["capacitance"]
    design["search"] |= {
        "turns": {"low_count": 6, "high_count": 10},
        "layers": {"low_count": 1, "high_count": 2},
        "pitch": {"low_ratio": 1.0, "high_ratio": 1.2},
        "formers": {"walls_m": [6e-4, 1e-3], "clearance_m": 1e-4, "strength_v_per_m": 2e7},
        "capacitors": {"each_farad": 2.5e-5, "each_inductance_henry": 2e-7, "low_count": 3, "high_count": 8},
    }
    design["limits"] |= {"voltage_reversal_ratio": 0.95, "gap_insulation_margin_ratio": 0.1}
    body = wait_for_end(_posted(client, design | {"budget_trials_count": 24}).headers["Location"])
    assert body["status"] == "succeeded", body["failure"]
    row = body["recommended"]["candidate"]
    assert row["former_wall_m"] in (6e-4, 1e-3)
    assert row["capacitance_farad"] == pytest.approx(2.5e-5 * row["capacitors_count"])
    detail = client.get(row["link"]).json()
    answer = client.post("/v1/shots", json=detail["result"]["shot"]).json()
    assert answer["status"] == "completed"
    assert answer["summary"]["final_outer_diameter_m"] == row["final_outer_diameter_m"]
    assert answer["summary"]["peak_current_a"] == row["peak_current_a"]
    assert {rating["name"] for rating in detail["ratings"]} >= {"voltage_reversal_ratio", "gap_insulation_margin_ratio"}


def test_same_key_and_body_is_the_same_design(
    client: httpx.Client, service: str, design: Json, wait_for_end: WaitForEnd
) -> None:
    """Twenty posts at the same time with one Idempotency-Key make one design."""
    key = str(uuid4())

    def post(_: int) -> tuple[int, str]:
        headers = {"Idempotency-Key": key}
        answer = httpx.post(f"{service}/v1/designs", json=design, headers=headers, trust_env=False)
        return answer.status_code, answer.json()["id"]

    with ThreadPoolExecutor(20) as pool:
        answers = set(pool.map(post, range(20)))
    assert len(answers) == 1
    ((status, design_id),) = answers
    assert status == 202
    _cancelled(client, f"/v1/designs/{design_id}", wait_for_end)


def test_same_key_and_other_body_is_refused(client: httpx.Client, design: Json, wait_for_end: WaitForEnd) -> None:
    """An Idempotency-Key that came with another body is refused with 422."""
    key = str(uuid4())
    path = _posted(client, design, key).headers["Location"]
    refused = _posted(client, design | {"seed": 8}, key)
    assert refused.status_code == 422
    assert refused.json()["type"] == "/problems/idempotency-mismatch"
    _cancelled(client, path, wait_for_end)


@pytest.mark.parametrize("key", ["", "x" * 256])
def test_key_of_wrong_length_is_refused(client: httpx.Client, design: Json, key: str) -> None:
    """An Idempotency-Key that is empty or too long is refused by name."""
    answer = client.post("/v1/designs", json=design, headers={"Idempotency-Key": key})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["parameter"].lower() == "idempotency-key"


def test_designs_are_listed_newest_first(client: httpx.Client, design: Json, wait_for_end: WaitForEnd) -> None:
    """The list pages from the newest to the oldest; a design that arrives meanwhile shifts nothing."""
    paths = [_posted(client, design | {"name": f"listed {n}"}).headers["Location"] for n in range(3)]
    first = client.get("/v1/designs", params={"limit": 2}).json()
    paths.append(_posted(client, design | {"name": "late"}).headers["Location"])
    second = client.get("/v1/designs", params={"limit": 2, "cursor": first["next_cursor"]}).json()
    seen = [entry["links"]["self"] for entry in first["items"] + second["items"]]
    assert seen[:3] == [paths[2], paths[1], paths[0]]
    assert paths[3] not in seen
    for path in paths:
        _cancelled(client, path, wait_for_end)


def test_last_page_says_so(client: httpx.Client, finished: Json) -> None:
    """Following next_cursor comes to an end, with next_cursor null and present, and meets each design once."""
    seen: list[str] = []
    cursor: str | None = None
    while True:
        page = client.get("/v1/designs", params={"limit": 3} | ({"cursor": cursor} if cursor else {})).json()
        seen += [entry["id"] for entry in page["items"]]
        cursor = page["next_cursor"]
        if cursor is None:
            break
    assert finished["id"] in seen
    assert len(seen) == len(set(seen))


def test_ended_design_can_be_kept_longer(client: httpx.Client, finished: Json) -> None:
    """PATCH moves the time until which a design is kept, within the future; null keeps it for good."""
    address = finished["links"]["self"]
    kept = client.patch(address, json={"expires_at": "2090-01-01T00:00:00+01:00"})
    assert kept.status_code == 200, kept.text
    assert kept.json()["expires_at"] == "2089-12-31T23:00:00Z" == client.get(address).json()["expires_at"]
    refused = client.patch(address, json={"expires_at": "2020-01-01T00:00:00Z"})
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["pointer"] == "/expires_at"
    assert client.patch(address, json={}).status_code == 422
    assert client.patch(address, json={"expires_at": None}).json()["expires_at"] is None


def test_results_carry_what_repeats_them(client: httpx.Client, finished: Json) -> None:
    """Versions, digests of source, data and request, seed, resolved input, solver settings and times."""
    design = client.get(finished["links"]["self"]).json()
    made_with = design["provenance"]["software"]
    assert made_with["software_version"] == version("shotwright")
    assert re.fullmatch(r"[0-9a-f]{64}", made_with["source_sha256"])
    assert re.fullmatch(r"[0-9a-f]{64}", design["provenance"]["request_sha256"])
    assert isinstance(design["request"]["seed"], int)
    assert design["created_at"] <= design["started_at"] <= design["finished_at"]
    result = client.get(design["recommended"]["candidate"]["link"]).json()["result"]
    for name, value in made_with.items():
        assert result["provenance"][name] == value
    again = client.post("/v1/shots", json=result["shot"]).json()
    assert again["provenance"] == result["provenance"]
    assert again["summary"] == result["summary"]
    other = client.post("/v1/shots", json=result["shot"] | {"gap_m": result["shot"]["gap_m"] * 1.001}).json()
    assert other["provenance"]["input_sha256"] != result["provenance"]["input_sha256"]


def test_whole_series_as_csv(client: httpx.Client, finished: Json) -> None:
    """A row for every step, names and digits as in JSON, and the thinned series of the result is part of it."""
    link = client.get(finished["links"]["self"]).json()["recommended"]["candidate"]["link"]
    result = client.get(link).json()["result"]
    whole = client.get(f"{link}/series")
    assert whole.headers["content-type"].startswith("text/csv")
    rows = list(csv.DictReader(io.StringIO(whole.text)))
    assert list(rows[0]) == list(result["series"])
    assert len(rows) == result["provenance"]["steps_count"] + 1
    currents = {float(row["current_a"]) for row in rows}
    assert set(result["series"]["current_a"]) <= currents
    assert max(currents) == max(result["series"]["current_a"])
    posted = client.post("/v1/shots/series", json=result["shot"])
    assert posted.text == whole.text


def test_series_of_a_candidate_without_a_shot_is_not_found(client: httpx.Client, finished: Json) -> None:
    """Nor is that of a number that no candidate has."""
    answer = client.get(f"{finished['links']['self']}/candidates/999999/series")
    assert answer.status_code == 404


def test_check_tells_what_would_be_searched_and_queues_nothing(client: httpx.Client, design: Json) -> None:
    """Defaults filled in, told in words; what a post would refuse is refused alike."""
    before = client.get("/v1/designs?limit=1").json()["items"]
    said = client.post("/v1/designs/check", json=design).json()
    assert said["request"]["target"] == {"final_outer_diameter_m": 0.025, "shrink_ratio": None, "tolerance_m": 1e-4}
    assert any("5 to 10 turns" in sentence for sentence in said["summary"])
    assert client.get("/v1/designs?limit=1").json()["items"] == before
    design["search"]["turns"]["low_count"] = 0
    refused = [client.post(path, json=design) for path in ("/v1/designs/check", "/v1/designs")]
    assert [answer.status_code for answer in refused] == [422, 422]
    assert refused[0].json()["errors"] == refused[1].json()["errors"]
