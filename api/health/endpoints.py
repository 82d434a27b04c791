"""Liveness (the process answers) and readiness (it can do the job)."""

from __future__ import annotations

from typing import Literal

from fastapi import APIRouter, Request
from pydantic import BaseModel
from redis.exceptions import RedisError

from api.health.warming import Warming
from api.problem_handlers import RETRY_AFTER_S
from api.problems import ProblemError, stated
from worker.store import Store

router = APIRouter(tags=["health"])


class Alive(BaseModel):
    """The process answers."""

    status: Literal["alive"] = "alive"


class Check(BaseModel):
    """One thing the service needs."""

    ok: bool
    detail: str


class Ready(BaseModel):
    """The service can do its job."""

    status: Literal["ready"] = "ready"
    checks: dict[str, Check]


@router.get("/livez", summary="Is the process alive?", responses=stated())
async def livez() -> Alive:
    """Says nothing about the store or the workers."""
    return Alive()


@router.get("/readyz", summary="Can the service do its job?", responses=stated("not-ready"))
def readyz(request: Request) -> Ready:
    """Store, kernels and workers, each with its state; 503 carries the same `checks`."""
    state = request.app.state
    checks = {"kernels": _kernels(state.warming), **_store_and_workers(state.designs.store)}
    failing = [f"{name}: {check.detail}" for name, check in checks.items() if not check.ok]
    if failing:
        raise ProblemError(
            "not-ready",
            "; ".join(failing),
            headers={"Retry-After": str(RETRY_AFTER_S)},
            extension={"checks": {name: check.model_dump() for name, check in checks.items()}},
        )
    return Ready(checks=checks)


def _kernels(warming: Warming) -> Check:
    return Check(ok=warming.state == "warm", detail=warming.detail)


def _store_and_workers(store: Store) -> dict[str, Check]:
    try:
        fault = store.fault()
        workers = store.live_workers()
    except RedisError:
        unknown = Check(ok=False, detail="not known while the store is away")
        return {"store": Check(ok=False, detail="does not answer"), "workers": unknown}
    words = f"{len(workers)} alive" if workers else "none has given a sign of life"
    return {
        "store": Check(ok=fault is None, detail=fault or "answers"),
        "workers": Check(ok=bool(workers), detail=words),
    }
