"""Creating and cancelling designs, for the API: the store's row first, then the messages."""

from __future__ import annotations

import logging

from kombu.exceptions import OperationalError
from redis.exceptions import RedisError

from worker.app import Send
from worker.bench import DesignOnBench
from worker.bench_store import BenchStore
from worker.budget import Budget
from worker.closing import close_round
from worker.records import Design, Submission
from worker.request import DesignRequest
from worker.store import Store

log = logging.getLogger(__name__)


class DesignService:
    """What the API asks of the search. A message that gets lost after its row was written is sent again."""

    def __init__(self, store: Store, send: Send) -> None:
        self.store = store
        self.send = send
        self.benches = BenchStore(store.client)

    def submit(self, asked: DesignRequest | DesignOnBench, idempotency_key: str | None = None) -> Submission:
        """Create the design and queue its first round. Raises IdempotencyConflict, or InputRefused about its bench.

        What an idempotency key stands for is the body as it was sent, whatever became of the bench that it names.
        """
        if isinstance(asked, DesignRequest):
            submission = self.store.create(asked, idempotency_key)
        else:
            submission = self._create_on_bench(asked, idempotency_key)
        if submission.created:
            self._queue(submission.design_id)
        return submission

    def _create_on_bench(self, asked: DesignOnBench, idempotency_key: str | None) -> Submission:
        body = asked.model_dump_json()
        known = self.store.made_before(idempotency_key, body)
        if known is not None:
            return Submission(design_id=known, created=False)
        bench = self.benches.named(asked)
        return self.store.create(asked.resolved(bench), idempotency_key, body=body, bench=bench.used)

    def extend(self, design_id: str, budget: Budget, idempotency_key: str | None = None) -> Design:
        """Continue a design that has succeeded, and return it. Raises what Store.extend raises."""
        submission = self.store.extend(design_id, budget, idempotency_key)
        if submission.created:
            self._queue(design_id)
        return self.store.get(design_id)

    def _queue(self, design_id: str) -> None:
        """The design is accepted by now: a message that cannot be sent is left to the watchdogs."""
        try:
            for slot in self.store.first_slots(design_id):
                self.send(slot)
                self.store.sent(slot)
        except (RedisError, OperationalError) as problem:
            log.warning("design %s is stored but not all of its messages are sent yet: %s", design_id, problem)

    def cancel(self, design_id: str) -> Design:
        """Ask the design to stop and return it; idempotent, and an ended one stays as it is.

        A design that no worker holds at the moment ends at once.
        """
        closing = self.store.cancel(design_id)
        if closing is not None:
            close_round(self.store, closing)
        return self.store.get(design_id)
