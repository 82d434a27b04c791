"""The contract: the kept document is the published one, its examples work, and no made-up request breaks it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from api import examples, openapi
from api.examples import BENCH, FIT, RECORD
from tests.api.fuzz import SEQUENCES, SINGLE, fuzz

Json = dict[str, Any]
#: Short enough for `make test`; `make fuzz` takes its time.
SINGLE_S, SEQUENCES_S = 20, 15


@pytest.fixture
def cleared(client: httpx.Client) -> Iterator[None]:
    """Jobs that were accepted by the way are cancelled afterwards."""
    yield
    for path in ("/v1/designs", "/v1/shot-lists", "/v1/fits"):
        for status in ("queued", "running"):
            for job in client.get(path, params={"limit": 200, "status": status}).json()["items"]:
                client.post(job["links"]["cancel"])


def test_kept_document_is_the_published_one(client: httpx.Client) -> None:
    """`api/openapi.json` says what the service says; after a change of the contract: `make openapi`."""
    kept = openapi.PATH.read_text(encoding="utf-8")
    assert json.loads(kept) == client.get("/openapi.json").json()
    assert kept == openapi.text()


def _examples(document: Json) -> Iterator[tuple[str, str, Json | str]]:
    for path, operations in document["paths"].items():
        for method, operation in operations.items():
            for content in operation.get("requestBody", {}).get("content", {}).values():
                named = [entry["value"] for entry in content.get("examples", {}).values()]
                for example in [*content["schema"].get("examples", []), *named]:
                    yield method, path, example


def _sent(example: Json | str) -> Json:
    """How an example is sent: a text is a file, everything else JSON."""
    if isinstance(example, str):
        return {"content": example.encode(), "headers": {"Content-Type": "text/csv"}}
    return {"json": example, "headers": {}}


def test_every_body_has_an_example(client: httpx.Client) -> None:
    """Each operation that takes a body shows one."""
    document = client.get("/openapi.json").json()
    shown = {(method, path) for method, path, _ in _examples(document)}
    for path, operations in document["paths"].items():
        for method, operation in operations.items():
            assert "requestBody" not in operation or (method, path) in shown, f"{method} {path}"


@pytest.mark.usefixtures("cleared")
def test_every_example_is_taken(client: httpx.Client, design: Json, wait_for_end: Callable[[str], Json]) -> None:
    """Each example of the document, posted as it is, is answered with success."""
    made = client.post("/v1/designs", json=design | {"budget_trials_count": 2})
    assert wait_for_end(made.headers["Location"])["status"] == "succeeded"
    listed = client.post("/v1/shot-lists", json={"shots": [examples.SHOT]})
    assert wait_for_end(listed.headers["Location"])["status"] == "succeeded"
    bench = client.post("/v1/benches", json=BENCH)
    record = client.post("/v1/records", json=RECORD | {"bench": {"id": bench.json()["id"]}})
    places = {
        "design_id": made.json()["id"],
        "bench_id": bench.json()["id"],
        "list_id": listed.json()["id"],
        "record_id": record.json()["id"],
    }
    fit = client.post("/v1/fits", json=FIT | {"bench": {"id": bench.json()["id"]}})
    assert wait_for_end(fit.headers["Location"])["status"] in {"succeeded", "failed"}
    places["fit_id"] = fit.json()["id"]
    found = list(_examples(client.get("/openapi.json").json()))
    assert len(found) >= 9
    for method, path, example in sorted(
        found, key=lambda entry: entry[1].endswith("/continue")
    ):  # a design at work last
        address = re.sub(r"\{(\w+)\}", lambda name: places[name[1]], path)
        # a fit names a bench, whose id is its own
        sent = _sent(example if path != "/v1/fits" else FIT | {"bench": {"id": bench.json()["id"]}})
        sent["headers"] |= {"If-Match": client.get(bench.headers["Location"]).headers["ETag"]}
        answer = client.request(method, address, **sent)
        assert answer.is_success, f"{method} {path}: {answer.text}"


@pytest.mark.usefixtures("cleared")
def test_answers_keep_the_contract(service: str, tmp_path: Path) -> None:
    """Whatever is asked, alone or in sequence, every answer is as published, and none is a 500."""
    single = fuzz(service, SINGLE_S, 1, tmp_path, SINGLE)
    assert single.returncode == 0, single.stdout[-20_000:] + single.stderr
    sequences = fuzz(service, SEQUENCES_S, 1, tmp_path, SEQUENCES)
    assert sequences.returncode == 0, sequences.stdout[-20_000:] + sequences.stderr
    for done in (single, sequences):
        assert "No issues found" in done.stdout
    # How many links between operations it got round to is a matter of the machine's speed.
    assert re.search(r"API Links:\s+\d+ covered", sequences.stdout), sequences.stdout
