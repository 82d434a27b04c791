"""A child process in a group of its own, ended gracefully, then hard, and never anything else with it."""

from __future__ import annotations

import ctypes
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

_LAST_LINES = 12
_SET_PARENT_DEATH_SIGNAL = 1  # PR_SET_PDEATHSIG of prctl(2)


class Part:
    """One running child and where its output goes."""

    def __init__(self, name: str, process: subprocess.Popen[bytes], log: Path) -> None:
        self.name = name
        self.process = process
        self.log = log

    @property
    def ended(self) -> bool:
        """True once the child has ended by itself or was stopped."""
        return self.process.returncode is not None or _has_ended(self.process.pid)

    def last_words(self) -> str:
        """The end of its log, for telling why it ended."""
        lines = self.log.read_text(errors="replace").splitlines() if self.log.exists() else []
        return "\n".join(lines[-_LAST_LINES:])

    def stop(self, grace_s: float) -> None:
        """SIGTERM, then after `grace_s` SIGKILL for whatever is left of its group.

        The child is reaped last, so that its number cannot pass to a stranger in between.
        """
        if self.process.returncode is None:
            os.kill(self.process.pid, signal.SIGTERM)
            _wait_for_end(self.process.pid, grace_s)
            _kill_group(self.process.pid)
        self.process.wait()


def _has_ended(pid: int) -> bool:
    """Look without reaping."""
    return os.waitid(os.P_PID, pid, os.WEXITED | os.WNOWAIT | os.WNOHANG) is not None


def _wait_for_end(pid: int, patience_s: float) -> None:
    deadline = time.monotonic() + patience_s
    while time.monotonic() < deadline and not _has_ended(pid):
        time.sleep(0.05)


def _kill_group(group: int) -> None:
    try:
        os.killpg(group, signal.SIGKILL)
    except ProcessLookupError:
        return


@contextmanager
def started(
    name: str, words: Sequence[str], environment: Mapping[str, str], log: Path, grace_s: float
) -> Iterator[Part]:
    """Run `python` with these words until the context is left; output is appended to `log`."""
    log.parent.mkdir(parents=True, exist_ok=True)
    with log.open("ab") as output:
        # A session of its own: Ctrl-C in the terminal reaches only this program, which then ends things in order.
        process = subprocess.Popen(
            [sys.executable, *words],
            env=dict(environment),
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT,
            start_new_session=True,
            preexec_fn=_end_with_parent if sys.platform == "linux" else None,
        )
    part = Part(name, process, log)
    try:
        yield part
    finally:
        part.stop(grace_s)


def _end_with_parent() -> None:
    """Should this program be killed outright, its children are told to end."""
    ctypes.CDLL(None).prctl(_SET_PARENT_DEATH_SIGNAL, signal.SIGTERM)
