"""Every kind of problem of the registry is met by a real request, with the status it states, and is explained."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from api.app import create_app
from api.launch import free_port
from api.problems import KINDS
from worker.settings import Settings

Json = dict[str, Any]
_JSON = {"Content-Type": "application/json"}


class Bench:
    """What the requests below need: the running service, and the same application without its store."""

    def __init__(self, client: httpx.Client, design: Json) -> None:
        self.client = client
        self.design = {**design, "budget_trials_count": 1}

    def post(self, key: str | None = None, **changes: object) -> httpx.Response:
        headers = {"Idempotency-Key": key} if key else {}
        return self.client.post("/v1/designs", json=self.design | changes, headers=headers)

    def cancelled(self, wait_for_end: Callable[[str], Json]) -> str:
        """Path of a design that was cancelled."""
        path = str(self.post(budget_trials_count=100_000).headers["Location"])
        self.client.post(f"{path}/cancel")
        wait_for_end(path)
        return path

    @staticmethod
    def alone(path: str, method: str = "GET") -> httpx.Response:
        """The answer of an application whose store is nowhere, and one of whose operations is broken."""
        app = create_app(Settings(redis_url=f"redis://127.0.0.1:{free_port('127.0.0.1')}/0"))
        app.add_api_route("/broken", _broken)
        return asyncio.run(_ask(app, method, path))


def _broken() -> None:
    raise RuntimeError("a fault")


async def _ask(app: FastAPI, method: str, path: str) -> httpx.Response:
    transport = httpx.ASGITransport(app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
        return await client.request(method, path)


Provoke = Callable[[Bench, Callable[[str], Json]], httpx.Response]


def _unfinished(bench: Bench) -> httpx.Response:
    path = bench.post(budget_trials_count=100_000).headers["Location"]
    answer = bench.client.delete(path)
    bench.client.post(f"{path}/cancel")
    return answer


def _not_continuable(bench: Bench, wait_for_end: Callable[[str], Json]) -> httpx.Response:
    path = bench.cancelled(wait_for_end)
    return bench.client.post(f"{path}/continue", json={"budget_trials_count": 200_000})


def _gone(bench: Bench, wait_for_end: Callable[[str], Json]) -> httpx.Response:
    path = bench.cancelled(wait_for_end)
    bench.client.delete(path).raise_for_status()
    return bench.client.get(path)


def _mismatch(bench: Bench) -> httpx.Response:
    bench.post("registry")
    return bench.post("registry", seed=8)


PROVOKE: dict[str, Provoke] = {
    "malformed-json": lambda bench, _: bench.client.post("/v1/shots", content=b"{", headers=_JSON),
    "not-found": lambda bench, _: bench.client.get("/v1/designs/none"),
    "method-not-allowed": lambda bench, _: bench.client.put("/v1/shots"),
    "design-not-finished": lambda bench, _: _unfinished(bench),
    "design-not-continuable": _not_continuable,
    "gone": _gone,
    "too-large": lambda bench, _: bench.client.post("/v1/shots", content=b" " * 1_000_001, headers=_JSON),
    "unsupported-media-type": lambda bench, _: bench.client.post("/v1/shots", content=b"{}"),
    "invalid-input": lambda bench, _: bench.client.post("/v1/shots", json={}),
    "idempotency-mismatch": lambda bench, _: _mismatch(bench),
    "internal-error": lambda bench, _: bench.alone("/broken"),
    "store-unavailable": lambda bench, _: bench.alone("/v1/designs"),
    "not-ready": lambda bench, _: bench.alone("/readyz"),
}


def test_every_kind_has_a_request_that_meets_it() -> None:
    """No kind is registered that no request of this list leads to."""
    assert set(PROVOKE) == set(KINDS)


@pytest.mark.parametrize("slug", KINDS)
def test_kind_is_met_as_it_is_registered(
    slug: str, client: httpx.Client, design: Json, wait_for_end: Callable[[str], Json]
) -> None:
    """The answer has the kind's status and title, and its type leads to a page that says what to do."""
    kind = KINDS[slug]
    answer = PROVOKE[slug](Bench(client, design), wait_for_end)
    assert answer.status_code == kind.status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    problem = answer.json()
    assert (problem["type"], problem["title"], problem["status"]) == (kind.type_uri, kind.title, kind.status)
    page = client.get(problem["type"])
    assert page.status_code == 200
    assert kind.title in page.text
    assert kind.remedy in page.text
    assert str(kind.status) in page.text


@pytest.mark.parametrize("slug", [slug for slug in KINDS if slug != "method-not-allowed"])
def test_kind_is_stated_by_an_operation(client: httpx.Client, slug: str) -> None:
    """The published document names each kind under its status; 405 alone belongs to no operation."""
    paths = client.get("/openapi.json").json()["paths"]
    kind = KINDS[slug]
    stated = [
        operation["responses"].get(str(kind.status), {}).get("description", "")
        for path in paths.values()
        for operation in path.values()
    ]
    assert any(f"`{kind.type_uri}`" in text for text in stated)
