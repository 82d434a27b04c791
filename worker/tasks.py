"""The Celery task, and what surrounds it in a worker: clients of its own for each process, and the watchdog."""

from __future__ import annotations

import logging
import os
import socket
from functools import cache
from typing import Any

from celery import Celery, Task
from celery.apps import worker as celery_worker
from celery.signals import setup_logging, worker_process_init, worker_ready, worker_shutting_down
from redis.exceptions import AuthenticationError
from redis.exceptions import ConnectionError as RedisConnectionError

from physics import shot_figures
from physics.warming import warm_up
from worker.app import TASK_NAME, app_sender, make_app
from worker.connection import connect
from worker.fitness import prepare
from worker.records import SlotName
from worker.settings import Settings
from worker.store import Store
from worker.telemetry import span
from worker.trace import REQUEST_ID_HEADER, TRACEPARENT_HEADER, read_trace, tracing
from worker.watchdog import Watchdog
from worker.work import do_slot

log = logging.getLogger(__name__)

#: Priority that pool processes give up, of 19.
NICENESS = 10


def open_store(settings: Settings, url: str, *, patient: bool) -> Store:
    """A store on the server at `url` with the settings' times."""
    return Store(
        connect(url, patient=patient),
        result_days=settings.result_days,
        lease_seconds=settings.lease_seconds,
        attempts_limit=settings.attempts_limit,
    )


def make_worker_app(settings: Settings, url: str) -> Celery:
    """The app of a worker: it runs slots, and looks after those that nobody holds."""
    app = make_app(url)
    send = app_sender(app)

    @cache
    def process_store() -> Store:
        # first used in a pool process, after the fork, so that no connection is shared between processes
        return open_store(settings, url, patient=True)

    def run_slot(task: Task, job_id: str, round_number: int, island: int | None) -> None:
        slot, store = SlotName(job_id=job_id, round=round_number, island=island), process_store()
        told = {name: task.request.get(name) for name in (REQUEST_ID_HEADER, TRACEPARENT_HEADER)}
        # a message that was sent again, by a watchdog, tells of no request
        given = read_trace(told) if all(told.values()) else store.trace(job_id)
        with span("slot", given) as trace, tracing(trace, job_id=job_id, slot=slot.key):
            do_slot(store, slot, shot_figures, lambda following: send(following, given))

    app.task(run_slot, name=TASK_NAME, bind=True)
    return app


def serve(settings: Settings, url: str, concurrency: int) -> int:
    """Run a worker until it is told to stop; returns its exit code.

    Raises StoreUnfit; RedisError when the server does not answer within a minute.
    """
    _prepare(url)
    # Before the pool forks, so that its processes are ready from their first trial. The kernels are serial; after a
    # parallel one a forked process would be killed.
    warm_up(log.info)
    app = make_worker_app(settings, url)
    send = app_sender(app)
    watchdog = Watchdog(open_store(settings, url, patient=False), lambda slot: send(slot, None), worker_name())
    _attach_watchdog(watchdog)
    setup_logging.connect(_nothing, weak=False)  # somebody listens, so Celery sets up no logs of its own
    celery_worker.safe_say = _nothing  # its words at a stop go past the logs, which are lines of JSON
    worker_process_init.connect(give_way, weak=False)
    worker = app.Worker(
        hostname=worker_name(),
        pool="prefork",
        concurrency=concurrency,
        loglevel=logging.getLogger().level,
        quiet=True,
        without_gossip=True,
        without_mingle=True,
    )
    worker.start()
    log.info("the worker has stopped")
    return int(worker.exitcode or 0)


def _prepare(url: str) -> None:
    """A server that is away is waited for, one that does not take our password is not."""
    try:
        prepare(connect(url))
    except AuthenticationError:
        raise
    except RedisConnectionError:
        prepare(connect(url, patient=True))


def worker_name() -> str:
    """Name of this worker among all: process and host."""
    return f"shotwright-{os.getpid()}@{socket.gethostname()}"


def _nothing(*_: object, **__: object) -> None:
    return


def give_way(**_: object) -> None:
    """A search takes what is left: on a machine that also serves, whoever asks is answered first."""
    os.nice(NICENESS)


def _attach_watchdog(watchdog: Watchdog) -> None:
    """The watchdog lives in the worker's first process, from the moment it takes messages."""

    def start(**_: Any) -> None:
        watchdog.start()

    def stop(**_: Any) -> None:
        watchdog.say_goodbye()

    worker_ready.connect(start, weak=False)
    worker_shutting_down.connect(stop, weak=False)
