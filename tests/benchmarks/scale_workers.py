"""What a second process is worth: `python -m tests.benchmarks.scale_workers`.

The same design, with the real model, on one process of a real worker and on two, one after the other in one run; told
are trials a second until the last trial, closings of rounds included, and their ratio; and what the end of the design
takes, which one process does alone: its front on the finest mesh, and the sample of deviations. Anything else that runs
on the machine spoils it, so what is busy is told as well.

    --trials N      trials of the design (default 1920, four rounds)
    --repeats N     runs of each, whose best is taken (default 2)
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from pathlib import Path

from api import examples
from tests.benchmarks.scale import running
from worker.app import sender
from worker.connection import connect
from worker.embedded import embedded_server
from worker.request import DesignRequest
from worker.service import DesignService
from worker.store import Store


def main() -> None:
    """Print trials a second of one and of two processes, and how they compare."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trials", type=int, default=1920)
    parser.add_argument("--repeats", type=int, default=2)
    options = parser.parse_args()
    rates: dict[int, float] = {}
    for _ in range(options.repeats):
        for processes in (1, 2):
            rates[processes] = max(rates.get(processes, 0.0), measured(processes, options.trials))
    print(f"two processes do {rates[2] / rates[1]:.2f} times the trials of one")


def measured(processes: int, trials: int) -> float:
    """Trials a second of a design on so many processes."""
    with tempfile.TemporaryDirectory() as folder, embedded_server(Path(folder)) as server:
        service = DesignService(Store(connect(server.url)), sender(server.url))
        with running(["-m", "worker", "--concurrency", str(processes)], server.url):
            while not service.store.live_workers():
                time.sleep(0.1)
            warm = service.submit(asked(processes, 30)).design_id  # each process loads its kernels before it counts
            wait_for_end(service, warm)
            busy, begun = busy_s(), time.monotonic()
            design_id = service.submit(asked(0, trials)).design_id
            while service.store.get(design_id).progress.finished_trials_count < trials:
                time.sleep(0.05)
            seconds = time.monotonic() - begun
            cores = (busy_s() - busy) / seconds
            wait_for_end(service, design_id)
            end_s = time.monotonic() - begun - seconds
    print(
        f"{processes} processes: {trials / seconds:6.1f} trials/s, the end takes {end_s:.1f} s; "
        f"{cores:.2f} cores were busy on the whole machine"
    )
    return trials / seconds


def asked(seed: int, trials: int) -> DesignRequest:
    """The demo's request with so many trials."""
    return DesignRequest.model_validate(examples.DESIGN | {"budget_trials_count": trials, "seed": seed})


def wait_for_end(service: DesignService, design_id: str) -> None:
    """Look now and then until the design has ended."""
    while not service.store.get(design_id).ended:
        time.sleep(0.05)


def busy_s() -> float:
    """Seconds that all cores together have been busy since the machine started."""
    fields = [int(word) for word in Path("/proc/stat").read_text().splitlines()[0].split()[1:9]]
    return (sum(fields) - fields[3] - fields[4]) / os.sysconf("SC_CLK_TCK")


if __name__ == "__main__":
    main()
