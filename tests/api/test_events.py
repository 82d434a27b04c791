"""The events of a design that real workers ran, as the published document describes them."""

from __future__ import annotations

import json
from typing import Any

import httpx
from jsonschema_rs import Draft202012Validator

Json = dict[str, Any]
_SCHEMAS = {
    "status": "DesignStatus",
    "progress": "Progress",
    "candidate": "CandidateRow",
    "front": "FrontNumbers",
}


def test_events_of_a_real_design_tell_what_became_of_it(client: httpx.Client, finished: Json) -> None:
    """From its post to its end: every state once, progress up to the last trial, and the front as it is listed."""
    answer = client.get(finished["links"]["events"], headers={"Last-Event-ID": "0-0"})
    blocks = [dict(line.split(": ", 1) for line in block.splitlines()) for block in answer.text.split("\n\n") if block]
    told = [(block["event"], json.loads(block["data"])) for block in blocks if "event" in block]
    assert [data["status"] for kind, data in told if kind == "status"] == ["queued", "running", "succeeded"]
    assert told[-1] == ("end", {"status": "succeeded"})
    finished_counts = [data["finished_trials_count"] for kind, data in told if kind == "progress"]
    assert finished_counts == sorted(finished_counts)
    assert finished_counts[-1] == finished["progress"]["finished_trials_count"]
    *_, front = [data for kind, data in told if kind == "front"]
    listed = [row["number"] for row in client.get(finished["links"]["front"]).json()["items"]]
    assert front["numbers"] == listed
    assert set(listed) <= {data["number"] for kind, data in told if kind == "candidate"}


def test_events_fit_the_document(client: httpx.Client, finished: Json) -> None:
    """The data of each kind of event validates against its published schema."""
    document = client.get("/openapi.json").json()
    answer = client.get(finished["links"]["events"], headers={"Last-Event-ID": "0-0"})
    blocks = [block.splitlines() for block in answer.text.split("\n\n") if "\nevent: " in block]
    seen = set()
    for _, kind, data in blocks:
        name = _SCHEMAS[kind.removeprefix("event: ")]
        schema = {"$ref": f"#/components/schemas/{name}", "components": document["components"]}
        Draft202012Validator(schema).validate(json.loads(data.removeprefix("data: ")))
        seen.add(name)
    assert seen == set(_SCHEMAS.values())


def test_stream_is_documented_as_one(client: httpx.Client) -> None:
    """The document names the media type, the header and the parameter to go on from, and stays OpenAPI 3.1."""
    document = client.get("/openapi.json").json()
    operation = document["paths"]["/v1/designs/{design_id}/events"]["get"]
    assert list(operation["responses"]["200"]["content"]) == ["text/event-stream"]
    assert {"last-event-id", "last_event_id", "design_id"} == {entry["name"] for entry in operation["parameters"]}
    assert "itemSchema" not in json.dumps(document)
