"""Creating and cancelling designs, for the API: the store's row first, then the messages."""

from __future__ import annotations

import logging

from kombu.exceptions import OperationalError
from redis.exceptions import RedisError

from worker.app import Send
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

    def submit(
        self, request: DesignRequest, idempotency_key: str | None = None, owner: str | None = None
    ) -> Submission:
        """Create the design and queue its first round. Raises IdempotencyConflict, TooManyOpenDesigns."""
        submission = self.store.create(request, idempotency_key, owner)
        if submission.created:
            self._queue(submission.design_id)
        return submission

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
