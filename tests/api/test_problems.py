"""Every error is problem+json (RFC 9457) with a stable type, whichever layer it comes from."""

from __future__ import annotations

import asyncio
import json
import socket
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from api.problem_handlers import install

Json = dict[str, Any]


def _problem(answer: httpx.Response, status: int, slug: str) -> Json:
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    body: Json = answer.json()
    assert body["type"] == f"/problems/{slug}"
    assert body["status"] == status
    assert body["title"]
    assert body["detail"]
    assert body["instance"] == answer.request.url.path
    return body


@pytest.mark.parametrize(
    "path",
    [
        "/nothing",
        "/v1/shots/1",
        "/v1/shots/",
        "/v1/designs/unknown",
        "/v1/designs/01890a5d-ac96-774b-bcce-b302099a8057",
        "/v1/designs/unknown/candidates",
        "/v1/designs/unknown/candidates/1",
        "/v1/materials/unobtainium",
        "/v1/benches/unknown/revisions",
        "/v1/shot-lists/unknown/shots",
        "/problems/unknown",
        "/docs-assets/nothing.js",
        "/redoc",
    ],
)
def test_unknown_address_is_404(client: httpx.Client, path: str) -> None:
    """An address with nothing behind it is 404, an unknown id too."""
    _problem(client.get(path), 404, "not-found")


@pytest.mark.parametrize(
    ("method", "path", "allowed"),
    [
        ("GET", "/v1/shots", {"POST"}),
        ("PUT", "/v1/designs", {"GET", "POST"}),
        ("PUT", "/v1/designs/1", {"GET", "PATCH", "DELETE"}),
        ("GET", "/v1/designs/1/cancel", {"POST"}),
        ("DELETE", "/v1/materials", {"GET"}),
        ("POST", "/livez", {"GET"}),
        ("GET", "/v1/shots/check", {"POST"}),
        ("POST", "/v1/benches/1", {"GET", "PUT", "DELETE"}),
        ("PUT", "/v1/shot-lists/1", {"GET", "PATCH", "DELETE"}),
    ],
)
def test_wrong_method_is_405(client: httpx.Client, method: str, path: str, allowed: set[str]) -> None:
    """A method that does not apply is 405, and Allow names all that do."""
    answer = client.request(method, path)
    _problem(answer, 405, "method-not-allowed")
    assert set(answer.headers["Allow"].split(", ")) == allowed


@pytest.mark.parametrize("content_type", ["text/plain", "application/xml", "application/x-www-form-urlencoded", ""])
@pytest.mark.parametrize("path", ["/v1/shots", "/v1/shots/check", "/v1/shot-lists", "/v1/benches", "/v1/designs"])
def test_other_media_type_is_415(client: httpx.Client, path: str, content_type: str) -> None:
    """A body that does not say it is JSON is refused."""
    headers = {"Content-Type": content_type} if content_type else {}
    _problem(client.post(path, content=b"{}", headers=headers), 415, "unsupported-media-type")


@pytest.mark.parametrize("content_type", ["application/json; charset=utf-8", "application/vnd.shot+json"])
def test_json_by_any_name_is_taken(client: httpx.Client, shot: Json, content_type: str) -> None:
    """Parameters and +json types are JSON as well."""
    body = httpx.Request("POST", "http://x", json=shot).content
    assert client.post("/v1/shots", content=body, headers={"Content-Type": content_type}).status_code == 200


def test_large_body_is_413(client: httpx.Client) -> None:
    """A body that says it is too long is refused before it is read."""
    answer = client.post("/v1/shots", content=b" " * 4_000_001, headers={"Content-Type": "application/json"})
    _problem(answer, 413, "too-large")


@pytest.mark.parametrize("path", ["/v1/shots", "/v1/designs"])
def test_large_chunked_body_is_413(client: httpx.Client, path: str) -> None:
    """A body of unstated length is refused as soon as it has grown too long."""

    def chunks() -> Iterator[bytes]:
        for _ in range(100):
            yield b" " * 50_000

    answer = client.post(path, content=chunks(), headers={"Content-Type": "application/json"})
    _problem(answer, 413, "too-large")


def test_connection_survives_a_refusal(client: httpx.Client, shot: Json) -> None:
    """After a refused body the next request is answered as if nothing had been."""
    client.post("/v1/shots", content=b" " * 5_000_000, headers={"Content-Type": "application/json"})
    assert client.post("/v1/shots", json=shot).status_code == 200


def test_type_can_be_looked_up(client: httpx.Client) -> None:
    """The type of a problem is an address of this service that explains it."""
    address = client.get("/nothing").json()["type"]
    answer = client.get(address)
    assert answer.status_code == 200
    assert "404" in answer.text


def test_fault_of_the_service_is_500_without_details() -> None:
    """An error nobody expected is told as a fault of the service, without its text or a traceback."""
    app = FastAPI()
    install(app)

    @app.get("/broken")
    def broken() -> None:
        raise RuntimeError("an inner detail")

    async def ask() -> httpx.Response:
        transport = httpx.ASGITransport(app, raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
            return await client.get("/broken")

    answer = asyncio.run(ask())
    _problem(answer, 500, "internal-error")
    assert "inner detail" not in answer.text


def test_input_is_not_repeated(client: httpx.Client, shot: Json) -> None:
    """A refusal repeats at most the wrong number itself, never other input."""
    shot["coil"]["material"] = {"conductivity_s_per_m": "a secret"}
    assert "a secret" not in client.post("/v1/shots", json=shot).text


def test_what_is_no_http_is_a_problem_too(service: str) -> None:
    """A line that is no request, and a head without end, are answered in the same form and let go."""
    port = int(service.rsplit(":", 1)[1])
    for words in (b"HELLO\r\n\r\n", b"GET / HTTP/1.1\r\nX: " + b"a" * 300_000):
        with socket.create_connection(("127.0.0.1", port), timeout=10.0) as line:
            line.sendall(words)
            head, _, body = _until_closed(line).partition(b"\r\n\r\n")
        assert head.startswith(b"HTTP/1.1 400 ")
        assert b"application/problem+json" in head
        assert json.loads(body)["status"] == 400


def _until_closed(line: socket.socket) -> bytes:
    found = b""
    try:
        while part := line.recv(65_536):
            found += part
    except ConnectionResetError:
        return found
    return found
