"""POST /v1/shots and /v1/shots/check."""

from __future__ import annotations

import math
import threading
import time
from typing import Any

import httpx
import pytest

Json = dict[str, Any]


def _numbers(value: object) -> list[float]:
    if isinstance(value, dict):
        return [number for part in value.values() for number in _numbers(part)]
    if isinstance(value, list):
        return [number for part in value for number in _numbers(part)]
    return [float(value)] if isinstance(value, int | float) and not isinstance(value, bool) else []


def test_answer_has_every_block(client: httpx.Client, shot: Json) -> None:
    """A good shot is answered with status, advice, figures, balance, ratings, hazards, series and provenance."""
    answer = client.post("/v1/shots", json=shot)
    assert answer.status_code == 200
    body = answer.json()
    assert body["status"] == "completed"
    assert body["advice"]
    assert body["summary"]["peak_current_a"] > 1e4
    assert len(body["series"]["time_s"]) == len(body["series"]["current_a"]) > 10
    assert body["hazards"]["cautions"]
    assert body["provenance"]["model_version"]


def test_stored_energy_is_half_c_v_squared(client: httpx.Client, shot: Json) -> None:
    """The energy balance starts from the textbook energy of a capacitor, and closes within 0.5 %."""
    energy = client.post("/v1/shots", json=shot).json()["energy"]
    assert energy["bank_j"] == pytest.approx(0.5 * 1e-4 * 6000.0**2)
    assert abs(energy["residual_ratio"]) < 0.005


def test_input_is_echoed_with_defaults(client: httpx.Client, shot: Json) -> None:
    """The answer holds the fully resolved shot, which gives the same answer when posted again."""
    first = client.post("/v1/shots", json=shot).json()
    assert first["shot"]["switch"]["kind"] == "ideal"
    assert first["shot"]["coil"]["material"] == "copper"
    second = client.post("/v1/shots", json=first["shot"]).json()
    assert second == first


def test_no_number_is_infinite(client: httpx.Client, shot: Json) -> None:
    """Every number that leaves the service is finite."""
    assert all(math.isfinite(number) for number in _numbers(client.post("/v1/shots", json=shot).json()))


def test_stated_limits_are_rated(client: httpx.Client, shot: Json) -> None:
    """A limit given with the shot comes back with what the shot takes of it."""
    shot["limits"] = {"charge_voltage_v": 8000.0}
    (rating,) = client.post("/v1/shots", json=shot).json()["ratings"]
    assert rating["name"] == "charge_voltage_v"
    assert rating["margin_ratio"] == pytest.approx(1.0 - 6000.0 / 8000.0)


def test_too_much_energy_is_a_status(client: httpx.Client, shot: Json) -> None:
    """A shot that crushes the part beyond the model is answered with 200, a status and advice."""
    shot["bank"] |= {"charge_voltage_v": 40000.0, "capacitance_farad": 4e-4}
    answer = client.post("/v1/shots", json=shot)
    assert answer.status_code == 200
    assert answer.json()["status"] != "completed"
    assert answer.json()["advice"]


def test_inline_material_is_taken(client: httpx.Client, shot: Json) -> None:
    """A laboratory can bring constants of its own; what the run does not need may be left out."""
    shot["workpiece"]["layers"] = [{"material": {"conductivity_s_per_m": 3.5e7}}]
    shot["solver"] |= {"motion": False, "heating": False}
    answer = client.post("/v1/shots", json=shot)
    assert answer.status_code == 200
    assert answer.json()["summary"]["final_outer_diameter_m"] == pytest.approx(0.03)


def test_check_answers_with_the_resolved_shot(client: httpx.Client, shot: Json) -> None:
    """A check gives the input as a run would echo it, and the figures that a run would start from."""
    checked, run = (client.post(path, json=shot).json() for path in ("/v1/shots/check", "/v1/shots"))
    assert checked["shot"] == run["shot"]
    assert checked["figures"]["stored_energy_j"] == run["energy"]["bank_j"]
    assert checked["hazards"]["cautions"] == run["hazards"]["cautions"]
    assert "summary" not in checked


def test_check_refuses_what_a_run_refuses(client: httpx.Client, shot: Json) -> None:
    """A wrong field is told by the check in the same words as by the run."""
    shot["bank"]["capacitance_farad"] = 140
    checked, run = (client.post(path, json=shot) for path in ("/v1/shots/check", "/v1/shots"))
    assert checked.status_code == run.status_code == 422
    assert checked.json()["errors"] == run.json()["errors"]


def test_service_answers_while_shots_run(client: httpx.Client, service: str, shot: Json) -> None:
    """Shots under way do not hold up other requests."""
    shot["solver"]["fidelity"] = "reference"

    def fire() -> None:
        httpx.post(f"{service}/v1/shots", json=shot, timeout=60.0, trust_env=False)

    threads = [threading.Thread(target=fire) for _ in range(2)]
    for thread in threads:
        thread.start()
    slowest_s = 0.0
    while any(thread.is_alive() for thread in threads):
        begun_s = time.monotonic()
        assert client.get("/livez").status_code == 200
        slowest_s = max(slowest_s, time.monotonic() - begun_s)
        time.sleep(0.02)
    assert slowest_s < 1.0


def test_section_through_time(client: httpx.Client, shot: Json) -> None:
    """As many frames as asked for at least, with metal and field lines; bad counts are refused by name."""
    body = client.post("/v1/shots/section?frames_count=8", json=shot).json()
    assert len(body["frames"]) >= 8
    assert {"part", "turn"} <= {piece["of"] for piece in body["frames"][0]["pieces"]}
    assert any(frame["field_lines_m"] for frame in body["frames"])
    refused = client.post("/v1/shots/section?frames_count=1", json=shot)
    assert refused.status_code == 422
    assert "frames_count" in refused.text
