"""Access keys, rates, slow clients and the headers of every answer, against real processes of the HTTP service."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import sys
import time
from argparse import Namespace
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import httpx
import pytest

from api.access.command import run
from api.access.headers import SECURITY_HEADERS
from api.examples import BENCH, SWEEP
from api.launch import free_port
from api.processes import started
from worker.access import SCOPES, Keyring
from worker.connection import connect
from worker.embedded import embedded_server

Json = dict[str, Any]
HOST = "127.0.0.1"
#: A keep-alive that a test can wait for.
KEEP_ALIVE = {"SHOTWRIGHT_KEEP_ALIVE_SECONDS": "1"}


@contextmanager
def http_service(url: str, folder: Path, **settings: str) -> Iterator[httpx.Client]:
    """A client of an HTTP service of its own, without worker, on the server at `url`."""
    port = free_port(HOST)
    plain = {name: value for name, value in os.environ.items() if not name.startswith("SHOTWRIGHT")}
    environment = (
        plain
        | KEEP_ALIVE
        | {"REDIS_URL": url, "SHOTWRIGHT_STATE_FOLDER": str(folder)}
        | {f"SHOTWRIGHT_{name.upper()}": value for name, value in settings.items()}
    )
    words = ["-m", "api.serve", "--host", HOST, "--port", str(port)]
    with (
        started("API", words, environment, folder / "api.log", 10.0) as part,
        httpx.Client(base_url=f"http://{HOST}:{port}", timeout=60.0, trust_env=False) as client,
    ):
        deadline = time.monotonic() + 120.0
        while True:
            assert not part.ended, part.last_words()
            assert time.monotonic() < deadline
            with suppress(httpx.TransportError):
                client.get("/livez")
                break
            time.sleep(0.1)
        yield client


@pytest.fixture(scope="module")
def store_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with embedded_server(tmp_path_factory.mktemp("access")) as server:
        yield server.url


@pytest.fixture(scope="module")
def keys(store_url: str) -> Json:
    """A key of each scope."""
    return {scope: Keyring(connect(store_url)).create(f"a test's {scope}", scope) for scope in SCOPES}


@pytest.fixture(scope="module")
def guarded(store_url: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    """A service that asks for keys, lets a key have two open designs, and allows one other origin."""
    settings = {"access": "keys", "open_jobs_limit": "2", "cors_origins": "https://lab.example, https://b.example/"}
    with http_service(store_url, tmp_path_factory.mktemp("guarded"), **settings) as client:
        yield client


@pytest.fixture(scope="module")
def strict(store_url: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    """A service without keys that is short of patience: a second for a body, five requests a minute."""
    settings = {"rate_per_minute": "5", "body_seconds": "1", "send_seconds": "1"}
    with http_service(store_url, tmp_path_factory.mktemp("strict"), **settings) as client:
        yield client


def bearer(key: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {key}"}


# ---- keys ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("header", [{}, bearer("nonsense"), bearer("sw_" + "0" * 12 + "_" + "0" * 64)])
@pytest.mark.parametrize("path", ["/v1/designs", "/v1/wires", "/nothing", "/metrics"])
def test_without_a_good_key_nothing_is_told(guarded: httpx.Client, path: str, header: Mapping[str, str]) -> None:
    """No key, or a wrong one, is 401 with a challenge, whether there is something at that address or not."""
    answer = guarded.get(path, headers=header)
    assert answer.status_code == 401
    assert answer.json()["type"] == "/problems/key-needed"
    assert answer.headers["WWW-Authenticate"].startswith("Bearer ")
    assert ("invalid_token" in answer.headers["WWW-Authenticate"]) == bool(header)


@pytest.mark.parametrize("path", ["/livez", "/docs", "/openapi.json", "/problems/key-needed", "/", "/design", "/shot"])
def test_what_is_open_needs_no_key(guarded: httpx.Client, path: str) -> None:
    """Health, documentation and the front page are there for everybody."""
    assert guarded.get(path).status_code == 200


def test_readiness_needs_no_key(guarded: httpx.Client) -> None:
    """A supervisor, which has no key, is told what is missing."""
    assert guarded.get("/readyz").json()["checks"]["store"]["ok"]


def test_front_page_shows_designs_only_with_a_key(guarded: httpx.Client, keys: Json, design: Json) -> None:
    """Names of designs are data: without a key the page has none of them."""
    name = "a secret part"
    made = guarded.post("/v1/designs", json=design | {"name": name}, headers=bearer(keys["submit"]))
    assert name not in guarded.get("/").text
    assert name in guarded.get("/", headers=bearer(keys["read"])).text
    guarded.post(f"{made.headers['Location']}/cancel", headers=bearer(keys["submit"]))


def test_each_scope_may_do_what_it_says(guarded: httpx.Client, keys: Json, design: Json) -> None:
    """Read looks, submit asks for work and stops it, admin keeps and deletes; more is 403 with the scope needed."""

    def asked(scope: str, method: str, path: str, **more: Any) -> int:
        answer = guarded.request(method, path, headers=bearer(keys[scope]), **more)
        if answer.status_code == 403:
            assert answer.json()["type"] == "/problems/scope-too-small"
            assert 'error="insufficient_scope", scope="' in answer.headers["WWW-Authenticate"]
        return answer.status_code

    assert asked("read", "POST", "/v1/designs", json=design) == 403
    made = guarded.post("/v1/designs", json=design, headers=bearer(keys["submit"]))
    assert made.status_code == 202, made.text
    address = made.headers["Location"]
    assert [asked(scope, "GET", address) for scope in SCOPES] == [200, 200, 200]
    assert [asked(scope, "POST", f"{address}/cancel") for scope in SCOPES] == [403, 202, 202]
    later = {"json": {"expires_at": "2090-01-01T00:00:00Z"}}
    assert [asked(scope, "PATCH", address, **later) for scope in SCOPES] == [403, 403, 200]
    assert [asked(scope, "DELETE", address) for scope in SCOPES] == [403, 403, 204]


def test_key_has_only_so_many_open_jobs(guarded: httpx.Client, keys: Json, design: Json) -> None:
    """A third open design of a key is 409; another key still may, and a cancelled one makes room."""
    mine, other = bearer(keys["submit"]), bearer(keys["admin"])
    made = [guarded.post("/v1/designs", json=design, headers=mine) for _ in range(3)]
    assert [answer.status_code for answer in made] == [202, 202, 409]
    assert made[2].json()["type"] == "/problems/too-many-open-jobs"
    made.append(guarded.post("/v1/designs", json=design, headers=other))
    assert made[3].status_code == 202
    guarded.post(f"{made[0].headers['Location']}/cancel", headers=mine)
    made.append(guarded.post("/v1/designs", json=design, headers=mine))
    assert made[4].status_code == 202
    assert guarded.post("/v1/shot-lists", json=SWEEP, headers=mine).status_code == 409
    for answer in (made[1], made[3], made[4]):
        guarded.post(f"{answer.headers['Location']}/cancel", headers=other)


def test_idempotency_keys_of_two_owners_are_two(guarded: httpx.Client, keys: Json) -> None:
    """The same word of another owner's makes another thing; of the same owner's the same thing."""

    def made(scope: str) -> str:
        headers = bearer(keys[scope]) | {"Idempotency-Key": "bench 1"}
        return str(guarded.post("/v1/benches", json=BENCH, headers=headers).headers["Location"])

    assert made("submit") == made("submit") != made("admin")


def test_benches_and_lists_need_the_scope_of_their_method(guarded: httpx.Client, keys: Json) -> None:
    """Submit describes and revises a bench and asks for shots; only admin deletes."""

    def asked(scope: str, method: str, path: str, **more: Any) -> httpx.Response:
        headers = bearer(keys[scope]) | more.pop("headers", {})
        return guarded.request(method, path, headers=headers, **more)

    assert asked("read", "POST", "/v1/benches", json=BENCH).status_code == 403
    made = asked("submit", "POST", "/v1/benches", json=BENCH)
    bench, change = made.headers["Location"], {"json": BENCH, "headers": {"If-Match": made.headers["ETag"]}}
    assert [asked(scope, "PUT", bench, **change).status_code for scope in ("read", "submit")] == [403, 200]
    sweep = asked("submit", "POST", "/v1/shot-lists", json=SWEEP).headers["Location"]
    assert asked("read", "POST", f"{sweep}/cancel").status_code == 403
    assert asked("submit", "POST", f"{sweep}/cancel").status_code == 202
    for address in (bench, sweep):
        assert [asked(scope, "DELETE", address).status_code for scope in SCOPES] == [403, 403, 204]


def test_revoked_key_is_void_at_once(guarded: httpx.Client, store_url: str) -> None:
    """The next request after a revocation is refused."""
    keyring = Keyring(connect(store_url))
    key = keyring.create("for a moment", "read")
    assert guarded.get("/v1/wires", headers=bearer(key)).status_code == 200
    keyring.revoke(key.split("_")[1])
    assert guarded.get("/v1/wires", headers=bearer(key)).status_code == 401


@pytest.mark.parametrize("forwarded", ["203.0.113.7", "127.0.0.1, 203.0.113.7", "nonsense"])
def test_client_of_a_proxy_needs_a_key(strict: httpx.Client, forwarded: str) -> None:
    """On loopback no key is asked for, unless a proxy says that the client is elsewhere."""
    assert strict.get("/v1/wires", headers={"X-Forwarded-For": forwarded}).status_code == 401


@pytest.mark.parametrize("host", ["lab.example", "lab.example:8460", "127.0.0.1.lab.example", "[::1", "203.0.113.7"])
def test_page_that_claims_to_be_this_machine_needs_a_key(strict: httpx.Client, host: str) -> None:
    """A name that somebody else made lead here opens nothing, though both ends are loopback."""
    assert strict.get("/v1/wires", headers={"Host": host, "X-Forwarded-For": "127.0.0.8"}).status_code == 401


@pytest.mark.parametrize("host", ["localhost", "localhost:8460", "127.0.0.1", "[::1]:8460"])
def test_names_of_this_machine_need_no_key(strict: httpx.Client, host: str) -> None:
    """By whichever of its own names the service is asked."""
    assert strict.get("/v1/wires", headers={"Host": host, "X-Forwarded-For": "127.0.0.8"}).status_code == 200


# ---- commands and start ----------------------------------------------------------------------------------------------


def _run(words: list[str], **environment: str) -> subprocess.CompletedProcess[str]:
    plain = {name: value for name, value in os.environ.items() if "REDIS_URL" not in name}
    command = [sys.executable, "-m", *words]
    return subprocess.run(command, env=plain | environment, capture_output=True, text=True, timeout=60, check=False)


def test_keys_are_made_listed_and_revoked_by_command(
    guarded: httpx.Client, store_url: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """`python -m api keys` prints a new key once, never again, and revokes by id."""
    made = _run(["api", "keys", "create", "--scope", "read", "--name", "bench-pc"], REDIS_URL=store_url)
    key = made.stdout.strip()
    assert re.fullmatch(r"sw_[0-9a-f]{12}_[0-9a-f]{64}", key), made
    assert guarded.get("/v1/wires", headers=bearer(key)).status_code == 200
    _, key_id, secret = key.split("_")
    monkeypatch.setenv("REDIS_URL", store_url)
    assert run(Namespace(action="list")) == 0
    listed = capsys.readouterr().out
    assert any(key_id in line and "bench-pc" in line and "read" in line for line in listed.splitlines())
    assert secret not in listed
    assert run(Namespace(action="revoke", id=key_id)) == 0
    assert guarded.get("/v1/wires", headers=bearer(key)).status_code == 401
    assert run(Namespace(action="revoke", id=key_id)) == 1
    assert key_id in capsys.readouterr().err


def test_listening_elsewhere_without_a_key_is_refused(tmp_path: Path) -> None:
    """An address that others can reach is refused while there is no key, with both ways out named."""
    words = ["api", "--host", "0.0.0.0", "--port", str(free_port(HOST))]
    done = _run(words, SHOTWRIGHT_STATE_FOLDER=str(tmp_path))
    assert done.returncode == 1
    assert "keys create" in done.stderr
    assert "SHOTWRIGHT_ACCESS=open" in done.stderr
    assert "Traceback" not in done.stderr


# ---- rates and slow clients ------------------------------------------------------------------------------------------


def test_too_many_requests_are_told_when_to_come_back(store_url: str, tmp_path: Path) -> None:
    """Past the rate it is 429 with Retry-After and the standing of the rate; health is never refused."""
    with http_service(store_url, tmp_path, access="open", rate_per_minute="30") as client:
        answers = [client.get("/v1/wires") for _ in range(40)]
        health = {client.get(path).status_code for path in ["/livez"] * 40}
    refused = [answer for answer in answers if answer.status_code == 429]
    assert refused
    assert answers[0].headers["RateLimit-Policy"] == '"requests";q=30;w=60'
    assert re.fullmatch(r'"requests";r=\d+;t=\d+', answers[0].headers["RateLimit"])
    assert refused[0].json()["type"] == "/problems/rate-exceeded"
    assert 1 <= int(refused[0].headers["Retry-After"]) <= 2
    assert refused[0].headers["RateLimit"].startswith('"requests";r=0;')
    assert health == {200}


def test_callers_of_this_machine_have_no_rate(strict: httpx.Client) -> None:
    """Where no key is asked for because both ends are loopback, a poller may ask as often as it likes."""
    answers = [strict.get("/v1/wires") for _ in range(30)]
    assert {answer.status_code for answer in answers} == {200}
    assert "RateLimit" not in answers[0].headers


def _talk(client: httpx.Client, *parts: bytes, pause_s: float = 0.25, patience_s: float = 20.0) -> bytes:
    """Say the parts one by one over a connection of its own; returns what is answered until it is closed."""
    answered = b""
    with socket.create_connection((HOST, client.base_url.port or 80), timeout=patience_s) as line:
        for part in parts:
            try:
                line.sendall(part)
            except (BrokenPipeError, ConnectionResetError):
                break
            time.sleep(pause_s)
        with suppress(ConnectionResetError):
            while piece := line.recv(65536):
                answered += piece
    return answered


def test_body_that_comes_byte_by_byte_is_given_up(strict: httpx.Client) -> None:
    """A client that sends a byte now and then is answered 408 and its connection is closed."""
    head = b"POST /livez HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\nContent-Length: 5000\r\n\r\n"
    answer = _talk(strict, head, *[b" "] * 8)
    assert answer.startswith(b"HTTP/1.1 408 ")
    assert b"body-too-slow" in answer
    assert b"connection: close" in answer.lower()


@pytest.mark.parametrize("parts", [[b""], [b"GET /livez HT"], [b"GET /livez HTTP/1.1\r\n", *[b"X-A: 1\r\n"] * 12]])
def test_head_that_never_ends_is_given_up(strict: httpx.Client, parts: list[bytes]) -> None:
    """A connection that says nothing, or headers without end, is closed; recv would time out otherwise."""
    assert _talk(strict, *parts) == b""


def test_second_head_that_never_ends_is_given_up(strict: httpx.Client) -> None:
    """The same holds for the second request of a connection, and an idle one is closed."""
    first = b"GET /livez HTTP/1.1\r\nHost: x\r\n\r\n"
    assert _talk(strict, first, b"GET /li").count(b"HTTP/1.1 200") == 1
    assert _talk(strict, first, first).count(b"HTTP/1.1 200") == 2


def test_reader_that_takes_nothing_is_let_go(strict: httpx.Client) -> None:
    """An answer that nobody reads is broken off instead of being held for ever."""
    asset = b"GET /docs-assets/swagger-ui-bundle.js HTTP/1.1\r\nHost: x\r\nX-Forwarded-For: 127.0.0.9\r\n\r\n"
    with socket.socket() as line:
        line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        line.connect((HOST, strict.base_url.port or 80))
        line.sendall(asset * 8)
        time.sleep(3.0)
        line.settimeout(20.0)
        got = 0
        with suppress(ConnectionResetError):
            while piece := line.recv(1 << 20):
                got += len(piece)
    size = int(
        strict.get("/docs-assets/swagger-ui-bundle.js", headers={"X-Forwarded-For": "127.0.0.9"}).headers[
            "content-length"
        ]
    )
    assert got < 8 * size


@pytest.mark.parametrize("text", ["[" * 25 + "]" * 25, '{"a":' * 25 + "1" + "}" * 25, "[" * 100_000])
def test_deep_body_is_refused(client: httpx.Client, text: str) -> None:
    """A body that is nested too deeply is a 400 that says how deep it may be."""
    answer = client.post("/v1/shots", content=text, headers={"Content-Type": "application/json"})
    assert answer.status_code == 400
    assert answer.json()["type"] == "/problems/too-deep"
    assert "24 levels" in answer.json()["detail"]


def test_brackets_in_text_are_no_levels(client: httpx.Client, design: Json) -> None:
    """Brackets and quotes inside a string count for nothing."""
    answer = client.post("/v1/designs", json=design | {"name": '\\"[[[[{{{{' * 9, "budget_trials_count": 1})
    assert answer.status_code == 202, answer.text


# ---- headers ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("method", "path"),
    [("GET", "/v1/wires"), ("GET", "/nothing"), ("POST", "/v1/shots"), ("GET", "/openapi.json"), ("PUT", "/v1/wires")],
)
def test_every_answer_has_the_security_headers(client: httpx.Client, method: str, path: str) -> None:
    """Data and problems alike forbid guessing of types, embedding, and running anything."""
    answer = client.request(method, path)
    for name, value in SECURITY_HEADERS.items():
        assert answer.headers[name] == value
    assert "server" not in answer.headers


@pytest.mark.parametrize("path", ["/", "/docs", "/design", "/shot"])
def test_pages_have_nothing_inside_that_runs(client: httpx.Client, path: str) -> None:
    """A page's policy allows scripts and styles of this service only, and the page has none inside."""
    answer = client.get(path)
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "*" not in policy
    assert not re.search(r"<script(?![^>]*\bsrc=)|<style|\bstyle=|\bon\w+=|javascript:", answer.text)


