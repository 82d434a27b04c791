"""What all parts of the store share: a server, its scripts and clock, idempotency keys, and what is gone."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, Literal, NoReturn, cast

from redis import Redis

from worker.errors import (
    BenchGone,
    BenchUnknown,
    DesignGone,
    DesignUnknown,
    FitGone,
    FitUnknown,
    IdempotencyConflict,
    RecordGone,
    RecordUnknown,
    ShotListGone,
    ShotListUnknown,
    StoreError,
    TooManyOpenJobs,
)
from worker.scripts import PREFIX

DAY_SECONDS = 86_400
TOMBSTONE_DAYS = 30

Kind = Literal["design", "bench", "shot list", "record", "fit"]

_UNKNOWN: dict[Kind, type[StoreError]] = {
    "design": DesignUnknown,
    "bench": BenchUnknown,
    "shot list": ShotListUnknown,
    "record": RecordUnknown,
    "fit": FitUnknown,
}
_GONE: dict[Kind, type[StoreError]] = {
    "design": DesignGone,
    "bench": BenchGone,
    "shot list": ShotListGone,
    "record": RecordGone,
    "fit": FitGone,
}


class StoreBase:
    """Runs scripts on a server. Safe to share between threads."""

    def __init__(self, client: Redis, scripts: Mapping[str, str]) -> None:
        self.client = client
        self._scripts = {name: client.register_script(text) for name, text in scripts.items()}

    def now(self) -> datetime:
        """The server's clock, which every time in the store is from."""
        seconds, microseconds = self.client.time()
        return datetime.fromtimestamp(seconds + microseconds / 1e6, UTC)

    def run(self, script: str, *words: str | float | bytes) -> Any:
        """The answer of a script."""
        return self._scripts[script](args=list(words))

    def read_bytes(self, *words: str) -> Any:
        """The answer to a command as bytes, though the client decodes text."""
        return self.client.execute_command(*words, NEVER_DECODE=True)  # type: ignore[no-untyped-call]

    def made_before(self, idempotency_key: str | None, body: str) -> str | None:
        """Id of what the key made within the last day, None if nothing. Raises IdempotencyConflict on another body."""
        if idempotency_key is None:
            return None
        found = self.client.hmget(key_of(f"idempotency:{digest(idempotency_key)}"), ["body", "design"])
        known, identifier = cast("list[str | None]", found)
        if known is not None and known != digest(body):
            raise_refused("conflict")
        return identifier


def key_of(name: str) -> str:
    """The key of that name."""
    return f"{PREFIX}{name}"


def digest(text: str) -> str:
    """What stands for an idempotency key, or for a body."""
    return hashlib.sha256(text.encode()).hexdigest()


def idempotency_words(key: str | None, body: str) -> tuple[str, str, int]:
    """Digest of the key or '', digest of the body, seconds to remember them."""
    return "" if key is None else digest(key), digest(body), DAY_SECONDS


def raise_missing(kind: Kind, identifier: str, tombstone: str | None) -> NoReturn:
    """Say that it is gone when there is a tombstone, else that it is not known."""
    if tombstone is None:
        raise _UNKNOWN[kind](f"there is no {kind} {identifier}")
    how = "was deleted" if tombstone == "deleted" else "has expired"
    raise _GONE[kind](f"{kind} {identifier} {how}")


def raise_refused(outcome: str) -> None:
    """Raise what a script's outcome says about an idempotency key or an owner, if anything."""
    if outcome == "conflict":
        raise IdempotencyConflict("this idempotency key was used with another body within the last day")
    if outcome == "many":
        raise TooManyOpenJobs("this key has as many jobs waiting or at work as one key may have")
