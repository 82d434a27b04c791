"""Logs and spans of a real API and a real worker, on a server that wants a password."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, ClassVar

import httpx
import pytest
from opentelemetry.proto.collector.trace.v1.trace_service_pb2 import ExportTraceServiceRequest

from api.launch import free_port
from tests.system.conftest import Server, Workers, running_api, small_request, wait_for
from tests.worker.test_shot_lists import sweep
from worker.connection import connect
from worker.embedded import server_binary
from worker.store import Store

PASSWORD = "a-secret-of-the-house"  # noqa: S105 - it is guarded from nobody
TRACE_ID, CALLER = "4bf92f3577b34da6a3ce929d0e0e4736", "00f067aa0ba902b7"
HEADERS = {"X-Request-Id": "lab-42", "traceparent": f"00-{TRACE_ID}-{CALLER}-01"}
LIST_TRACE_ID = "0af7651916cd43dd8448eb211c80319c"
LIST_HEADERS = {"X-Request-Id": "lab-43", "traceparent": f"00-{LIST_TRACE_ID}-{CALLER}-01"}


class GuardedServer(Server):
    """A server on loopback that wants a password."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.port = free_port("127.0.0.1")
        self.url = f"redis://:{PASSWORD}@127.0.0.1:{self.port}/0"

    def start(self) -> None:
        words = ["--port", str(self.port), "--bind", "127.0.0.1", "--requirepass", PASSWORD, "--dir", str(self.folder)]
        self.process = subprocess.Popen([server_binary(), *words, "--save", ""], stdout=subprocess.DEVNULL)
        wait_for(self.answers, "the server", 20.0)


class Collector(BaseHTTPRequestHandler):
    """Takes spans as an OpenTelemetry collector does (OTLP over HTTP)."""

    spans: ClassVar[list[Any]] = []

    def do_POST(self) -> None:
        sent = ExportTraceServiceRequest()
        sent.ParseFromString(self.rfile.read(int(self.headers["Content-Length"])))
        assert self.path == "/v1/traces"
        self.spans.extend(span for found in sent.resource_spans for scope in found.scope_spans for span in scope.spans)
        self.send_response(200)
        self.end_headers()

    def log_message(self, *_: object) -> None:
        pass


@contextmanager
def collecting() -> Iterator[str]:
    collector = ThreadingHTTPServer(("127.0.0.1", 0), Collector)
    threading.Thread(target=collector.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{collector.server_address[1]}"
    collector.shutdown()
    collector.server_close()


@dataclass(frozen=True)
class Ran:
    """What is left of a design and a list of shots that were posted, run and disturbed."""

    design_id: str
    list_id: str
    answer: httpx.Response
    unknown: httpx.Response
    api_log: str
    worker_log: str
    spans: list[Any]


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ran]:
    folder = tmp_path_factory.mktemp("logs")
    server = GuardedServer(folder)
    with ExitStack() as stack:
        endpoint = {"OTEL_EXPORTER_OTLP_ENDPOINT": stack.enter_context(collecting())}
        server.start()
        stack.callback(server.kill)
        workers = Workers(folder, server)
        stack.callback(workers.end)
        worker = workers.start(1, environment=endpoint)
        process, address = stack.enter_context(running_api(server, folder / "api.log", **endpoint))
        body = small_request(budget_trials_count=6).model_dump(mode="json")
        answer = httpx.post(f"{address}/v1/designs", json=body, headers=HEADERS, trust_env=False)
        unknown = httpx.get(
            f"{address}/v1/designs/none?key=in-the-query", headers={"X-Request-Id": "a b"}, trust_env=False
        )
        shots = sweep(("/gap_m", [1e-3, 1.5e-3])).model_dump(mode="json")
        listed = httpx.post(f"{address}/v1/shot-lists", json=shots, headers=LIST_HEADERS, trust_env=False)
        store = Store(connect(server.url))
        list_id = listed.json()["id"]
        wait_for(lambda: store.shot_lists.get(list_id).ended, "the end of the list")
        design_id = answer.json()["id"]
        wait_for(lambda: store.get(design_id).ended, "the end of the design")
        wait_for(lambda: len({span.name for span in Collector.spans}) > 1, "spans of both")
        server.kill()
        wait_for(lambda: "away" in worker.log.read_text(), "the worker to miss the server")
        assert httpx.get(f"{address}/v1/designs", trust_env=False).status_code == 503
        server.start()
        assert worker.stop() == 0
        process.terminate()
        assert process.wait(20) == 0
        yield Ran(
            design_id,
            list_id,
            answer,
            unknown,
            (folder / "api.log").read_text(),
            worker.log.read_text(),
            list(Collector.spans),
        )


