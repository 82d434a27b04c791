"""Looks after slots that nobody holds: messages that were never sent or got lost, leases that ran out.

Any number of watchdogs may run; the store hands each due slot to one of them. A design that is being cancelled is
closed right here, so that it ends even when no worker is left.
"""

from __future__ import annotations

import logging
import threading

from kombu.exceptions import OperationalError
from redis.exceptions import RedisError

from worker.app import Send
from worker.closing import close_round
from worker.records import Due
from worker.store import Store

log = logging.getLogger(__name__)

SWEEP_SECONDS = 1.0
#: At default settings the slot of a worker that died is in the hands of a free one within this time: its lease runs out
#: (10 s), a sweep finds it, perhaps another watchdog's (3 s), and should the finder die before it has sent the message,
#: another one sends it (13 s more); the rest is for a machine that is busy.
PICK_UP_SECONDS = 45.0


class Watchdog:
    """A thread that sweeps about once a second. With a `worker_name` it also gives that worker's sign of life."""

    def __init__(self, store: Store, send: Send, worker_name: str | None = None) -> None:
        self._store = store
        self._send = send
        self._worker_name = worker_name
        self._stop = threading.Event()
        self._away = False
        self._thread = threading.Thread(target=self._run, name="watchdog", daemon=True)

    def start(self) -> None:
        """Begin to sweep."""
        self._thread.start()

    def stop(self) -> None:
        """Stop sweeping and wait for the sweep under way."""
        self._stop.set()
        self._thread.join()

    def say_goodbye(self) -> None:
        """Take the worker off the list of live ones; slots are still looked after until the process ends."""
        name, self._worker_name = self._worker_name, None
        if name is None:
            return
        try:
            self._store.worker_gone(name)
        except RedisError as problem:
            log.warning("could not say goodbye: %s", problem)

    def sweep(self) -> None:
        """One round: sign of life, then every slot that is due."""
        if self._worker_name is not None:
            self._store.worker_alive(self._worker_name)
        for due in self._store.sweep():
            self._look_after(due)

    def _look_after(self, due: Due) -> None:
        if due.state == "cancelling" and due.slot.island is None:
            close_round(self._store, due.slot)
            return
        log.info("sending slot %s of job %s again", due.slot.key, due.slot.job_id)
        self._send(due.slot)
        self._store.sent(due.slot)

    def _run(self) -> None:
        while not self._stop.wait(SWEEP_SECONDS):
            try:
                self.sweep()
                self._away = False
            except (RedisError, OperationalError) as problem:
                self._note_away(problem)
            except Exception:
                log.exception("the watchdog met an error it did not expect and goes on")

    def _note_away(self, problem: Exception) -> None:
        """Said once, not every second."""
        if not self._away:
            log.warning("the server is away: %s", problem)
        self._away = True
