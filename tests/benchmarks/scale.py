"""What a trial costs besides its shots, after few and after many: `python -m tests.benchmarks.scale`.

A round is run by the worker's own code against a private server, with a model that costs nothing, in a design that has
so many trials already. Then a long design is paged and exported over HTTP. Without a model nothing here says anything
about shots; times differ from machine to machine.
"""

from __future__ import annotations

import argparse
import cProfile
import os
import pstats
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import MappingProxyType

import httpx

from api.launch import free_port
from physics import Shot, ShotFigures, shot_figures
from physics.warming import warm_up
from tests.benchmarks.search_requests import BODIES, asked
from tests.benchmarks.stand_in import long_design, quick_model
from worker.app import sender
from worker.connection import connect
from worker.embedded import embedded_server
from worker.island import search
from worker.plan import ROUND_TRIALS
from worker.records import SlotName
from worker.store import Store
from worker.trial import Simulate
from worker.work import do_slot

ROOT = Path(__file__).parents[2]
#: Trials of each request, whose shots the rest is held against.
REAL_TRIALS = 60
MESSAGES = 300
#: Functions whose share of a round is told: file, name, what it is.
PARTS = (
    ("study.py", "ask", "sampler: ask"),
    ("study.py", "tell", "sampler: tell"),
    ("knowledge.py", "guess", "first guess of a voltage"),
    ("knowledge.py", "add", "taking a trial into account"),
    ("trial.py", "run_trial", "trial without its shots (settling included)"),
    ("store.py", "rows", "store: reading rows"),
    ("store.py", "get", "store: reading the design"),
    ("store.py", "fill", "store: filling the island"),
    ("closing.py", "close_round", "closing the round"),
)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, nargs="*", default=[960, 99_840], help="trials stored before")
    parser.add_argument("--export", type=int, default=200_000, help="trials of the design that is exported; 0: none")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, embedded_server(Path(folder)) as server:
        queue_ms, real_ms = message_ms(server.url), real_shots_ms()
        for trials in options.trials:
            print_round(Store(connect(server.url)), trials, queue_ms, real_ms)
        if options.export:
            print_export(server.url, options.export)


# ---- a round ---------------------------------------------------------------------------------------------------------


def real_shots_ms() -> list[float]:
    """What the shots of a trial at `screen` take, for each of the six requests."""
    warm_up()
    found: list[float] = []
    for name in BODIES:
        spent_s: list[float] = []

        def timed(shot: Shot, spent_s: list[float] = spent_s) -> ShotFigures:
            begun = time.perf_counter()
            result = shot_figures(shot)
            spent_s.append(time.perf_counter() - begun)
            return result

        slot = SlotName(job_id="benchmark", round=0, island=0)
        done = list(search(asked(name, 1), slot, range(REAL_TRIALS), [], {}, timed))
        found.append(sum(spent_s) / len(done) * 1e3)
    print(f"shots of a trial of {', '.join(BODIES)}: {', '.join(f'{ms:.1f}' for ms in found)} ms")
    return found


def print_round(store: Store, trials: int, queue_ms: float, real_ms: Sequence[float]) -> None:
    """Run one round after `trials` trials for its time and one more for its profile."""
    design_id = long_design(store, trials)
    model = quick_model()
    begun = time.perf_counter()
    run_round(store, design_id, model)
    total_ms = (time.perf_counter() - begun) / ROUND_TRIALS * 1e3
    profile = cProfile.Profile()
    profile.runcall(run_round, store, design_id, model)
    stats = pstats.Stats(profile)
    model_ms = cumulative_s(stats, "stand_in.py", "simulate") / ROUND_TRIALS * 1e3
    rest_ms = total_ms - model_ms + queue_ms
    print(f"\nafter {trials} trials, front of {len(store.get(design_id).front_numbers)}: ms for each trial of a round")
    least, usual = min(real_ms), sum(real_ms) / len(real_ms)
    print(f"  everything but shots {rest_ms:.2f} ms: {rest_ms / (rest_ms + usual):.0%} of a trial of the six requests,")
    print(f"  {rest_ms / (rest_ms + least):.0%} of one of the quickest")
    print(f"  of that the queue    {queue_ms:.2f} ms")
    print("  shares as profiled, which makes all of them somewhat larger:")
    for file, name, what in PARTS:
        part_ms = cumulative_s(stats, file, name) / ROUND_TRIALS * 1e3
        print(f"    {part_ms:6.2f} ms  {what}")


def run_round(store: Store, design_id: str, model: Simulate) -> None:
    """All islands of the round, one after the other; the last one closes it."""
    sent: list[SlotName] = []
    for slot in store.first_slots(design_id):
        do_slot(store, slot, model, sent.append)


