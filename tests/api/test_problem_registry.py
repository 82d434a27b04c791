"""Every kind of problem of the registry is met by a real request, with the status it states, and is explained."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from typing import Any

import httpx
import pytest
from anyio import CapacityLimiter
from fastapi import FastAPI

from api import examples
from api.app import MAX_BODY_BYTES, create_app
from api.launch import free_port
from api.problems import KINDS
from worker.access import Keyring, Scope
from worker.connection import connect
from worker.embedded import embedded_server
from worker.settings import Settings

Json = dict[str, Any]
#: Method, path, and what httpx is given beside them.
Request = tuple[str, str, Json]
_JSON = {"Content-Type": "application/json"}


@pytest.fixture(scope="module")
def store_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A store of its own, for applications that ask for keys."""
    with embedded_server(tmp_path_factory.mktemp("registry")) as server:
        yield server.url


class Bench:
    """What the requests below need: the running service, and the same application without its store."""

    def __init__(self, client: httpx.Client, design: Json, store_url: str) -> None:
        self.client = client
        self.design = {**design, "budget_trials_count": 1}
        self.store_url = store_url

    def post(self, key: str | None = None, **changes: object) -> httpx.Response:
        headers = {"Idempotency-Key": key} if key else {}
        return self.client.post("/v1/designs", json=self.design | changes, headers=headers)

    def cancelled(self, wait_for_end: Callable[[str], Json]) -> str:
        """Path of a design that was cancelled."""
        path = str(self.post(budget_trials_count=100_000).headers["Location"])
        self.client.post(f"{path}/cancel")
        wait_for_end(path)
        return path

    def strict(self, *requests: Request, scope: Scope | None = None, **settings: Any) -> httpx.Response:
        """The last answer of an application with other settings, on a store without worker, to a key of this scope."""
        app = create_app(Settings(redis_url=self.store_url, **settings))
        key = Keyring(connect(self.store_url)).create("a test", scope) if scope else ""
        return asyncio.run(_ask_all(app, {"Authorization": f"Bearer {key}"} if key else {}, requests))

    def without_cores(self) -> httpx.Response:
        """The answer to a shot while every core is taken."""
        app = create_app(Settings(redis_url=self.store_url, shot_wait_seconds=0.01))
        app.state.shots_limiter = CapacityLimiter(1)

        async def ask() -> httpx.Response:
            app.state.shots_limiter.acquire_on_behalf_of_nowait("somebody else")
            return await _ask(app, "POST", "/v1/shots", json=examples.SHOT)

        return asyncio.run(ask())

    @staticmethod
    def alone(path: str, method: str = "GET") -> httpx.Response:
        """The answer of an application whose store is nowhere, and one of whose operations is broken."""
        app = create_app(Settings(redis_url=f"redis://127.0.0.1:{free_port('127.0.0.1')}/0"))
        app.add_api_route("/broken", _broken)
        return asyncio.run(_ask(app, method, path))


def _broken() -> None:
    raise RuntimeError("a fault")


