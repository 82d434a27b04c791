"""The candidates of a design as JSON, as CSV, and one by one."""

from __future__ import annotations

import csv
import io
from typing import Any

import httpx
import pytest

Json = dict[str, Any]


def _all_pages(client: httpx.Client, path: str, **query: str | int) -> list[Json]:
    rows: list[Json] = []
    cursor: str | None = None
    while True:
        page = client.get(path, params=query | ({"cursor": cursor} if cursor else {})).raise_for_status().json()
        rows += page["items"]
        cursor = page["next_cursor"]
        if cursor is None:
            return rows


def _cell(value: object) -> str:
    """How JSON's values are written in a CSV cell."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return repr(value) if isinstance(value, int | float) else str(value)


def test_every_trial_is_listed_once(client: httpx.Client, finished: Json) -> None:
    """Pages of any size together hold each trial of the budget once, in the same order."""
    path = finished["links"]["candidates"]
    by_seven, at_once = _all_pages(client, path, limit=7), _all_pages(client, path, limit=1000)
    assert by_seven == at_once
    assert sorted(row["number"] for row in at_once) == list(range(30))


def test_feasible_candidates_are_feasible(client: httpx.Client, finished: Json) -> None:
    """The filter keeps the feasible ones; all of them reach the target inside the limits."""
    rows = _all_pages(client, finished["links"]["candidates"], only="feasible", limit=5)
    assert len(rows) == finished["progress"]["feasible_trials_count"]
    for row in rows:
        assert row["feasible"]
        assert row["reason"] is None
        assert row["violation_ratio"] == 0
        assert row["stored_energy_j"] == pytest.approx(0.5 * row["capacitance_farad"] * row["charge_voltage_v"] ** 2)
        assert row["stored_energy_j"] <= 8000
        assert row["final_outer_diameter_m"] == pytest.approx(0.025, abs=1e-4)


def test_infeasible_candidates_say_why(client: httpx.Client, finished: Json) -> None:
    """An infeasible candidate has a reason, in words too, and says how far off it was."""
    rows = [row for row in _all_pages(client, finished["links"]["candidates"]) if not row["feasible"]]
    for row in rows:
        assert row["reason"]
        assert row["explanation"]
        assert row["violation_ratio"] > 0


def test_nobody_on_the_front_is_beaten(client: httpx.Client, finished: Json) -> None:
    """No candidate of the front is at least as good as another in energy, voltage and margin."""
    front = _all_pages(client, finished["links"]["candidates"], only="front")
    assert len(front) == finished["front_count"]
    weighed = [(row["stored_energy_j"], row["charge_voltage_v"], -row["margin_ratio"]) for row in front]
    assert weighed == sorted(weighed)
    for one in weighed:
        assert not any(all(a <= b for a, b in zip(other, one, strict=True)) for other in weighed if other != one)


@pytest.mark.parametrize("how", [{"params": {"format": "csv"}}, {"headers": {"Accept": "text/csv"}}])
def test_csv_equals_json(client: httpx.Client, finished: Json, how: Json) -> None:
    """The CSV holds the same rows, names and digits as the JSON (RFC 4180: CRLF, one header line)."""
    path = finished["links"]["candidates"]
    answer = client.get(path, **how)
    assert answer.headers["content-type"].startswith("text/csv")
    assert answer.text.count("\r\n") == answer.text.count("\n")
    rows = list(csv.DictReader(io.StringIO(answer.text, newline="")))
    expected = client.get(path).json()["items"]
    assert list(rows[0]) == list(expected[0])
    assert rows == [{name: _cell(value) for name, value in row.items()} for row in expected]


def test_csv_is_paged_by_link(client: httpx.Client, finished: Json) -> None:
    """The Link header leads from page to page of the CSV to its end."""
    path: str | None = f"{finished['links']['candidates']}?format=csv&limit=11"
    numbers: list[str] = []
    while path is not None:
        answer = client.get(path)
        numbers += [row["number"] for row in csv.DictReader(io.StringIO(answer.text, newline=""))]
        path = answer.links["next"]["url"] if "next" in answer.links else None
    assert len(numbers) == len(set(numbers)) == 30


@pytest.mark.parametrize(
    ("accept", "expected"),
    [
        ("*/*", "application/json"),
        ("application/json, text/csv;q=0.5", "application/json"),
        ("text/csv, application/json;q=0.5", "text/csv"),
        ("text/html", "application/json"),
    ],
)
def test_format_follows_accept(client: httpx.Client, finished: Json, accept: str, expected: str) -> None:
    """The better liked of JSON and CSV is sent; JSON when neither is named."""
    answer = client.get(finished["links"]["candidates"], headers={"Accept": accept})
    assert answer.headers["content-type"].startswith(expected)
    assert answer.headers["vary"] == "Accept"


def test_candidate_has_its_whole_shot(client: httpx.Client, finished: Json) -> None:
    """One candidate comes with the shot's input, figures, hazards and series, equal to its row."""
    row = finished["recommended"]["candidate"]
    detail = client.get(row["link"]).json()
    result = detail["result"]
    assert detail["candidate"] == row
    assert result["shot"]["coil"]["turns_count"] == row["turns_count"]
    assert result["shot"]["bank"]["charge_voltage_v"] == row["charge_voltage_v"]
    assert result["summary"]["final_outer_diameter_m"] == pytest.approx(row["final_outer_diameter_m"], rel=1e-9)
    assert result["hazards"]["cautions"]
    assert len(result["series"]["time_s"]) > 10


