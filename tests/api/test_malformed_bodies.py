"""Ten thousand bodies that are broken in all manners: each is refused as a problem, or is a good one by chance."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from api.app import create_app
from api.examples import BENCH, CONTINUATION, DESIGN, EXPIRY, SHOT, SWEEP
from worker.embedded import embedded_server
from worker.settings import Settings

#: 400 lists of 25 bodies make ten thousand.
_LISTS, _BODIES = 400, 25

#: A shot by chance good is run at the coarsest fidelity.
_SHOT = SHOT | {"solver": {"fidelity": "screen"}}
_DESIGN_ID = "01900000-0000-7000-8000-000000000000"
_TARGETS = [
    ("POST", "/v1/shots", _SHOT),
    ("POST", "/v1/shots/check", SHOT),
    ("POST", "/v1/shot-lists", SWEEP),
    ("POST", "/v1/benches", BENCH),
    ("PUT", f"/v1/benches/{_DESIGN_ID}", BENCH),
    ("POST", "/v1/designs", DESIGN),
    ("POST", f"/v1/designs/{_DESIGN_ID}/continue", CONTINUATION),
    ("PATCH", f"/v1/designs/{_DESIGN_ID}", EXPIRY),
]
_ODD_NUMBERS = ("NaN", "-Infinity", "1e999", "-0", "1" + "0" * 400, "-" + "9" * 4000, "1" + "0" * 5000, "1.5")
_ODD_TEXTS = ('""', '"\\ud800"', '"\\u0000"', '"' + "x" * 5000 + '"', "'", "\\", "/**/")
_ODD_SHAPES = ("true", "null", "[]", "{}", "[" * 30 + "]" * 30, '{"a":' * 30 + "1" + "}" * 30, "[" * 5000)
_ODD_WORDS = (*_ODD_NUMBERS, *_ODD_TEXTS, *_ODD_SHAPES)

Asked = tuple[str, str, bytes]


def _places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Where each value of a body is."""
    yield path
    entries = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, part in entries:
        yield from _places(part, (*path, key))


def _with_word(body: Any, path: tuple[Any, ...], word: str) -> bytes:
    """The body's text with a word in the place of one value, whether that makes JSON or not."""
    mark = "the-place-of-the-word"
    if not path:
        return word.encode()
    body = json.loads(json.dumps(body))
    inner = body
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = mark
    return json.dumps(body).replace(f'"{mark}"', word).encode()


@st.composite
def _malformed(draw: st.DrawFn) -> Asked:
    method, path, body = draw(st.sampled_from(_TARGETS))
    text = json.dumps(body).encode()
    manner = draw(st.sampled_from(["word", "name", "cut", "byte", "insert", "noise"]))
    at = draw(st.integers(0, len(text) - 1))
    if manner == "word":
        place = draw(st.sampled_from(list(_places(body))))
        return method, path, _with_word(body, place, draw(st.sampled_from(_ODD_WORDS)))
    if manner == "name":
        odd = draw(st.text(max_size=20))
        return method, path, json.dumps(body | {odd: draw(st.none() | st.integers() | st.text(max_size=5))}).encode()
    if manner == "cut":
        return method, path, text[:at]
    noise = draw(st.binary(min_size=1, max_size=12))
    if manner == "byte":
        return method, path, text[:at] + noise[:1] + text[at + 1 :]
    if manner == "insert":
        return method, path, text[:at] + noise + text[at:]
    return method, path, noise


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FastAPI]:
    """The whole service but its socket, on a real server."""
    with embedded_server(tmp_path_factory.mktemp("malformed")) as server:
        yield create_app(Settings(redis_url=server.url, rate_per_minute=0))


def test_no_body_breaks_or_hangs_the_service(app: FastAPI) -> None:
    """None is a 500 or left without an answer, and each refusal is a problem that names itself."""
    seen = dict[int, int]()

    async def ask_all(asked: list[Asked]) -> None:
        transport = httpx.ASGITransport(app, raise_app_exceptions=False, client=("127.0.0.1", 1))
        headers = {"Content-Type": "application/json"}
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1", headers=headers) as client:
            for method, path, body in asked:
                async with asyncio.timeout(60.0):
                    answer = await client.request(method, path, content=body)
                seen[answer.status_code] = seen.get(answer.status_code, 0) + 1
                assert answer.status_code in (200, 201, 202, 400, 404, 422), (answer.status_code, path, body)
                if answer.status_code >= 400:
                    assert answer.headers["content-type"] == "application/problem+json"
                    assert answer.json()["status"] == answer.status_code
                    assert len(answer.content) < 100_000

    @settings(
        max_examples=_LISTS,
        deadline=None,
        derandomize=True,
        database=None,
        suppress_health_check=list(HealthCheck),
        phases=[Phase.generate],  # what is found is short enough, and is told with its body
    )
    @given(st.lists(_malformed(), min_size=_BODIES, max_size=_BODIES))
    def ask(asked: list[Asked]) -> None:
        runner.run(ask_all(asked))

    with asyncio.Runner() as runner:  # connections belong to the loop that they were made in
        ask()
        runner.run(app.state.gate.close())
    assert sum(seen.values()) >= _LISTS * _BODIES
    assert seen[400] > 500
    assert seen[422] > 500
