"""Creating and cancelling designs and lists of shots, for the API: the store's row first, then the messages."""

from __future__ import annotations

import logging
from collections.abc import Callable
from functools import partial

from kombu.exceptions import OperationalError
from redis.exceptions import RedisError

from worker.app import Send
from worker.bench import DesignOnBench
from worker.bench_store import BenchStore
from worker.budget import Budget
from worker.closing import close_round
from worker.job_store import JobStore
from worker.records import LIST_PREFIX, Design, SlotName, Submission
from worker.request import DesignRequest
from worker.request_check import DesignCheck, told
from worker.shot_list import BenchesOnce, ShotList, ShotListRequest, shots_of
from worker.store import Store
from worker.trace import current_trace

log = logging.getLogger(__name__)


def queue(store: JobStore, send: Send, job_id: str, find_slots: Callable[[], list[SlotName]]) -> None:
    """Send the messages of a job that is accepted by now: one that cannot be sent is left to the watchdogs."""
    try:
        trace = current_trace()
        if trace is not None:
            store.note_trace(job_id, trace)
        for slot in find_slots():
            send(slot)
            store.sent(slot)
    except (RedisError, OperationalError) as problem:
        log.warning("%s is stored but not all of its messages are sent yet: %s", job_id, problem)


class DesignService:
    """What the API asks of the search. A message that gets lost after its row was written is sent again."""

    def __init__(self, store: Store, send: Send) -> None:
        self.store = store
        self.send = send
        self.benches = BenchStore(store.client)

    def submit(
        self, asked: DesignRequest | DesignOnBench, idempotency_key: str | None = None, owner: str | None = None
    ) -> Submission:
        """Create the design and queue its first round. Raises InputRefused about its bench, or what Store.create does.

        What an idempotency key stands for is the body as it was sent, whatever became of the bench that it names.
        """
        if isinstance(asked, DesignRequest):
            submission = self.store.create(asked, idempotency_key, owner)
        else:
            submission = self._create_on_bench(asked, idempotency_key, owner)
        if submission.created:
            log.info("design %s is accepted", submission.design_id)
            self._queue(submission.design_id)
        return submission

    def _create_on_bench(self, asked: DesignOnBench, idempotency_key: str | None, owner: str | None) -> Submission:
        body = asked.model_dump_json()
        known = self.store.made_before(idempotency_key, body)
        if known is not None:
            return Submission(design_id=known, created=False)
        bench = self.benches.named(asked)
        return self.store.create(asked.resolved(bench), idempotency_key, owner, body=body, bench=bench.used)

    def check(self, asked: DesignRequest | DesignOnBench) -> DesignCheck:
        """What would be searched. Raises InputRefused about its bench; nothing is stored."""
        if isinstance(asked, DesignRequest):
            return told(asked, None)
        bench = self.benches.named(asked)
        return told(asked.resolved(bench), bench.used)

    def extend(self, design_id: str, budget: Budget, idempotency_key: str | None = None) -> Design:
        """Continue a design that has succeeded, and return it. Raises what Store.extend raises."""
        submission = self.store.extend(design_id, budget, idempotency_key)
        if submission.created:
            log.info("design %s is continued", design_id)
            self._queue(design_id)
        return self.store.get(design_id)

    def _queue(self, design_id: str) -> None:
        queue(self.store, self.send, design_id, partial(self.store.first_slots, design_id))

    def cancel(self, design_id: str) -> Design:
        """Ask the design to stop and return it; idempotent, and an ended one stays as it is.

        A design that no worker holds at the moment ends at once.
        """
        closing = self.store.cancel(design_id)
        if closing is not None:
            close_round(self.store, closing)
        return self.store.get(design_id)


class ShotListService:
    """What the API asks of lists of shots."""

    def __init__(self, designs: DesignService) -> None:
        self.store = designs.store.shot_lists
        self._designs = designs

    def submit(
        self, request: ShotListRequest, idempotency_key: str | None = None, owner: str | None = None
    ) -> ShotList:
        """Create the list, queue its slices, return it. Raises InputRefused about a shot, or what the store does."""
        known = self.store.made_from(request, idempotency_key)
        if known is not None:
            return self.store.get(known)
        benches = BenchesOnce(self._designs.benches.named)
        shots = shots_of(request, benches)
        list_id, created = self.store.create(request, shots, idempotency_key, benches.used, owner)
        if created:
            log.info("shot list %s is accepted", list_id)
            queue(self.store, self._designs.send, f"{LIST_PREFIX}{list_id}", partial(self.store.slots, list_id))
        return self.store.get(list_id)
