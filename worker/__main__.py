"""`python -m worker`: a Celery worker with its watchdog, until it is told to stop.

Uses the server at REDIS_URL. SIGTERM lets it hand its tasks back within a few seconds. `python -m worker backup FILE`
and `restore FILE` write and read the whole store; without REDIS_URL, that of the private server.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from pathlib import Path

from redis.exceptions import RedisError

from worker.errors import StoreUnfit
from worker.loading import loading
from worker.logs import set_up_logs
from worker.settings import Settings, settings_or_exit

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
    options = _parser().parse_args(arguments)
    settings = settings_or_exit()
    set_up_logs(options.log_level or settings.log_level)
    if options.command is None:
        return _work(settings, options.concurrency or settings.concurrency)
    commands = importlib.import_module("worker.backup_command")
    if options.command == "backup":
        return int(commands.back_up(settings, options.file))
    return int(commands.put_back(settings, options.file, replace=options.replace))


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m worker", description="A worker of the design service.")
    parser.add_argument("--concurrency", type=int, help="pool processes (default: one a core)")
    parser.add_argument("--log-level", choices=["DEBUG", "INFO", "WARNING", "ERROR"], help="default: as the settings")
    commands = parser.add_subparsers(dest="command", title="commands; without one it works until told to stop")
    command = commands.add_parser("backup", help="write the whole store to a file; the service may go on")
    command.add_argument("file", type=Path)
    command = commands.add_parser("restore", help="put a backup back; service and workers must be stopped")
    command.add_argument("file", type=Path)
    command.add_argument("--replace", action="store_true", help="in the place of all that the store holds")
    return parser


def _work(settings: Settings, concurrency: int) -> int:
    if settings.redis_url is None:
        print("set REDIS_URL to the server that the API uses; `make run` starts everything together", file=sys.stderr)
        return 2
    os.environ.update(ENVIRONMENT)
    with loading():  # only now: its libraries read the environment when they are loaded
        tasks = importlib.import_module("worker.tasks")
    try:
        return int(tasks.serve(settings, settings.redis_url, concurrency))
    except (StoreUnfit, RedisError, ValueError) as problem:
        print(f"the worker cannot use the server that REDIS_URL names: {problem}", file=sys.stderr)
        return 1


if __name__ == "__main__":
    sys.exit(main())
