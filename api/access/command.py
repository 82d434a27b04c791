"""`python -m api keys create|list|revoke`: access keys are made here and nowhere else."""

from __future__ import annotations

import argparse
import sys

from redis.exceptions import RedisError

from worker.access import SCOPES, Keyring
from worker.connection import connect
from worker.embedded import ServerUnavailable, server_in_reach
from worker.errors import StoreUnfit
from worker.fitness import prepare
from worker.settings import Settings


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to those of `python -m api`."""
    keys = commands.add_parser("keys", help="make, list and revoke access keys")
    actions = keys.add_subparsers(dest="action", required=True)
    create = actions.add_parser("create", help="make a key and print it, this once")
    create.add_argument("--scope", choices=SCOPES, required=True, help="read < submit < admin")
    create.add_argument("--name", required=True, help="whose it is, for the list")
    actions.add_parser("list", help="id, scope, name and last use of every key")
    revoke = actions.add_parser("revoke", help="make a key void at once")
    revoke.add_argument("id", help="the twelve digits after sw_")


def run(options: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    settings = Settings()
    try:
        with server_in_reach(settings.redis_url, settings.state_folder) as url:
            client = connect(url)
            prepare(client)
            return _act(Keyring(client), options)
    except (RedisError, ServerUnavailable, StoreUnfit, ValueError) as problem:
        print(f"not done: {problem}", file=sys.stderr)
        return 1


def _act(keyring: Keyring, options: argparse.Namespace) -> int:
    if options.action == "create":
        print(keyring.create(options.name, options.scope))
    elif options.action == "list":
        for key in keyring.all():
            used = f"last used {key.used_at:%Y-%m-%d %H:%M} UTC" if key.used_at else "not used yet"
            print(f"{key.id}  {key.scope:<6}  {key.name}  (made {key.created_at:%Y-%m-%d %H:%M} UTC, {used})")
    elif not keyring.revoke(options.id):
        print(f"there is no key of id {options.id!r}", file=sys.stderr)
        return 1
    return 0
