"""The version of the store's layout, and how an older store is brought to it when the program starts.

The version is kept under ``schema``. A change of the layout that older rows cannot be read with adds an entry to
`MIGRATIONS` and with it a version. Each entry has to bear being run again, since a start may be broken off; nothing
else may use the store meanwhile, so an upgrade stops every part first.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Sequence

from redis import Redis

from worker import scripts
from worker.errors import StoreUnfit

Migration = Callable[[Redis], None]

#: The first leads from version 1 to 2, and so on. Version 1 is the layout of a store that was never stamped.
MIGRATIONS: tuple[Migration, ...] = ()
SCHEMA_VERSION = 1 + len(MIGRATIONS)

SCHEMA_KEY = f"{scripts.PREFIX}schema"
_LOCK_KEY = f"{scripts.PREFIX}migrating"
#: The longest that a migration may take; after that another start takes over.
LOCK_SECONDS = 600
_LOOK_SECONDS = 0.1


def stored_version(client: Redis) -> int | None:
    """Version of the store's layout; None when it was never stamped. Raises StoreUnfit when it is no number."""
    text = client.get(SCHEMA_KEY)
    if text is None:
        return None
    if not (isinstance(text, str) and text.isascii() and text.isdecimal()):
        raise StoreUnfit(f"the store's schema version is {text!r}, which is no number; restore the store from a backup")
    return int(text)


def newer(version: int, newest: int = SCHEMA_VERSION) -> str:
    """What is said about a store, or a file, of a version that this program does not know."""
    return (
        f"has schema version {version}, and this program knows versions up to {newest} only; "
        "use the release that wrote it, or a later one"
    )


def migrate(client: Redis, migrations: Sequence[Migration] = MIGRATIONS) -> int:
    """Bring the store to the version of this program and stamp it; returns how many migrations were run.

    Of several parts that start at once, one works and the others wait. Raises StoreUnfit when the store is newer.
    """
    newest = 1 + len(migrations)
    token = secrets.token_hex(8)
    deadline = time.monotonic() + LOCK_SECONDS
    while (version := stored_version(client)) != newest:
        if version is not None and version > newest:
            raise StoreUnfit(f"the store {newer(version, newest)}")
        if client.set(_LOCK_KEY, token, nx=True, ex=LOCK_SECONDS):
            return _migrate_alone(client, migrations, token)
        if time.monotonic() > deadline:
            raise StoreUnfit(
                f"another program has been migrating the store for more than {LOCK_SECONDS} s; look after it"
            )
        time.sleep(_LOOK_SECONDS)
    return 0


def _migrate_alone(client: Redis, migrations: Sequence[Migration], token: str) -> int:
    """Run what is missing. The version is stamped after each one, so that a broken-off start goes on where it was."""
    try:
        first = stored_version(client) or 1
        client.set(SCHEMA_KEY, first)
        for version, step in enumerate(migrations[first - 1 :], start=first + 1):
            step(client)
            client.set(SCHEMA_KEY, version)
        return len(migrations) + 1 - first
    finally:
        if client.get(_LOCK_KEY) == token:
            client.delete(_LOCK_KEY)