def cumulative_s(stats: pstats.Stats, file: str, name: str) -> float:
    """Seconds spent in a function and what it calls; shots within a trial are taken off."""
    table = stats.stats.items()  # type: ignore[attr-defined]
    found = float(sum(row[3] for (path, _, function), row in table if path.endswith(f"/{file}") and function == name))
    return found - cumulative_s(stats, "stand_in.py", "simulate") if name == "run_trial" else found


# ---- the queue -------------------------------------------------------------------------------------------------------


@contextmanager
def running(
    words: list[str], url: str, settings: Mapping[str, str] = MappingProxyType({})
) -> Iterator[subprocess.Popen[bytes]]:
    """A python process of the project, on the server at `url`."""
    environment = {**os.environ, "REDIS_URL": url, "REMAP_SIGTERM": "SIGQUIT", **settings}
    process = subprocess.Popen([sys.executable, *words], cwd=ROOT, env=environment, stderr=subprocess.DEVNULL)
    try:
        yield process
    finally:
        process.terminate()
        process.wait(30)


def message_ms(url: str) -> float:
    """What a message costs in one worker process from queue to acknowledgement, for each trial of its island."""
    store, send = Store(connect(url)), sender(url)
    client = connect(url)
    with running(["-m", "worker", "--concurrency", "1"], url):
        while not store.live_workers():
            time.sleep(0.1)
        over = SlotName(job_id="none", round=0, island=0)  # of no design: leased in vain, and acknowledged
        begun = time.perf_counter()
        for _ in range(MESSAGES):
            send(over)
        while client.llen("shotwright") or client.hlen("unacked"):
            time.sleep(0.001)
        seconds = time.perf_counter() - begun
    print(f"a message, sent, received and acknowledged: {seconds / MESSAGES * 1e3:.2f} ms")
    return seconds / MESSAGES / 60 * 1e3


# ---- paging and export -----------------------------------------------------------------------------------------------


def print_export(url: str, trials: int) -> None:
    """Pages and export of a long design over HTTP, with the memory of the service."""
    store, client = Store(connect(url)), connect(url)
    before = client.info("memory")["used_memory"]
    design_id = long_design(store, trials)
    count = store.get(design_id).progress.finished_trials_count
    taken = client.info("memory")["used_memory"] - before
    print(f"\na design of {count} trials takes {taken / count:.0f} bytes a trial on the server")
    port = free_port("127.0.0.1")
    words = ["-m", "api.serve", "--port", str(port)]
    address = f"http://127.0.0.1:{port}"
    with (
        running([*words, "--log-level", "error"], url) as process,
        httpx.Client(base_url=address, timeout=120.0, trust_env=False) as http,
    ):
        wait_until_ready(http)
        path = f"/v1/designs/{design_id}"
        print_pages(http, f"{path}/candidates")
        before_mb = peak_mb(process.pid)
        for form in ("ndjson", "csv"):
            begun, size, lines = time.perf_counter(), 0, 0
            with http.stream("GET", f"{path}/export?format={form}") as answer:
                for part in answer.iter_bytes():
                    size, lines = size + len(part), lines + part.count(b"\n")
            seconds = time.perf_counter() - begun
            print(f"  export as {form}: {lines} lines, {size / 1e6:.0f} MB, {seconds:.1f} s")
        print(f"  largest memory of the service: {before_mb:.0f} MB before, {peak_mb(process.pid):.0f} MB after")


def wait_until_ready(http: httpx.Client) -> None:
    """Wait until the service has its kernels, which take memory of their own."""
    while True:
        try:
            if http.get("/readyz").json()["checks"]["kernels"]["ok"]:
                return
        except httpx.TransportError:
            pass
        time.sleep(0.2)


def print_pages(http: httpx.Client, path: str) -> None:
    """Time of pages along the whole list."""
    for only in ("all", "feasible"):
        times: list[float] = []
        cursor: str | None = None
        while True:
            begun = time.perf_counter()
            page = http.get(path, params={"limit": 1000, "only": only} | ({"cursor": cursor} if cursor else {})).json()
            times.append(time.perf_counter() - begun)
            cursor = page["next_cursor"]
            if cursor is None:
                break
        print(f"  {len(times)} pages of 1000, only={only}: {times[0]:.2f} s first, {max(times):.2f} s slowest")


def peak_mb(process_id: int) -> float:
    """The largest memory that a process has had, MB."""
    lines = Path(f"/proc/{process_id}/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1e3 for line in lines if line.startswith("VmHWM"))


if __name__ == "__main__":
    main()
