"""What an operator watches, as the store has it: exact, whatever number of processes does the work."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import cast, get_args

from redis import Redis

from worker.job_store import job_key
from worker.records import TERMINAL_STATES, JobKind, kind_of
from worker.store import QUEUE, WORKER_SILENCE_SECONDS
from worker.store_base import key_of


@dataclass(frozen=True)
class Operation:
    """Totals since the store was made, and how things stand."""

    trials: int
    shots: int
    attempts: int
    designs_created: int
    designs_ended: dict[str, int]
    islands_ended: dict[str, int]
    designs: dict[str, int]
    shot_lists_created: int
    shot_lists_ended: dict[str, int]
    slices_ended: dict[str, int]
    shot_lists: dict[str, int]
    list_shots: dict[str, int]
    records_created: int
    traces_kept: int
    fits_created: int
    fits_ended: dict[str, int]
    fits: dict[str, int]
    queue_messages: int
    workers: int
    oldest_queued_s: float


def read_operation(client: Redis) -> Operation:
    """Read it. The work grows with the slots that are not over, not with what is stored.

    Raises redis.exceptions.RedisError while the server is away.
    """
    now = _seconds(client)
    with client.pipeline(transaction=True) as pipe:
        pipe.hgetall(key_of("totals"))
        pipe.llen(QUEUE)
        pipe.zcount(key_of("workers"), now - WORKER_SILENCE_SECONDS, "+inf")
        pipe.zrange(key_of("queued"), 0, 0, withscores=True)
        pipe.zrange(key_of("due"), 0, -1)
        totals, messages, workers, queued, due = pipe.execute()
    counts = {name: int(value) for name, value in totals.items()}

    def by(kind: str, endings: Iterable[str]) -> dict[str, int]:
        return {ending: counts.get(f"{kind}:{ending}", 0) for ending in endings}

    active = _active(client, due)
    return Operation(
        trials=counts.get("trials", 0),
        shots=counts.get("shots", 0),
        attempts=counts.get("attempts", 0),
        designs_created=counts.get("designs:created", 0),
        designs_ended=by("designs", sorted(TERMINAL_STATES)),
        islands_ended=by("islands", ("filled", "failed", "skipped")),
        designs=active["design"],
        shot_lists_created=counts.get("shot-lists:created", 0),
        shot_lists_ended=by("shot-lists", sorted(TERMINAL_STATES)),
        slices_ended=by("slices", ("filled", "skipped")),
        shot_lists=active["shot list"],
        list_shots=by("list-shots", ("finished", "failed")),
        records_created=counts.get("records:created", 0),
        traces_kept=counts.get("traces:kept", 0),
        fits_created=counts.get("fits:created", 0),
        fits_ended=by("fits", sorted(TERMINAL_STATES)),
        fits=active["fit"],
        queue_messages=messages,
        workers=workers,
        oldest_queued_s=max(0.0, now - queued[0][1]) if queued else 0.0,
    )


def _active(client: Redis, due: list[str]) -> dict[JobKind, dict[str, int]]:
    """Jobs that have not ended, by kind and state: each of them has a slot that is due some time."""
    jobs = list(dict.fromkeys(slot.partition("/")[0] for slot in due))
    with client.pipeline(transaction=False) as pipe:
        for job_id in jobs:
            pipe.hget(job_key(job_id), "state")
        states = cast("list[str | None]", pipe.execute())
    found = Counter(zip(map(kind_of, jobs), states, strict=True))
    return {
        kind: {state: found[kind, state] for state in ("queued", "running", "cancelling")} for kind in get_args(JobKind)
    }


def _seconds(client: Redis) -> float:
    seconds, microseconds = client.time()
    return float(seconds) + float(microseconds) / 1e6
