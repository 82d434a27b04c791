"""What every job tells in the same way, whatever its kind: its status block, and when to ask again."""

from __future__ import annotations

from datetime import datetime

from pydantic import Field

from api.paging import PageQuery
from physics.schema import Checked
from worker.budget import ClockTime
from worker.fit import FitJob
from worker.job_store import JobFilter
from worker.records import JobState, Status
from worker.shot_list import ShotList

#: How often a job at work is worth asking for, s; progress is written about once a second.
POLL_S = 2


class JobStatus(Checked):
    """The status block of a job; `progress` and `links` come with it, as they depend on its kind."""

    id: str
    name: str = Field(description="The requester's label.")
    status: JobState
    failure: str | None = Field(description="Why it failed, or what of it was given up, in plain words.")
    created_at: datetime
    started_at: datetime | None
    finished_at: datetime | None
    expires_at: datetime | None = Field(
        description="Until when the results are kept; null while it is active, or when it is kept for good."
    )


def status_block(job: Status | ShotList | FitJob) -> dict[str, object]:
    """The values of the fields of JobStatus."""
    block = {name: getattr(job, name) for name in JobStatus.model_fields if name != "status"}
    return {**block, "status": job.state}


class Expiry(Checked):
    """Until when an ended job is kept."""

    expires_at: ClockTime | None = Field(
        description="RFC 3339; null: until it is deleted.", examples=["2030-01-31T06:00:00Z"]
    )


class JobQuery(PageQuery):
    """Paging and filter of a list of jobs."""

    status: JobState | None = Field(default=None, description="Only those in this state.")
    name: str | None = Field(min_length=1, max_length=120, default=None, description="Part of the name, in any case.")
    created_after: ClockTime | None = Field(default=None, description="Made at this time or later, RFC 3339.")
    created_before: ClockTime | None = Field(default=None, description="Made before this time, RFC 3339.")

    @property
    def wanted(self) -> JobFilter:
        """The filter alone."""
        return JobFilter.model_validate({name: getattr(self, name) for name in JobFilter.model_fields})


def polling_headers(*, ended: bool) -> dict[str, str]:
    """When to ask again, for a job that has not ended."""
    return {} if ended else {"Retry-After": str(POLL_S)}
