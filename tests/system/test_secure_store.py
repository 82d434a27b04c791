"""A server that wants a password and TLS, by URL alone; and that no secret gets into a log."""

from __future__ import annotations

import os
import select
import shutil
import socket
import ssl
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import httpx
import pytest
from redis import Redis

from api.launch import free_port
from api.processes import started
from tests.system.conftest import READY_SECONDS, ROOT, small_request, wait_for
from worker.access import Keyring
from worker.connection import connect
from worker.embedded import server_binary
from worker.store import Store

HOST = "127.0.0.1"
PASSWORD = "pw-7f3c-not-for-logs"  # noqa: S105 of a server that this test starts


@contextmanager
def server_with_password(folder: Path) -> Iterator[int]:
    """A real server on a loopback port that wants a password."""
    port = free_port(HOST)
    words = [server_binary(), "--port", str(port), "--bind", HOST, "--requirepass", PASSWORD, "--save", ""]
    process = subprocess.Popen([*words, "--dir", str(folder)], stdout=subprocess.DEVNULL)
    try:
        wait_for(lambda: _answers(port), "the server", 20.0)
        yield port
    finally:
        process.kill()
        process.wait(10)


def _answers(port: int) -> bool:
    with suppress(Exception), Redis(host=HOST, port=port, password=PASSWORD) as client:
        return bool(client.ping())
    return False


@contextmanager
def tls_in_front(port: int, folder: Path) -> Iterator[tuple[int, Path]]:
    """A TLS listener that hands everything on to `port`, and the certificate that it is known by."""
    certificate, key = folder / "certificate.pem", folder / "key.pem"
    words = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    words += ["-days", "1", "-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1"]
    subprocess.run([*words, "-keyout", str(key), "-out", str(certificate)], capture_output=True, check=True)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    with socket.create_server((HOST, 0)) as listener:
        threading.Thread(target=_accept, args=(listener, context, port), daemon=True).start()
        yield int(listener.getsockname()[1]), certificate
        listener.shutdown(socket.SHUT_RDWR)


def _accept(listener: socket.socket, context: ssl.SSLContext, port: int) -> None:
    with suppress(OSError):
        while True:
            line, _ = listener.accept()
            threading.Thread(target=_hand_on, args=(line, context, port), daemon=True).start()


def _hand_on(line: socket.socket, context: ssl.SSLContext, port: int) -> None:
    with suppress(OSError), context.wrap_socket(line, server_side=True) as near:
        _hand_over(near, port)


def _hand_over(near: ssl.SSLSocket, port: int) -> None:
    with socket.create_connection((HOST, port)) as far:
        while True:
            ready = [near] if near.pending() else select.select([near, far], [], [])[0]
            for side, other in ((near, far), (far, near)):
                if side in ready:
                    data = side.recv(65536)
                    if not data:
                        return
                    other.sendall(data)


@pytest.mark.skipif(shutil.which("openssl") is None, reason="no openssl to make a certificate with")
@pytest.mark.timeout(300)
def test_password_and_tls_by_url_and_no_secret_in_any_log(tmp_path: Path) -> None:
    """Service and worker design over TLS with a password; neither it nor an access key is in a log or an answer."""
    port = free_port(HOST)
    with server_with_password(tmp_path) as plain, tls_in_front(plain, tmp_path) as (secure, certificate):
        url = f"rediss://:{PASSWORD}@{HOST}:{secure}/0?ssl_cert_reqs=required&ssl_ca_certs={certificate}"
        key = Keyring(connect(url)).create("a test", "submit")
        environment = {name: value for name, value in os.environ.items() if not name.startswith("SHOTWRIGHT")}
        environment |= {"REDIS_URL": url, "SHOTWRIGHT_ACCESS": "keys"}
        environment |= {"SHOTWRIGHT_LOG_LEVEL": "DEBUG", "SHOTWRIGHT_STATE_FOLDER": str(tmp_path)}
        serve = ["-m", "api.serve", "--host", HOST, "--port", str(port)]
        logs = tmp_path / "logs"
        with (
            started(
                "worker", ["-m", "worker", "--concurrency", "1", "--log-level", "DEBUG"], environment, logs / "w", 20.0
            ),
            started("API", serve, environment, logs / "a", 10.0),
            httpx.Client(base_url=f"http://{HOST}:{port}", trust_env=False, timeout=30.0) as client,
        ):
            wait_for(lambda: bool(Store(connect(url)).live_workers()) and _is_up(client), "the start", READY_SECONDS)
            client.headers["Authorization"] = f"Bearer {key}"
            asked = small_request(budget_trials_count=4).model_dump(mode="json")
            made = client.post("/v1/designs", json=asked)
            assert made.status_code == 202, made.text
            address = made.headers["Location"]
            wait_for(lambda: client.get(address).json()["status"] == "succeeded", "the design", 60.0)
            with_wrong_key = client.get(address, headers={"Authorization": f"Bearer {key[:-3]}abc"})
            assert with_wrong_key.status_code == 401
            said = [client.get("/readyz").text, with_wrong_key.text]
        said += [path.read_text(errors="replace") for path in logs.iterdir()]
    assert all(len(text) > 100 for text in said)
    for secret in (PASSWORD, key.rpartition("_")[2]):
        assert not [text for text in said if secret[:-3] in text]


def _is_up(client: httpx.Client) -> bool:
    with suppress(httpx.TransportError):
        return client.get("/livez").status_code == 200
    return False


@pytest.mark.parametrize("words", [["api"], ["worker"], ["worker", "backup", "backup-file"], ["api", "keys", "list"]])
def test_wrong_password_is_told_without_repeating_it(tmp_path: Path, words: list[str]) -> None:
    """A password that the server does not take ends the program with a clear sentence that does not hold it."""
    with server_with_password(tmp_path) as port:
        wrong = "wrong-pw-not-for-logs"
        environment = os.environ | {"REDIS_URL": f"redis://:{wrong}@{HOST}:{port}/0", "PYTHONPATH": str(ROOT)}
        command = [sys.executable, "-m", *words, *(["--port", str(free_port(HOST))] if words == ["api"] else [])]
        done = subprocess.run(
            command, cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=60, check=False
        )
    assert done.returncode == 1
    assert wrong not in done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    assert "WRONGPASS" in done.stderr or "password" in done.stderr