def lines(log: str) -> list[dict[str, Any]]:
    """Each line of a log is JSON, whoever wrote it."""
    found = [json.loads(line) for line in log.splitlines()]
    assert all({"time", "level", "logger", "message"} <= entry.keys() for entry in found)
    return found


def test_one_id_leads_from_the_request_to_its_islands(ran: Ran) -> None:
    """The id and the trace that a request came with are in its answer, and in the lines of API and worker about it."""
    assert ran.answer.headers["X-Request-Id"] == "lab-42"
    assert ran.answer.headers["traceparent"].split("-")[1] == TRACE_ID
    assert ran.answer.headers["traceparent"].split("-")[2] != CALLER
    ids = {"request_id": "lab-42", "trace_id": TRACE_ID}
    at_api = [entry for entry in lines(ran.api_log) if ids.items() <= entry.items()]
    assert [entry["status"] for entry in at_api if "status" in entry] == [202]
    at_worker = [entry for entry in lines(ran.worker_log) if ids.items() <= entry.items()]
    assert {entry["job_id"] for entry in at_worker} == {ran.design_id}
    assert "0/0" in {entry["slot"] for entry in at_worker}
    assert any("closed" in entry["message"] for entry in at_worker)


def test_one_id_leads_from_the_request_to_its_slices(ran: Ran) -> None:
    """The same for a list of shots: each of its slices is begun and ended for the request that posted it."""
    ids = {"request_id": "lab-43", "trace_id": LIST_TRACE_ID}
    at_worker = [entry for entry in lines(ran.worker_log) if ids.items() <= entry.items()]
    assert {entry["job_id"] for entry in at_worker} == {f"shot-list:{ran.list_id}"}
    for slot in ("0/0", "0/1"):
        said = [entry["message"] for entry in at_worker if entry["slot"] == slot]
        assert any("begun" in message for message in said)
        assert any("ended" in message for message in said)


def test_malformed_id_is_replaced(ran: Ran) -> None:
    """An id with a blank in it is not repeated; the answer and the log have a new one, the log no query."""
    made = ran.unknown.headers["X-Request-Id"]
    assert made != "a b"
    (entry,) = [entry for entry in lines(ran.api_log) if entry.get("request_id") == made and "status" in entry]
    assert (entry["status"], entry["path"]) == (404, "/v1/designs/none")
    assert "in-the-query" not in ran.api_log


def test_password_of_the_server_is_in_no_log(ran: Ran) -> None:
    """Neither start and end nor a server that goes away make anyone write the password down."""
    assert "store unavailable" in ran.api_log
    assert PASSWORD not in ran.api_log
    assert PASSWORD not in ran.worker_log


def test_spans_are_exported_with_their_parents(ran: Ran) -> None:
    """The request is a child of its caller's span, and each slot a child of the request, in one trace."""
    of_trace = [span for span in ran.spans if span.trace_id.hex() == TRACE_ID]
    (post,) = [span for span in of_trace if span.name == "POST request"]
    assert post.parent_span_id.hex() == CALLER
    assert post.span_id.hex() == ran.answer.headers["traceparent"].split("-")[2]
    slots = [span for span in of_trace if span.name == "slot"]
    assert slots
    assert {span.parent_span_id for span in slots} == {post.span_id}
    assert [span for span in ran.spans if span.name == "GET request" and not span.parent_span_id]


def test_asking_for_all_leaves_out_the_compiler() -> None:
    """At level DEBUG a process that compiles a kernel writes its own lines, not numba's thousands."""
    program = """
import logging
from worker.logs import set_up_logs
set_up_logs("DEBUG")
from numba import njit
logging.getLogger("shotwright").debug("ours")
njit(lambda x: x + 1)(1)
"""
    told = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60.0, check=True)
    lines = [json.loads(line) for line in told.stderr.splitlines()]
    assert [line["message"] for line in lines] == ["ours"]
