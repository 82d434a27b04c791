"""The OpenAPI document, the documentation page and the front page."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
from jsonschema_rs import Draft202012Validator

from physics.schema import UNITS, unit_of

Json = dict[str, Any]
_METHODS = {"get", "post", "put", "patch", "delete"}


@pytest.fixture(scope="module")
def openapi(client: httpx.Client) -> Json:
    """The document that the service publishes."""
    document: Json = client.get("/openapi.json").json()
    return document


def _operations(openapi: Json) -> Iterator[tuple[str, Json]]:
    for path, item in openapi["paths"].items():
        for method in _METHODS & item.keys():
            yield f"{method} {path}", item[method]


def _references(value: object) -> Iterator[str]:
    if isinstance(value, dict):
        if isinstance(value.get("$ref"), str):
            yield value["$ref"]
        for part in value.values():
            yield from _references(part)
    elif isinstance(value, list):
        for part in value:
            yield from _references(part)


def _parts(value: object) -> Iterator[Json]:
    if isinstance(value, dict):
        yield value
    for part in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from _parts(part)


def _reached(openapi: Json, name: str) -> set[str]:
    """Names of all schemas that a schema is made of, itself included."""
    seen: set[str] = set()
    waiting = [name]
    while waiting:
        here = waiting.pop()
        if here not in seen:
            seen.add(here)
            waiting += [ref.rpartition("/")[2] for ref in _references(openapi["components"]["schemas"][here])]
    return seen


def _numbers(schema: Any, name: str, unit: object = None) -> Iterator[tuple[str, object]]:
    """Each number that a schema describes, with the unit of the innermost named member or parameter around it."""
    if isinstance(schema, list):
        for part in schema:
            yield from _numbers(part, name, unit)
    if not isinstance(schema, dict):
        return
    unit = schema.get("x-unit", unit)
    if schema.get("type") in ("number", "integer"):
        yield name, unit
    for key, part in schema.items():
        if key == "properties":
            for member, entry in part.items():
                yield from _numbers(entry, f"{name}.{member}")
        elif key not in ("examples", "example", "default", "enum", "const"):
            yield from _numbers(part, name, unit)


def test_every_reference_resolves(openapi: Json) -> None:
    """No reference in the document leads nowhere."""
    for reference in _references(openapi):
        assert reference.rpartition("/")[2] in openapi["components"]["schemas"], reference


def test_every_number_has_a_unit(openapi: Json) -> None:
    """Each number of every schema and parameter carries its UCUM unit, which is the one that its name ends in."""
    found = [number for name, schema in openapi["components"]["schemas"].items() for number in _numbers(schema, name)]
    for name, operation in _operations(openapi):
        for parameter in operation.get("parameters", []):
            found += _numbers(parameter["schema"], f"{name} {parameter['name']}")
    assert len(found) > 250
    for name, unit in found:
        assert unit == (unit_of(name) or unit), name
        assert unit in ("@unit", "@pointer", "@probe") or unit in UNITS.values(), name


def test_every_list_and_text_of_a_request_has_an_end(openapi: Json) -> None:
    """No list of a body is without a greatest length, and no text without one, a pattern, or a choice of words."""
    taken = [
        op["requestBody"]["content"]["application/json"]["schema"]
        for _, op in _operations(openapi)
        if "application/json" in op.get("requestBody", {}).get("content", {})
    ]
    names = set[str]().union(*(_reached(openapi, ref.rpartition("/")[2]) for ref in _references(taken)))
    assert {"Shot", "DesignRequest", "Budget", "Expiry", "BenchDescription", "ShotListRequest"} <= names
    for name in names:
        for part in _parts(openapi["components"]["schemas"][name]):
            assert part.get("type") != "array" or "maxItems" in part, name
            assert part.get("type") != "string" or {"maxLength", "enum", "const", "format", "pattern"} & part.keys(), (
                name
            )


def test_schemas_are_json_schema(openapi: Json) -> None:
    """Every schema is valid JSON Schema 2020-12, as OpenAPI 3.1 asks."""
    assert openapi["openapi"].startswith("3.1")
    for schema in openapi["components"]["schemas"].values():
        Draft202012Validator({**schema, "components": openapi["components"]})


def test_answers_fit_the_document(client: httpx.Client, openapi: Json, shot: Json) -> None:
    """A real result validates against the published schema."""
    schema = {"$ref": "#/components/schemas/ShotResult", "components": openapi["components"]}
    Draft202012Validator(schema).validate(client.post("/v1/shots", json=shot).json())


def test_problems_fit_the_document(client: httpx.Client, openapi: Json) -> None:
    """A real refusal validates against the published schema of problems."""
    schema = {"$ref": "#/components/schemas/Problem", "components": openapi["components"]}
    Draft202012Validator(schema).validate(client.post("/v1/shots", json={}).json())


def test_errors_are_stated_as_problems(openapi: Json) -> None:
    """Each operation states its errors as problem+json, 500 included, and none as anything else."""
    for name, operation in _operations(openapi):
        errors = {status: answer for status, answer in operation["responses"].items() if status >= "400"}
        assert "500" in errors, name
        for status, answer in errors.items():
            assert list(answer["content"]) == ["application/problem+json"], f"{name} {status}"
        if "requestBody" in operation:
            assert {"400", "413", "415", "422"} <= errors.keys(), name


def test_cautions_are_in_the_description(openapi: Json) -> None:
    """Whoever opens the documentation sees the cautions."""
    assert "qualified persons" in openapi["info"]["description"]


@pytest.mark.parametrize("path", ["/docs", "/", "/design", "/shot"])
def test_pages_load_nothing_from_elsewhere(client: httpx.Client, path: str) -> None:
    """A page names no address outside this service."""
    text = client.get(path).raise_for_status().text
    assert re.findall(r"(?:https?:)?//[\w.-]+\.\w+", text) == []


def test_documentation_assets_are_here(client: httpx.Client) -> None:
    """Scripts, style and icon of the documentation come from this service."""
    assets = re.findall(r'(?:src|href)="(/[^"]+)"', client.get("/docs").text)
    assert len(assets) == 4
    for asset in assets:
        assert client.get(asset).status_code == 200, asset


def test_front_page_shows_designs_and_cautions(client: httpx.Client, finished: Json) -> None:
    """The front page lists the latest designs with their recommended shot, and the cautions."""
    text = client.get("/").text
    assert finished["id"] in text
    assert "stored energy kill" in text


def test_front_page_escapes_names(client: httpx.Client, design: Json) -> None:
    """A design's name is shown as text, whatever it holds."""
    answer = client.post("/v1/designs", json=design | {"name": "<script>alert(1)</script>", "budget_trials_count": 1})
    text = client.get("/").text
    assert "<script>alert" not in text
    assert "&lt;script&gt;" in text
    client.post(f"{answer.headers['Location']}/cancel")


