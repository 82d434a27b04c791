"""`python -m worker`: a Celery worker with its watchdog, until it is told to stop.

Uses the server at REDIS_URL. SIGTERM lets it hand its tasks back within a few seconds.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys

from worker.logs import set_up_logs
from worker.settings import settings_or_exit

ENVIRONMENT = {
    # One thread a process: the pool uses every core already, and sums in another order would make a design depend on
    # the machine.
    "OPENBLAS_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "NUMBA_NUM_THREADS": "1",
    # Celery applies its soft stop to SIGQUIT only, while supervisors send SIGTERM.
    "REMAP_SIGTERM": "SIGQUIT",
}


def main(arguments: list[str] | None = None) -> int:
    """Entry point; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m worker", description="A worker of the design service.")
    parser.add_argument("--concurrency", type=int, help="pool processes (default: one a core)")
    parser.add_argument("--log-level", choices=["DEBUG", "INFO", "WARNING", "ERROR"], help="default: as the settings")
    options = parser.parse_args(arguments)
    settings = settings_or_exit()
    set_up_logs(options.log_level or settings.log_level)
    if settings.redis_url is None:
        print("set REDIS_URL to the server that the API uses; `make run` starts everything together", file=sys.stderr)
        return 2
    os.environ.update(ENVIRONMENT)
    tasks = importlib.import_module("worker.tasks")  # only now: its libraries read the environment when they are loaded
    return int(tasks.serve(settings, settings.redis_url, options.concurrency or settings.concurrency))


if __name__ == "__main__":
    sys.exit(main())
