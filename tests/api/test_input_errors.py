"""Input that cannot be used: each refusal names field, value, unit and allowed range."""

from __future__ import annotations

import json
from typing import Any

import httpx
import pytest

Json = dict[str, Any]


def _put(body: Json, pointer: str, value: object) -> Json:
    *path, last = pointer.strip("/").split("/")
    place: Any = body
    for step in path:
        place = place[int(step)] if isinstance(place, list) else place.setdefault(step, {})
    place[last] = value
    return body


def _refusal(answer: httpx.Response) -> list[Json]:
    assert answer.status_code == 422, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    assert body["type"] == "/problems/invalid-input"
    return list(body["errors"])


@pytest.mark.parametrize(
    ("pointer", "value", "unit"),
    [
        ("/bank/capacitance_farad", 140, "F"),
        ("/bank/charge_voltage_v", -7000.0, "V"),
        ("/gap_m", 1.0, "m"),
        ("/workpiece/thickness_m", 2.0, "m"),
        ("/coil/turns_count", 0, "1"),
        ("/leads/inductance_henry", 0.1, "H"),
    ],
)
def test_out_of_range(client: httpx.Client, shot: Json, pointer: str, value: float, unit: str) -> None:
    """A number outside its range is refused with pointer, value, unit, minimum and maximum."""
    (error,) = _refusal(client.post("/v1/shots", json=_put(shot, pointer, value)))
    assert error["pointer"] == pointer
    assert f"{value:g}" in error["detail"]
    assert error["unit"] == unit
    assert error["minimum"] < error["maximum"]


@pytest.mark.parametrize(
    ("pointer", "value", "meant"),
    [
        ("/bank/capacitance_farad", 140, "0.00014"),
        ("/gap_m", 1.2, "0.0012"),
        ("/workpiece/outer_diameter_m", 30.0, "0.03"),
        ("/leads/inductance_henry", 100.0, "1e-07"),
    ],
)
def test_wrong_scale_is_guessed(client: httpx.Client, shot: Json, pointer: str, value: float, meant: str) -> None:
    """A value in micro, milli or nano units is asked back: did you mean."""
    (error,) = _refusal(client.post("/v1/shots", json=_put(shot, pointer, value)))
    assert "did you mean" in error["hint"]
    assert f"{float(meant):g}" in error["hint"] or "0.0001" in error["hint"]


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e400", "-1e400"])
@pytest.mark.parametrize("path", ["/v1/shots", "/v1/designs"])
def test_not_finite(client: httpx.Client, shot: Json, design: Json, path: str, number: str) -> None:
    """A number that is not finite, or too large for one, is refused at its field and never a 500."""
    body, pointer = (shot, "/gap_m") if path == "/v1/shots" else (design, "/search/gap/low_m")
    text = json.dumps(_put(body, pointer, "PLACE")).replace('"PLACE"', number)
    (error,) = _refusal(client.post(path, content=text, headers={"Content-Type": "application/json"}))
    assert error["pointer"] == pointer


def test_whole_number_too_large_for_a_fraction(client: httpx.Client, shot: Json) -> None:
    """A whole number of hundreds of digits is refused with the allowed range, like any other that is too large."""
    (error,) = _refusal(client.post("/v1/shots", json=_put(shot, "/coil/turns_count", 10**400)))
    assert error["pointer"] == "/coil/turns_count"
    assert error["maximum"] > 0


@pytest.mark.parametrize("value", ["1e-3", "", None, True, [1e-3], {"value": 1e-3}])
def test_not_a_number(client: httpx.Client, shot: Json, value: object) -> None:
    """Text, null, truth values and containers are no numbers, also when they look like one."""
    (error,) = _refusal(client.post("/v1/shots", json=_put(shot, "/gap_m", value)))
    assert error["pointer"] == "/gap_m"
    assert error["minimum"] == pytest.approx(1e-4)


def test_unknown_name(client: httpx.Client, shot: Json) -> None:
    """A misspelt field is refused, not ignored."""
    (error,) = _refusal(client.post("/v1/shots", json=_put(shot, "/coil/turn_count", 8)))
    assert error["pointer"] == "/coil/turn_count"


def test_missing_field(client: httpx.Client, shot: Json) -> None:
    """A missing field is named with its range."""
    del shot["bank"]["charge_voltage_v"]
    (error,) = _refusal(client.post("/v1/shots", json=shot))
    assert error["pointer"] == "/bank/charge_voltage_v"
    assert "missing" in error["detail"]


def test_unknown_material_lists_the_known(client: httpx.Client, shot: Json) -> None:
    """A material that the library lacks is refused with the names it has."""
    shot["workpiece"]["layers"] = [{"material": "unobtainium"}]
    (error,) = _refusal(client.post("/v1/shots", json=shot))
    assert error["pointer"] == "/workpiece/layers/0/material"
    assert "copper" in error["detail"]