@pytest.mark.skipif(shutil.which("chromium") is None, reason="no browser here")
def test_documentation_works_in_a_browser(client: httpx.Client, tmp_path: Path) -> None:
    """Under its strict policy the documentation shows every operation, and the browser refuses nothing."""
    words = ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-sync"]
    words += ["--disable-background-networking", "--disable-component-update", f"--user-data-dir={tmp_path}"]
    words += ["--enable-logging=stderr", "--virtual-time-budget=20000", "--dump-dom", f"{client.base_url}/docs"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=True)
    for path, operations in client.get("/openapi.json").json()["paths"].items():
        assert done.stdout.count(f'data-path="{path}"') == len(operations), path
    refused = [line for line in done.stderr.splitlines() if "Content Security Policy" in line or "Refused to" in line]
    assert refused == []


def test_other_origins_are_let_in_only_when_named(client: httpx.Client, guarded: httpx.Client, keys: Json) -> None:
    """By default no page of another origin may read anything; a configured one may, and no other."""
    asks = {"Origin": "https://lab.example", "Access-Control-Request-Method": "POST"}
    plain = client.options("/v1/designs", headers=asks)
    assert plain.status_code == 405
    assert not [name for name in plain.headers if name.startswith("access-control")]
    named = guarded.options("/v1/designs", headers=asks | {"Access-Control-Request-Headers": "Authorization"})
    assert named.status_code == 200
    assert named.headers["Access-Control-Allow-Origin"] == "https://lab.example"
    read = guarded.get("/v1/wires", headers=bearer(keys["read"]) | {"Origin": "https://b.example"})
    assert read.headers["Access-Control-Allow-Origin"] == "https://b.example"
    assert "ETag" in read.headers["Access-Control-Expose-Headers"]
    assert "Access-Control-Allow-Credentials" not in read.headers
    other = guarded.options("/v1/designs", headers=asks | {"Origin": "https://evil.example"})
    assert "Access-Control-Allow-Origin" not in other.headers
