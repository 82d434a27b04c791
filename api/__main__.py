"""`python -m api`: serve until Ctrl-C. See --help."""

from __future__ import annotations

import argparse
import sys
import time

from api.access.command import add_parser, run
from api.launch import LaunchError, Stopped, running, stopping_on_signals
from api.terminal import StartProgress
from worker.embedded import ServerUnavailable
from worker.settings import settings_or_exit

DEFAULT_PORT = 8460


def main() -> int:
    """Run the service; the exit code is 0 when a signal ended it and 1 when something failed."""
    options = _parser().parse_args()
    if options.command == "keys":
        return run(options)
    try:
        with stopping_on_signals():
            return _serve(options.host, options.port)
    except Stopped:
        return 0
    except (LaunchError, ServerUnavailable) as problem:
        print(f"Shotwright cannot run: {problem}", file=sys.stderr)
        return 1


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m api",
        description="Serve until Ctrl-C: HTTP API, worker, and a private store unless REDIS_URL names one.",
    )
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default: %(default)s)")
    parser.add_argument("--port", type=_port, default=DEFAULT_PORT, help="port to listen on (default: %(default)s)")
    add_parser(parser.add_subparsers(dest="command", title="commands; without one it serves"))
    return parser


def _port(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 65535:
        raise argparse.ArgumentTypeError(f"{text!r} is no port; allowed are 1 to 65535")
    return int(text)


def _serve(host: str, port: int) -> int:
    settings, progress = settings_or_exit(), StartProgress()
    with running(settings, host, port, progress) as service:
        progress.done("")
        store = f"in {settings.state_folder}" if service.private_store else "on the server that REDIS_URL names"
        print(f"Shotwright serves at {service.address}  (API: {service.address}/docs)")
        print(
            f"Designs are kept {store}; logs are in {settings.state_folder}/logs. Ctrl-C stops everything.", flush=True
        )
        while (ended := service.ended_part()) is None:
            time.sleep(0.5)
        raise LaunchError(f"the {ended.name} ended by itself; its last words ({ended.log}):\n{ended.last_words()}")


if __name__ == "__main__":
    sys.exit(main())