def test_final_front_is_confirmed_and_tells_its_chance(client: httpx.Client, finished: Json) -> None:
    """Each point of the final front has the finest mesh's diameter, its error, and a chance; others have none."""
    rows = _all_pages(client, finished["links"]["candidates"])
    target, tolerance = 0.025, 1e-4
    for row in rows:
        stated = ("confirmed_outer_diameter_m", "numerical_error_m", "chance_ratio", "chance_error_ratio")
        if not row["on_front"]:
            assert [row[name] for name in stated] == [None] * 4
            continue
        assert abs(row["confirmed_outer_diameter_m"] - target) <= tolerance + row["numerical_error_m"]
        assert 0.0 < row["chance_ratio"] < 1.0
        assert 0.0 <= row["chance_error_ratio"] < 0.2
        assert row["largest_spread"] in finished["request"]["spreads"]
    assert 0 < sum(row["on_front"] for row in rows) <= 12


def test_candidate_tells_ratings_and_robustness(client: httpx.Client, finished: Json) -> None:
    """The recommended candidate has a rating a stated limit, its confirmation, and the ranking of spreads."""
    row = finished["recommended"]["candidate"]
    detail = client.get(row["link"]).json()
    limits = {name: value for name, value in finished["request"]["limits"].items() if value is not None}
    assert {rating["name"]: rating["limit"] for rating in detail["ratings"]} == limits
    assert min(rating["margin_ratio"] for rating in detail["ratings"]) == pytest.approx(row["margin_ratio"])
    assert detail["confirmation"] == finished["recommended"]["confirmation"]
    strays = detail["robustness"]
    assert strays == finished["recommended"]["robustness"]
    assert {share["spread"] for share in strays["ranking"]} == set(finished["request"]["spreads"])
    assert strays["ranking"][0]["spread"] == row["largest_spread"]
    assert f"{strays['chance_ratio']:.0%} of shots" in finished["recommended"]["reason"]


def test_unknown_candidate_is_not_found(client: httpx.Client, finished: Json) -> None:
    """A number that the design does not have is 404."""
    answer = client.get(f"{finished['links']['candidates']}/4000")
    assert answer.status_code == 404
    assert answer.json()["type"] == "/problems/not-found"


@pytest.mark.parametrize("query", ["only=best", "format=xml", "limit=0", "limit=1001", "cursor=!", "feasible=true"])
def test_bad_query(client: httpx.Client, finished: Json, query: str) -> None:
    """A query parameter that is wrong or unknown is refused by name."""
    answer = client.get(f"{finished['links']['candidates']}?{query}")
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["parameter"] == query.partition("=")[0]


def test_any_candidate_tells_what_strays_do(client: httpx.Client, finished: Json) -> None:
    """One of the front as it was stored; another one computed when asked, the same each time; none without a size."""
    base = finished["links"]["candidates"]
    rows = client.get(f"{base}?limit=1000").json()["items"]
    stored = next(row for row in rows if row["chance_ratio"] is not None)
    told = client.get(f"{base}/{stored['number']}/robustness").json()
    assert (told["chance_ratio"], told["spread_m"]) == (stored["chance_ratio"], stored["spread_m"])
    other = next(row for row in rows if row["feasible"] and row["chance_ratio"] is None)
    once, again = (client.get(f"{base}/{other['number']}/robustness").json() for _ in range(2))
    assert once == again
    assert 2e-5 < once["spread_m"] < 1e-3
    assert sum(share["first_order_ratio"] for share in once["ranking"]) <= 1.0 + 1e-9
    assert client.get(f"{base}/999999/robustness").status_code == 404
