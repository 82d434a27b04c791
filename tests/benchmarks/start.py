"""How long the whole service takes to start, kernels compiled: part of `make bench`.

From `python -m api` in a fresh process, with its private server and worker, until /livez answers, until the kernels are
loaded, and until /readyz has seen the worker. Beside it, what Python takes to load the service's modules.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from statistics import median

import httpx

from api.launch import free_port
from physics.warming import warm_up

STARTS = 5
_LOOK_S, PATIENCE_S = 0.02, 120.0


def started() -> tuple[float, float, float]:
    """One start: seconds until /livez, kernels, /readyz."""
    with tempfile.TemporaryDirectory() as folder:
        port = free_port("127.0.0.1")
        begun_s = time.perf_counter()
        process = subprocess.Popen(
            [sys.executable, "-m", "api", "--port", str(port)],
            env={**os.environ, "SHOTWRIGHT_STATE_FOLDER": folder},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            with httpx.Client(base_url=f"http://127.0.0.1:{port}", trust_env=False) as http:
                alive = _wait(begun_s, lambda: bool(http.get("/livez")))
                loaded = _wait(begun_s, lambda: http.get("/readyz").json()["checks"]["kernels"]["ok"])
                ready = _wait(begun_s, lambda: http.get("/readyz").is_success)
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(60.0)
    return alive, loaded, ready


def _wait(begun_s: float, done: Callable[[], bool]) -> float:
    while (elapsed_s := time.perf_counter() - begun_s) < PATIENCE_S:
        with suppress(httpx.TransportError):  # it does not listen yet
            if done():
                return elapsed_s
        time.sleep(_LOOK_S)
    raise TimeoutError(f"the service did not start within {PATIENCE_S:.0f} s")


def _loading() -> float:
    begun_s = time.perf_counter()
    subprocess.run([sys.executable, "-c", "import api.app"], check=True)
    return time.perf_counter() - begun_s


def main() -> None:
    """Print medians."""
    warm_up()
    alive, loaded, ready = (median(times) for times in zip(*(started() for _ in range(STARTS)), strict=True))
    print(f"\nThe whole service with kernels compiled, median of {STARTS} starts")
    print(f"  /livez {alive:.1f} s, kernels {loaded:.1f} s, /readyz with its worker {ready:.1f} s")
    print(f"  loading the service's modules alone {median(_loading() for _ in range(STARTS)):.1f} s")


if __name__ == "__main__":
    main()
