"""The commands `backup` and `restore` of `python -m worker`."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

from redis.exceptions import RedisError

from worker.backup import ANSWER_SECONDS, backup
from worker.connection import connect
from worker.embedded import ServerUnavailable, server_in_reach
from worker.errors import BackupRefused, StoreUnfit
from worker.fitness import prepare
from worker.restore import restore
from worker.settings import Settings


def back_up(settings: Settings, path: Path) -> int:
    """Write the store to `path`; returns the exit code."""
    return _told(lambda: _back_up(settings, path))


def put_back(settings: Settings, path: Path, *, replace: bool) -> int:
    """Read the store from `path`; returns the exit code."""
    return _told(lambda: _put_back(settings, path, replace=replace))


def _back_up(settings: Settings, path: Path) -> str:
    with server_in_reach(settings.redis_url, settings.state_folder) as url:
        count = backup(connect(url, text=False, answer_seconds=ANSWER_SECONDS), path)
    return f"{count} keys are in {path} ({path.stat().st_size / 1e6:.1f} MB)"


def _put_back(settings: Settings, path: Path, *, replace: bool) -> str:
    with server_in_reach(settings.redis_url, settings.state_folder) as url:
        done = restore(connect(url, text=False, answer_seconds=ANSWER_SECONDS), path, replace=replace)
        prepare(connect(url))
    words = f"{done.keys_count} keys of {done.made_at:%Y-%m-%d %H:%M:%S} UTC are in the store"
    return f"{words}; {done.expired_count} more had expired since and are left out" if done.expired_count else words


def _told(act: Callable[[], str]) -> int:
    try:
        words = act()
    except (BackupRefused, ServerUnavailable, StoreUnfit, RedisError, OSError) as problem:
        print(f"not done: {problem}", file=sys.stderr)
        return 1
    print(words)
    return 0