def test_values_that_contradict(client: httpx.Client, shot: Json) -> None:
    """Values that are good one by one but not together are refused with both named."""
    shot["coil"]["pitch_m"] = 1e-3
    (error,) = _refusal(client.post("/v1/shots", json=shot))
    assert error["pointer"] == "/coil"
    assert "pitch_m" in error["detail"]
    assert "wire_diameter_m" in error["detail"]


def test_every_wrong_field_is_named(client: httpx.Client, shot: Json) -> None:
    """All wrong fields are told at once."""
    body = _put(_put(shot, "/gap_m", 5.0), "/coil/turns_count", 1000)
    assert {error["pointer"] for error in _refusal(client.post("/v1/shots", json=body))} == {
        "/gap_m",
        "/coil/turns_count",
    }


def test_many_wrong_fields_are_counted(client: httpx.Client, shot: Json) -> None:
    """A body with thousands of wrong names gets a bounded answer."""
    answer = client.post("/v1/shots", json=shot | {f"x{number}": 0 for number in range(5000)})
    assert 0 < len(_refusal(answer)) <= 50
    assert "not listed" in answer.json()["detail"]


@pytest.mark.parametrize("text", ["[]", "null", "3", '"shot"'])
def test_not_an_object(client: httpx.Client, text: str) -> None:
    """JSON that is no object is refused."""
    _refusal(client.post("/v1/shots", content=text, headers={"Content-Type": "application/json"}))


def test_text_that_is_not_unicode(client: httpx.Client, shot: Json) -> None:
    """A lone surrogate, in a name or a value, is no text and refused as such; a pair of them is a character."""
    for part, word in (('"gap_m"', '"\\ud800"'), ('"copper"', '"x\\uDFFF"')):
        text = json.dumps(shot).replace(part, word)
        answer = client.post("/v1/shots", content=text, headers={"Content-Type": "application/json"})
        assert answer.status_code == 400
        assert answer.json()["type"] == "/problems/malformed-json"
    text = json.dumps(shot).replace('"copper"', '"\\ud83d\\ude00"')
    (error,) = _refusal(client.post("/v1/shots", content=text, headers={"Content-Type": "application/json"}))
    assert "\U0001f600" in error["detail"]


@pytest.mark.parametrize("text", ["{", "", "not json", '{"a": 1,}', "\xff", "[" * 100_000])
def test_not_json(client: httpx.Client, text: str) -> None:
    """A body that is not JSON is a 400, however it is broken."""
    answer = client.post("/v1/shots", content=text.encode("latin-1"), headers={"Content-Type": "application/json"})
    assert answer.status_code in (400, 422)
    assert answer.headers["content-type"] == "application/problem+json"


def test_design_target_must_be_smaller(client: httpx.Client, design: Json) -> None:
    """A target that is not below the part's diameter is refused."""
    design["target"] = {"final_outer_diameter_m": 0.031}
    (error,) = _refusal(client.post("/v1/designs", json=design))
    assert "target" in error["detail"]


def test_design_range_must_be_ordered(client: httpx.Client, design: Json) -> None:
    """A range whose ends are swapped is refused."""
    design["search"]["turns"] = {"low_count": 9, "high_count": 4}
    (error,) = _refusal(client.post("/v1/designs", json=design))
    assert error["pointer"] == "/search/turns"


def test_design_former_that_does_not_fit(client: httpx.Client, design: Json) -> None:
    """A former that makes too wide a gap is refused with its place, its size and the range of the gap."""
    del design["search"]["gap"]
    design["search"]["formers"] = {"walls_m": [1e-3, 0.05]}
    (error,) = _refusal(client.post("/v1/designs", json=design))
    for word in ("walls_m/1", "0.05 m", "0.0001 to 0.02 m"):
        assert word in error["detail"]


def test_design_unknown_wire(client: httpx.Client, design: Json) -> None:
    """A wire that is not in stock is refused with its place in the list."""
    design["search"]["wires"] = ["awg_12", "awg_99"]
    (error,) = _refusal(client.post("/v1/designs", json=design))
    assert error["pointer"] == "/search/wires/1"


@pytest.mark.parametrize("query", ["limit=0", "limit=abc", "limit=201", "cursor=nonsense", "page=2"])
def test_bad_query(client: httpx.Client, query: str) -> None:
    """A query parameter that is wrong or unknown is refused by name."""
    (error,) = _refusal(client.get(f"/v1/designs?{query}"))
    assert error["parameter"] == query.partition("=")[0]