async def _ask(app: FastAPI, method: str, path: str, **content: Any) -> httpx.Response:
    transport = httpx.ASGITransport(app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
        return await client.request(method, path, **content)


async def _ask_all(app: FastAPI, headers: dict[str, str], requests: Sequence[Request]) -> httpx.Response:
    for method, path, content in requests:
        answer = await _ask(app, method, path, headers=headers | content.get("headers", {}), **_but_headers(content))
    await app.state.gate.close()
    return answer


def _but_headers(content: Json) -> Json:
    return {name: value for name, value in content.items() if name != "headers"}


async def _dawdling() -> AsyncIterator[bytes]:
    yield b"{"
    await asyncio.sleep(0.2)
    yield b"}"


Provoke = Callable[[Bench, Callable[[str], Json]], httpx.Response]


def _unfinished(bench: Bench) -> httpx.Response:
    path = bench.post(budget_trials_count=100_000).headers["Location"]
    answer = bench.client.delete(path)
    bench.client.post(f"{path}/cancel")
    return answer


def _unfinished_list(bench: Bench) -> httpx.Response:
    shots = {"shot": examples.SHOT, "vary": [{"pointer": "/gap_m", "values": [1e-3 + 1e-6 * n for n in range(200)]}]}
    path = bench.client.post("/v1/shot-lists", json=shots).headers["Location"]
    answer = bench.client.delete(path)
    bench.client.post(f"{path}/cancel")
    return answer


def _revised(bench: Bench, **headers: str) -> httpx.Response:
    body = examples.BENCH
    path = bench.client.post("/v1/benches", json=body).headers["Location"]
    return bench.client.put(path, json=body, headers=headers)


def _unfinished_fit(bench: Bench) -> httpx.Response:
    """The answer to deleting a fit while no worker is there to end it."""
    app = create_app(Settings(redis_url=bench.store_url))

    async def ask() -> httpx.Response:
        made = (await _ask(app, "POST", "/v1/benches", json=examples.BENCH)).json()["id"]
        await _ask(app, "POST", "/v1/records", json=examples.RECORD | {"bench": {"id": made}})
        fit = await _ask(app, "POST", "/v1/fits", json={"bench": {"id": made}})
        return await _ask(app, "DELETE", fit.headers["Location"])

    return asyncio.run(ask())


def _traced(bench: Bench) -> httpx.Response:
    path = bench.client.post("/v1/records", json=examples.RECORD | {"trace": examples.TRACE}).headers["Location"]
    file = examples.TRACE_FILE.encode()
    return bench.client.put(f"{path}/trace", content=file, headers={"Content-Type": "text/csv"})


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


def _too_many_open(bench: Bench) -> httpx.Response:
    post = ("POST", "/v1/designs", {"json": bench.design})
    return bench.strict(post, post, scope="submit", access="keys", open_jobs_limit=1)


_LOOK: Request = ("GET", "/v1/wires", {})
_DEEP = b"[" * 100 + b"]" * 100

PROVOKE: dict[str, Provoke] = {
    "key-needed": lambda bench, _: bench.strict(_LOOK, access="keys"),
    "scope-too-small": lambda bench, _: bench.strict(
        ("POST", "/v1/shots", {"json": examples.SHOT}), scope="read", access="keys"
    ),
    "rate-exceeded": lambda bench, _: bench.strict(*[_LOOK] * 4, access="open", rate_per_minute=2),
    "too-many-open-jobs": lambda bench, _: _too_many_open(bench),
    "too-deep": lambda bench, _: bench.client.post("/v1/shots", content=_DEEP, headers=_JSON),
    "body-too-slow": lambda bench, _: bench.strict(
        ("POST", "/v1/shots", {"content": _dawdling(), "headers": _JSON}), body_seconds=0.05
    ),
    "no-free-core": lambda bench, _: bench.without_cores(),
    "malformed-json": lambda bench, _: bench.client.post("/v1/shots", content=b"{", headers=_JSON),
    "not-found": lambda bench, _: bench.client.get("/v1/designs/none"),
    "method-not-allowed": lambda bench, _: bench.client.put("/v1/shots"),
    "design-not-finished": lambda bench, _: _unfinished(bench),
    "design-not-continuable": _not_continuable,
    "shot-list-not-finished": lambda bench, _: _unfinished_list(bench),
    "fit-not-finished": lambda bench, _: _unfinished_fit(bench),
    "record-has-trace": lambda bench, _: _traced(bench),
    "trace-refused": lambda bench, _: bench.client.post(
        "/v1/traces/analyse", json={"trace": {"time": [0.0, 1.0], "value": [0.0, 1.0]}}
    ),
    "changed-meanwhile": lambda bench, _: _revised(bench, **{"If-Match": '"another"'}),
    "precondition-required": lambda bench, _: _revised(bench),
    "gone": _gone,
    "too-large": lambda bench, _: bench.client.post("/v1/shots", content=b" " * (MAX_BODY_BYTES + 1), headers=_JSON),
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
    slug: str, client: httpx.Client, design: Json, wait_for_end: Callable[[str], Json], store_url: str
) -> None:
    """The answer has the kind's status and title, and its type leads to a page that says what to do."""
    kind = KINDS[slug]
    answer = PROVOKE[slug](Bench(client, design, store_url), wait_for_end)
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
