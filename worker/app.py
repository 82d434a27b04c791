"""The message queue: Celery on Redis, set up for tasks of seconds that may be killed at any time.

A message only says which slot to run; everything else is in the store. So results are not kept by Celery, a message
may arrive twice or get lost, and only JSON is accepted.
"""

from __future__ import annotations

from collections.abc import Callable

from celery import Celery

from worker.records import SlotName
from worker.store import QUEUE

#: Puts the message for one slot on the queue. Raises kombu's OperationalError when the server is away.
Send = Callable[[SlotName], None]

TASK_NAME = "shotwright.run_slot"

#: Well above the longest island: a message not acknowledged by then is delivered again, even while it is worked on.
VISIBILITY_SECONDS = 900
#: An island that takes longer is stuck; its process is killed and the attempt is counted.
TASK_SECONDS = 600
#: What a worker that is told to stop gives its tasks before it puts them back.
SOFT_STOP_SECONDS = 8.0


def make_app(url: str) -> Celery:
    """A Celery app on the Redis at `url` (redis://, rediss://, unix://)."""
    app = Celery("shotwright", broker=_broker_url(url), set_as_current=False)
    app.conf.update(
        task_default_queue=QUEUE,
        task_acks_late=True,  # a message is done when the slot is filled, not when it was fetched
        task_reject_on_worker_lost=True,  # a killed pool process gives its message back
        task_ignore_result=True,
        task_serializer="json",
        accept_content=["json"],
        task_time_limit=TASK_SECONDS,
        worker_prefetch_multiplier=1,  # no message waits behind a running one while another process is idle
        worker_soft_shutdown_timeout=SOFT_STOP_SECONDS,
        worker_enable_soft_shutdown_on_idle=False,
        worker_hijack_root_logger=False,
        worker_send_task_events=False,
        broker_connection_retry_on_startup=True,
        broker_connection_max_retries=None,
        broker_transport_options={
            "visibility_timeout": VISIBILITY_SECONDS,
            "unacked_restore_interval": 2,  # kombu looks for lost messages every 100 s otherwise
            "unacked_restore_throttle": 1,
            "socket_connect_timeout": 2.0,
            "socket_timeout": 30.0,
            "max_retries": 1,
        },
        enable_utc=True,
    )
    return app


def sender(url: str) -> Send:
    """The sending end of the queue on the Redis at `url`."""
    return app_sender(make_app(url))


def app_sender(app: Celery) -> Send:
    """The same, through an app that exists already."""

    def send(slot: SlotName) -> None:
        app.send_task(TASK_NAME, args=[slot.job_id, slot.round, slot.island], queue=QUEUE, retry=False)

    return send


def _broker_url(url: str) -> str:
    """The same server in Celery's spelling, which differs for unix sockets only."""
    return "redis+socket" + url.removeprefix("unix") if url.startswith("unix://") else url
