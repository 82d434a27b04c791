"""Fits in the store. Keys are listed in :mod:`worker.store`."""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from datetime import datetime
from typing import Literal, cast

from redis import Redis

from physics.schema import Checked
from worker import fit_scripts
from worker.bench import BenchDescription, BenchUsed
from worker.codec import optional_time, time_of
from worker.fit import FitCase, FitJob, FitOutcome, FitProgress, FitRequest
from worker.identifiers import new_id
from worker.job_store import ANY, JobFilter, JobStore, Limits, job_key, raise_missing_job
from worker.records import FIT_PREFIX, JobState, Lease, SlotName, Status
from worker.store_base import idempotency_words, key_of, raise_refused

_SCRIPTS = ("CREATE", "BEAT", "END")
_COLLECTION = "fits"

Ended = Literal["lost", "ended", "unknown", "changed"]


class FitPage(Checked):
    """A page of fits, newest first."""

    items: list[FitJob]
    next_cursor: str | None


class FitStore(JobStore):
    """All operations on fits. Safe to share between threads."""

    def __init__(self, client: Redis, limits: Limits) -> None:
        super().__init__(client, "fit", {name: getattr(fit_scripts, name) for name in _SCRIPTS}, limits)

    # ---- for the API -----------------------------------------------------------------------------------------------

    def made_from(self, request: FitRequest, idempotency_key: str | None) -> str | None:
        """The fit that the key and body made within the last day. Raises IdempotencyConflict on another body."""
        job = self.made_before(_scoped(idempotency_key), request.model_dump_json())
        return None if job is None else job.removeprefix(FIT_PREFIX)

    def create(self, case: FitCase, idempotency_key: str | None = None, owner: str | None = None) -> tuple[str, bool]:
        """Row, slot and idempotency record in one step; returns the fit's id, and whether this call made it.

        Raises IdempotencyConflict on another body, TooManyOpenJobs when the owner has too many.
        """
        request = case.request.model_dump_json()
        outcome, job = self.run(
            "CREATE",
            f"{FIT_PREFIX}{new_id()}",
            *idempotency_words(_scoped(idempotency_key), request),
            case.request.name,
            request,
            case.bench.used.model_dump_json(),
            json.dumps([record.id for record in case.records]),
            len(case.records),
            zlib.compress(case.model_dump_json().encode()),
            owner or "",
            self._open_jobs_limit,
        )
        raise_refused(outcome)
        return job.removeprefix(FIT_PREFIX), outcome == "created"

    def get(self, fit_id: str) -> FitJob:
        """The fit as it stands. Raises FitUnknown or FitGone."""
        job = f"{FIT_PREFIX}{fit_id}"
        with self.client.pipeline() as pipe:
            pipe.hgetall(job_key(job))
            pipe.get(key_of(f"tombstone:{job}"))
            pipe.zrank(key_of("queued"), job)
            row, tombstone, rank = pipe.execute()
        if not row:
            raise_missing_job(job, tombstone)
        outcome = self._outcome(job)
        status = read_fit_status(fit_id, row)
        told = status.model_dump(exclude={"ended_because", "ending"})
        if outcome is not None and outcome.failure is not None:
            told["failure"] = outcome.failure
        return FitJob(
            **told,
            progress=read_fit_progress(row, rank),
            request=FitRequest.model_validate_json(row["request"]),
            bench=BenchUsed.model_validate_json(row["bench"]),
            record_ids=json.loads(row["record_ids"]),
            result=outcome.result if outcome else None,
        )

    def page(self, limit: int = 20, cursor: str | None = None, wanted: JobFilter = ANY) -> FitPage:
        """Fits, newest first. Raises CursorInvalid."""
        found, following = self._page(_COLLECTION, limit, cursor, wanted)
        names = [job.removeprefix(FIT_PREFIX) for job in found]
        return FitPage(items=self._still_there(self.get, names), next_cursor=following)

    def cancel(self, fit_id: str) -> FitJob:
        """Ask the fit to stop, and return it; one that no worker holds ends at once, an ended one stays as it is."""
        self._cancel(f"{FIT_PREFIX}{fit_id}")
        return self.get(fit_id)

    def delete(self, fit_id: str) -> None:
        """Remove an ended fit, leaving a tombstone; a revision that it made stays. Raises FitStillActive."""
        self._delete(f"{FIT_PREFIX}{fit_id}")

    def keep(self, fit_id: str, expires_at: datetime | None) -> None:
        """Set until when an ended fit is kept; None is for good. Raises FitStillActive, ExpiryRefused."""
        self._keep(f"{FIT_PREFIX}{fit_id}", expires_at)

    def slots(self, fit_id: str) -> list[SlotName]:
        """The only slot of a fit."""
        return [SlotName(job_id=f"{FIT_PREFIX}{fit_id}", round=0, island=0)]

    # ---- for the workers -------------------------------------------------------------------------------------------

    def open_case(self, job_id: str) -> FitCase | None:
        """What is to be fitted; None when it has an outcome already."""
        if self._outcome(job_id) is not None:
            return None
        packed = cast("bytes", self.read_bytes("HGET", f"{job_key(job_id)}:shots", "0"))
        return FitCase.model_validate_json(zlib.decompress(packed))

    def beat(self, lease: Lease, model_shots: int) -> JobState | str:
        """Extend the lease. Returns the fit's state, or 'lost' when the lease is void."""
        words = (lease.slot.job_id, lease.slot.key, lease.attempt, self._lease_seconds)
        return cast("JobState | str", self.run("BEAT", *words, model_shots))

    def end(
        self,
        lease: Lease,
        outcome: FitOutcome | None,
        bench_id: str = "",
        latest: int = 0,
        description: BenchDescription | None = None,
    ) -> Ended:
        """End the fit, and make the revision that follows `latest` of a bench, in one step; a cancelled one makes none.

        Nothing is done when the lease is void, the bench is unknown, or `latest` is not its latest revision.
        """
        state = "" if outcome is None else "failed" if outcome.result is None else "finished"
        packed = b"" if outcome is None else zlib.compress(outcome.model_dump_json().encode())
        text = "" if description is None else description.model_dump_json()
        words = (lease.slot.job_id, lease.slot.key, lease.attempt, *self._keep_words)
        return cast("Ended", self.run("END", *words, state, packed, bench_id, latest, text))

    # ---- helpers -----------------------------------------------------------------------------------------------------

    def _outcome(self, job_id: str) -> FitOutcome | None:
        """As a worker packed it, or as the script wrote it that gave the fit up."""
        row = cast("bytes | None", self.read_bytes("HGET", f"{job_key(job_id)}:rows", "0"))
        if row is None:
            return None
        if not row.startswith(b"{"):
            return FitOutcome.model_validate_json(zlib.decompress(row))
        attempts = json.loads(row)["attempts_count"]
        words = f"given up after {attempts} attempts, each of which ended its worker without a result"
        return FitOutcome(attempts_count=attempts, failure=words)


def _scoped(idempotency_key: str | None) -> str | None:
    return None if idempotency_key is None else f"fit {idempotency_key}"


def read_fit_progress(row: Mapping[str, str], rank: int | None) -> FitProgress:
    """How far a fit is, from the small fields of its row and its place in the queue (from 0)."""
    return FitProgress(
        records_count=int(row["records"]),
        model_shots_count=int(row["model_shots"]),
        queue_place=None if rank is None else rank + 1,
        heartbeat_at=optional_time(row.get("heartbeat_at")),
        repeats_count=int(row.get("repeats", 0)),
    )


def read_fit_status(fit_id: str, row: Mapping[str, str]) -> Status:
    """The state of a fit, from the small fields of its row."""
    return Status(
        id=fit_id,
        name=row["name"],
        state=cast("JobState", row["state"]),
        failure=None if row["failed"] == "0" else "no fit was found; the fit itself says why",
        created_at=time_of(row["created_at"]),
        started_at=optional_time(row.get("started_at")),
        finished_at=optional_time(row.get("finished_at")),
        expires_at=optional_time(row.get("expires_at")),
    )
