"""Keeps a lease alive while its holder computes, and carries finished trials to the store about once a second."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from worker.records import Candidate, JobState

BEAT_SECONDS = 1.0

#: Extends a lease and hands in trials; returns the job's state, or 'lost' when the lease is void.
Record = Callable[[Sequence[Candidate]], JobState | str]


class KeepAlive:
    """A thread that extends the lease and hands in what has been finished since its last beat.

    The kernels release the interpreter while they run, so the beat does not depend on how long a shot takes.
    """

    def __init__(self, record: Record) -> None:
        self._record = record
        self._pending: list[Candidate] = []
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="keepalive", daemon=True)
        self._error: Exception | None = None
        self._state: JobState | str = "running"

    def add(self, candidate: Candidate) -> None:
        """Hand in a finished trial with the next beat."""
        with self._lock:
            self._pending.append(candidate)

    def must_stop(self) -> bool:
        """True when the job is being cancelled or the lease is void. Raises what the store raised, if it did."""
        if self._error is not None:
            raise self._error
        return self._state not in ("running", "queued")

    @property
    def lost(self) -> bool:
        """True when the lease went to someone else."""
        return self._state == "lost"

    def start(self) -> None:
        """Begin to beat."""
        self._thread.start()

    def end(self) -> list[Candidate]:
        """Stop beating; returns the trials that have not been handed in."""
        self._stop.set()
        self._thread.join()
        return self._pending

    def _run(self) -> None:
        while not self._stop.wait(BEAT_SECONDS):
            try:
                self._beat()
            except Exception as problem:
                self._error = problem
                return

    def _beat(self) -> None:
        with self._lock:
            rows, self._pending = self._pending, []
        try:
            self._state = self._record(rows)
        except Exception:
            with self._lock:
                self._pending = rows + self._pending
            raise


@contextmanager
def kept_alive(record: Record) -> Iterator[KeepAlive]:
    """Keep the lease that `record` extends alive within the context."""
    alive = KeepAlive(record)
    alive.start()
    try:
        yield alive
    finally:
        alive.end()
