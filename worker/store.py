"""The store: every design, candidate, slot and lease, in Redis. The only module that knows the keys.

Layout, all under ``shotwright:`` (values are JSON or plain numbers, times are seconds since 1970):

===============================  ======  =====================================================================
``designs``                      zset    ids of all designs; sorted by name, so by the time they were made
``queued``                       zset    ids that wait for their first (or next) worker, by creation
``due``                          zset    slots that are not over, by the time they have to be looked after
``workers``                      zset    workers by their last sign of life
``idempotency:{digest}``         hash    body digest and design of an idempotency key; lives a day
``tombstone:{id}``               string  'deleted' or 'expired'; outlives the design
``design:{id}``                  hash    the design's row: state, request, counts, front, recommendation
``design:{id}:rows``             hash    candidates by number
``design:{id}:order``            zset    numbers by arrival
``design:{id}:feasible``         zset    the same, feasible ones only
``design:{id}:energy``           zset    feasible numbers by stored energy
``design:{id}:misses``           hash    how often each reason stopped a trial
``design:{id}:nearest``          zset    the few infeasible numbers of least violation
``design:{id}:slot:{r}/{i}``     hash    one island of the round under way (or ``{r}/closing``): state, attempts, lease
===============================  ======  =====================================================================

A trial counts when its number is written first; an island counts when it is filled first. Delivering a message twice,
or running an island again from its start, therefore changes nothing. A slot's message is sent after its row is written;
`due` makes sure that one that got lost is sent again.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from typing import Any, Literal, cast

from redis import Redis
from redis.backoff import ExponentialBackoff, NoBackoff
from redis.exceptions import ConnectionError as RedisConnectionError
from redis.exceptions import TimeoutError as RedisTimeoutError
from redis.retry import Retry

from worker import scripts
from worker.codec import open_cursor, open_number_cursor, read_design, read_slot, seal_cursor
from worker.errors import (
    CandidateUnknown,
    DesignGone,
    DesignStillActive,
    DesignUnknown,
    IdempotencyConflict,
)
from worker.identifiers import new_design_id
from worker.plan import islands_of
from worker.records import (
    Candidate,
    CandidatePage,
    Design,
    DesignPage,
    DesignState,
    Due,
    Ending,
    Lease,
    Limiting,
    Miss,
    Recommendation,
    SlotName,
    Submission,
)
from worker.request import DesignRequest

#: Name of the message queue; its length tells whether a sent message may have got lost.
QUEUE = "shotwright"
DAY_SECONDS = 86_400
TOMBSTONE_DAYS = 30
WORKER_SILENCE_SECONDS = 6.0

Selection = Literal["all", "feasible", "front"]


def connect(url: str, *, patient: bool = False) -> Redis:
    """A client for `url` (redis://, rediss://, unix://).

    Patient ones (workers) wait up to a minute for a server that is away; others (the API) raise
    redis.exceptions.ConnectionError or TimeoutError at once.
    """
    retry = Retry(ExponentialBackoff(cap=2.0, base=0.05), 35) if patient else Retry(NoBackoff(), 1)
    return Redis.from_url(
        url,
        decode_responses=True,
        retry=retry,
        retry_on_error=[RedisConnectionError, RedisTimeoutError],
        socket_timeout=5.0,
        socket_connect_timeout=2.0,
    )


class Store:
    """All operations on designs. Safe to share between threads."""

    def __init__(
        self, client: Redis, *, result_days: float = 30.0, lease_seconds: float = 10.0, attempts_limit: int = 3
    ) -> None:
        self._redis = client
        self._keep = result_days * DAY_SECONDS
        self._lease_seconds = lease_seconds
        self._attempts_limit = attempts_limit
        names = ("CREATE", "SENT", "LEASE", "RECORD", "FILL", "CLOSE", "CANCEL", "SWEEP", "DELETE")
        self._scripts = {name: client.register_script(getattr(scripts, name)) for name in names}

    @property
    def lease_seconds(self) -> float:
        """How long a slot stays leased after a sign of life."""
        return self._lease_seconds

    # ---- reading ---------------------------------------------------------------------------------------------------

    def ping(self) -> None:
        """Raise redis.exceptions.RedisError unless the server answers."""
        self._redis.ping()

    def live_workers(self) -> list[str]:
        """Names of the workers that gave a sign of life in the last few seconds."""
        oldest = self._now() - WORKER_SILENCE_SECONDS
        return cast("list[str]", self._redis.zrangebyscore(_key("workers"), oldest, "+inf"))

    def get(self, design_id: str) -> Design:
        """The design as it stands. Raises DesignUnknown or DesignGone."""
        key = _design_key(design_id)
        with self._redis.pipeline() as pipe:
            pipe.hgetall(key)
            pipe.get(_key(f"tombstone:{design_id}"))
            pipe.zrank(_key("queued"), design_id)
            pipe.zrange(f"{key}:energy", 0, 0)
            pipe.zcard(f"{key}:feasible")
            row, tombstone, rank, best, feasible = pipe.execute()
        if not row:
            _raise_missing(design_id, tombstone)
        candidate = self._row(design_id, int(best[0])) if best else None
        return read_design(design_id, row, rank, candidate, feasible)

    def designs(self, limit: int = 20, cursor: str | None = None) -> DesignPage:
        """Designs, newest first. Raises CursorInvalid."""
        below = "+" if cursor is None else f"({open_cursor(cursor, 'designs')}"
        found = cast("list[str]", self._redis.zrevrangebylex(_key("designs"), below, "-", 0, limit + 1))
        shown = found[:limit]
        following = seal_cursor("designs", shown[-1]) if len(found) > limit else None
        items = [design for design in map(self._get_or_drop, shown) if design is not None]
        return DesignPage(items=items, next_cursor=following)

    def candidates(
        self, design_id: str, limit: int = 50, cursor: str | None = None, only: Selection = "all"
    ) -> CandidatePage:
        """Candidates in the order they arrived; the front by stored energy, least first. Raises CursorInvalid."""
        after = 0 if cursor is None else open_number_cursor(cursor, only)
        if only == "front":
            numbers, place = self._front_page(design_id, limit, after)
        else:
            numbers, place = self._arrival_page(design_id, "order" if only == "all" else only, limit, after)
        following = None if place is None else seal_cursor(only, str(place))
        return CandidatePage(items=self.rows(design_id, numbers), next_cursor=following)

    def candidate(self, design_id: str, number: int) -> Candidate:
        """One candidate. Raises CandidateUnknown. Its whole shot is worker.trial.shot_of(request, candidate)."""
        found = self._row(design_id, number)
        if found is None:
            self._require(design_id)
            raise CandidateUnknown(f"design {design_id} has no candidate {number}")
        return found

    def rows(self, design_id: str, numbers: Sequence[int]) -> list[Candidate]:
        """Those of the numbered candidates that exist, in the order asked for."""
        if not numbers:
            return []
        texts = cast("list[str | None]", self._redis.hmget(f"{_design_key(design_id)}:rows", [str(n) for n in numbers]))
        return [Candidate.model_validate_json(text) for text in texts if text is not None]

    def misses(self, design_id: str) -> list[Miss]:
        """Reasons by how often they stopped a trial, most frequent first."""
        counts = cast("dict[str, str]", self._redis.hgetall(f"{_design_key(design_id)}:misses"))
        found = [
            Miss.model_validate({"reason": reason, "trials_count": int(count)})
            for reason, count in counts.items()
            if int(count) > 0
        ]
        return sorted(found, key=lambda miss: (-miss.trials_count, miss.reason))

    def nearest(self, design_id: str) -> Candidate | None:
        """The infeasible candidate of least violation."""
        found = cast("list[str]", self._redis.zrange(f"{_design_key(design_id)}:nearest", 0, 0))
        return self._row(design_id, int(found[0])) if found else None

    # ---- for the API: write ----------------------------------------------------------------------------------------

    def create(self, request: DesignRequest, idempotency_key: str | None = None) -> Submission:
        """Row, first round's slots and idempotency record in one step.

        The same key with the same body within a day gives the same design. Raises IdempotencyConflict on another body.
        """
        text = request.model_dump_json()
        digest = "" if idempotency_key is None else _digest(idempotency_key)
        islands = islands_of(request.budget_trials_count, 0)
        outcome, design_id = self._run("CREATE", new_design_id(), text, digest, _digest(text), DAY_SECONDS, *islands)
        if outcome == "conflict":
            raise IdempotencyConflict("this idempotency key was used with another body within the last day")
        return Submission(design_id=design_id, created=outcome == "created")

    def cancel(self, design_id: str) -> SlotName | None:
        """Ask the design to stop; an ended one stays as it is. Returns the closing when it is ready to be run."""
        self._require(design_id)
        _, ready = self._run("CANCEL", design_id)
        return self.closing_of(design_id) if ready else None

    def delete(self, design_id: str) -> None:
        """Remove an ended design, leaving a tombstone. Raises DesignStillActive."""
        outcome = self._run("DELETE", design_id, TOMBSTONE_DAYS * DAY_SECONDS)
        if outcome == "unknown":
            self._require(design_id)
        if outcome == "active":
            raise DesignStillActive(f"design {design_id} has not ended; cancel it first")

    # ---- for the workers -------------------------------------------------------------------------------------------

    def first_slots(self, design_id: str) -> list[SlotName]:
        """The islands of the round under way."""
        row = cast("list[str]", self._redis.hmget(_design_key(design_id), ["round", "islands"]))
        return [SlotName(design_id=design_id, round=int(row[0]), island=island) for island in range(int(row[1]))]

    def closing_of(self, design_id: str) -> SlotName:
        """The closing of the round under way."""
        number = cast("str", self._redis.hget(_design_key(design_id), "round"))
        return SlotName(design_id=design_id, round=int(number), island=None)

    def sent(self, slot: SlotName) -> None:
        """Note that the slot's message is on the queue."""
        self._run("SENT", slot.design_id, slot.key, self._lease_seconds)

    def lease(self, slot: SlotName) -> Lease | None:
        """Take the slot, or None when it is over, in other hands, or tried too often."""
        attempt = self._run("LEASE", slot.design_id, slot.key, self._lease_seconds, self._attempts_limit)
        return Lease(slot=slot, attempt=int(attempt)) if attempt else None

    def record(self, lease: Lease, rows: Sequence[Candidate] = ()) -> DesignState | Literal["lost"]:
        """Extend the lease and add finished trials. Returns the design's state, or 'lost' when the lease is void."""
        texts = [row.model_dump_json() for row in rows]
        answer = self._run("RECORD", *_lease_words(lease), self._lease_seconds, *texts)
        return cast("DesignState | Literal['lost']", answer)

    def fill(
        self, lease: Lease, rows: Sequence[Candidate], settled: Sequence[Candidate]
    ) -> Literal["lost", "filled", "full"]:
        """End the island: add its last trials and put the settled ones in the place of the searched ones.

        Returns 'full' when it was the round's last island, so that the closing is ready to be run.
        """
        texts = [row.model_dump_json() for row in (*rows, *settled)]
        answer = self._run("FILL", *_lease_words(lease), len(rows), *texts)
        return cast("Literal['lost', 'filled', 'full']", answer)

    def close(self, lease: Lease, ending: Ending, next_islands: Sequence[int]) -> str:
        """End the round: to the next one, or for good when `ending.state` is set. 'lost' when the lease is void."""
        return cast(
            "str",
            self._run(
                "CLOSE",
                *_lease_words(lease),
                json.dumps(ending.front_numbers),
                _text_or_empty(ending.recommended),
                _text_or_empty(ending.limiting),
                ending.failure or "",
                ending.state or "",
                self._keep,
                TOMBSTONE_DAYS * DAY_SECONDS,
                *next_islands,
            ),
        )

    def sweep(self) -> list[Due]:
        """Look after every slot that is due: give lost leases back, give up hopeless ones; returns those to be run."""
        words = self._run(
            "SWEEP", self._attempts_limit, self._lease_seconds, QUEUE, self._keep, TOMBSTONE_DAYS * DAY_SECONDS
        )
        triples = zip(words[0::3], words[1::3], words[2::3], strict=True)
        return [Due(slot=read_slot(design_id, key), state=state) for design_id, key, state in triples]

    def worker_alive(self, name: str) -> None:
        """A worker's sign of life; the ones long gone are forgotten."""
        at = self._now()
        with self._redis.pipeline() as pipe:
            pipe.zadd(_key("workers"), {name: at})
            pipe.zremrangebyscore(_key("workers"), "-inf", at - DAY_SECONDS)
            pipe.execute()

    def worker_gone(self, name: str) -> None:
        """A worker said goodbye."""
        self._redis.zrem(_key("workers"), name)

    # ---- helpers ---------------------------------------------------------------------------------------------------

    def _run(self, script: str, *words: str | float) -> Any:
        return self._scripts[script](args=list(words))

    def _now(self) -> float:
        seconds, microseconds = self._redis.time()
        return seconds + microseconds / 1e6

    def _row(self, design_id: str, number: int) -> Candidate | None:
        text = cast("str | None", self._redis.hget(f"{_design_key(design_id)}:rows", str(number)))
        return None if text is None else Candidate.model_validate_json(text)

    def _require(self, design_id: str) -> None:
        if not self._redis.exists(_design_key(design_id)):
            _raise_missing(design_id, cast("str | None", self._redis.get(_key(f"tombstone:{design_id}"))))

    def _get_or_drop(self, design_id: str) -> Design | None:
        """A design of the list; one that has expired since is taken off the list."""
        try:
            return self.get(design_id)
        except (DesignUnknown, DesignGone):
            self._redis.zrem(_key("designs"), design_id)
            return None

    def _arrival_page(self, design_id: str, index: str, limit: int, after: int) -> tuple[list[int], int | None]:
        self._require(design_id)
        found = cast(
            "list[tuple[str, float]]",
            self._redis.zrangebyscore(
                f"{_design_key(design_id)}:{index}", f"({after}", "+inf", start=0, num=limit + 1, withscores=True
            ),
        )
        shown = found[:limit]
        return [int(number) for number, _ in shown], int(shown[-1][1]) if len(found) > limit else None

    def _front_page(self, design_id: str, limit: int, after: int) -> tuple[list[int], int | None]:
        numbers = self.get(design_id).front_numbers
        end = after + limit
        return numbers[after:end], end if len(numbers) > end else None


def _key(name: str) -> str:
    return f"{scripts.PREFIX}{name}"


def _design_key(design_id: str) -> str:
    return _key(f"design:{design_id}")


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _text_or_empty(record: Recommendation | Limiting | None) -> str:
    return "" if record is None else record.model_dump_json()


def _lease_words(lease: Lease) -> tuple[str, str, int]:
    return lease.slot.design_id, lease.slot.key, lease.attempt


def _raise_missing(design_id: str, tombstone: str | None) -> None:
    if tombstone is None:
        raise DesignUnknown(f"there is no design {design_id}")
    how = "was deleted" if tombstone == "deleted" else "has expired"
    raise DesignGone(f"design {design_id} {how}")
