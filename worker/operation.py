"""What an operator watches, as the store has it: exact, whatever number of processes does the work."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import cast

from redis import Redis

from worker.scripts import PREFIX
from worker.store import QUEUE, WORKER_SILENCE_SECONDS


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
    queue_messages: int
    workers: int
    oldest_queued_s: float


def read_operation(client: Redis) -> Operation:
    """Read it. The work grows with the slots that are not over, not with what is stored.

    Raises redis.exceptions.RedisError while the server is away.
    """
    now = _seconds(client)
    with client.pipeline(transaction=True) as pipe:
        pipe.hgetall(f"{PREFIX}totals")
        pipe.llen(QUEUE)
        pipe.zcount(f"{PREFIX}workers", now - WORKER_SILENCE_SECONDS, "+inf")
        pipe.zrange(f"{PREFIX}queued", 0, 0, withscores=True)
        pipe.zrange(f"{PREFIX}due", 0, -1)
        totals, messages, workers, queued, due = pipe.execute()
    counts = {name: int(value) for name, value in totals.items()}
    return Operation(
        trials=counts.get("trials", 0),
        shots=counts.get("shots", 0),
        attempts=counts.get("attempts", 0),
        designs_created=counts.get("designs:created", 0),
        designs_ended={state: counts.get(f"designs:{state}", 0) for state in ("succeeded", "failed", "cancelled")},
        islands_ended={how: counts.get(f"islands:{how}", 0) for how in ("filled", "failed", "skipped")},
        designs=_active(client, due),
        queue_messages=messages,
        workers=workers,
        oldest_queued_s=max(0.0, now - queued[0][1]) if queued else 0.0,
    )


def _active(client: Redis, due: list[str]) -> dict[str, int]:
    """Designs that have not ended, by state: each of them has a slot that is due some time."""
    with client.pipeline(transaction=False) as pipe:
        for design_id in dict.fromkeys(slot.partition("/")[0] for slot in due):
            pipe.hget(f"{PREFIX}design:{design_id}", "state")
        found = Counter(cast("list[str | None]", pipe.execute()))
    return {state: found[state] for state in ("queued", "running", "cancelling")}


def _seconds(client: Redis) -> float:
    seconds, microseconds = client.time()
    return float(seconds) + float(microseconds) / 1e6