def test_materials_carry_their_sources(client: httpx.Client) -> None:
    """Each metal of the library is described with the source of each value."""
    for entry in client.get("/v1/materials").json()["items"]:
        detail = client.get(entry["link"]).json()
        assert len(detail["resistivity"]["temperature_k"]) == len(detail["resistivity"]["resistivity_ohm_m"]) > 2
        assert {"resistivity", "flow_stress", "density_kg_per_m3"} <= detail["sources"].keys()
        assert all(source["citation"] for sources in detail["sources"].values() for source in sources)


def test_copper_is_as_conductive_as_the_standard(client: httpx.Client) -> None:
    """Copper is within 4 % of the International Annealed Copper Standard, 5.80e7 S/m at 20 °C (IEC 60028)."""
    assert client.get("/v1/materials/copper").json()["conductivity_s_per_m"] == pytest.approx(5.80e7, rel=0.04)


def test_wires_have_standard_diameters(client: httpx.Client) -> None:
    """AWG 10, 12 and 14 have the diameters of ASTM B258: 2.588, 2.053 and 1.628 mm."""
    wires = {entry["name"]: entry for entry in client.get("/v1/wires").json()["items"]}
    for name, diameter_m in (("awg_10", 2.588e-3), ("awg_12", 2.053e-3), ("awg_14", 1.628e-3)):
        assert wires[name]["wire_diameter_m"] == pytest.approx(diameter_m, abs=1e-6)
        assert wires[name]["pitch_m"] > diameter_m
