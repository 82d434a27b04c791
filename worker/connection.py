"""Clients of the server that REDIS_URL names. Loads nothing heavy: who starts the parts needs it before they run."""

from __future__ import annotations

from redis import Redis
from redis.backoff import ExponentialBackoff, NoBackoff
from redis.exceptions import ConnectionError as RedisConnectionError
from redis.exceptions import TimeoutError as RedisTimeoutError
from redis.retry import Retry


def connect(url: str, *, patient: bool = False, text: bool = True, answer_seconds: float = 5.0) -> Redis:
    """A client for `url` (redis://, rediss://, unix://); with `text` it reads answers as UTF-8, else as bytes.

    Patient ones (workers) wait up to a minute for a server that is away; others (the API) raise
    redis.exceptions.ConnectionError or TimeoutError at once, or when an answer takes longer than `answer_seconds`.
    """
    retry = Retry(ExponentialBackoff(cap=2.0, base=0.05), 35) if patient else Retry(NoBackoff(), 1)
    return Redis.from_url(
        url,
        decode_responses=text,
        retry=retry,
        retry_on_error=[RedisConnectionError, RedisTimeoutError],
        socket_timeout=answer_seconds,
        socket_connect_timeout=2.0,
    )
