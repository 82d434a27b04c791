"""What the endpoints of fits answer with."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from pydantic import Field

from api.jobs import JobQuery, JobStatus, status_block
from api.table import csv_text
from physics.hazards import CAUTIONS
from physics.schema import Checked
from worker.bench import BenchUsed
from worker.events import Content
from worker.fit import FitJob, FitProgress, FitRequest, FitResult, FittedQuantity
from worker.records import JobState
from worker.records import Status as JobChange

PATH = "/v1/fits"


class FitLinks(Checked):
    """Where to go from here."""

    self: str
    events: str
    cancel: str
    bench: str = Field(description="The bench that is fitted; its latest revision.")


class FitEventLinks(Checked):
    """The same without the bench."""

    self: str
    events: str
    cancel: str


class FitAccepted(Checked):
    """The answer to a posted fit."""

    id: str
    status: JobState
    links: FitLinks


class FitEntry(JobStatus):
    """A fit in the list of them."""

    progress: FitProgress
    links: FitLinks


class FitStatus(JobStatus):
    """`data` of the event `status`: the fit's state."""

    links: FitEventLinks


class FitProvenance(Checked):
    """What the fit was made from; it stays as it was, whatever becomes of bench and records."""

    bench: BenchUsed = Field(description="The revision that it started from.")
    record_ids: list[str]


class FitDetail(FitEntry):
    """A fit as it stands."""

    request: FitRequest
    result: FitResult | None = Field(description="Null unless it has succeeded.")
    provenance: FitProvenance
    cautions: list[str]


class FitPage(Checked):
    """A page of fits, newest first."""

    items: list[FitEntry]
    next_cursor: str | None = Field(description="Give it as `cursor` for the next page; null on the last one.")


class FitQuery(JobQuery):
    """Filter, paging and format of the list of fits."""

    format: Literal["json", "csv"] | None = Field(default=None, description="Wins over the Accept header.")


_COLUMNS = ("id", "name", "status", "records_count", "model_shots_count", "created_at", "started_at", "finished_at")


def csv_of(entries: Iterable[FitEntry]) -> str:
    """The entries as CSV."""
    return csv_text(_COLUMNS, (_flat(entry) for entry in entries))


def _flat(entry: FitEntry) -> dict[str, object]:
    body = {**entry.model_dump(mode="json"), **entry.progress.model_dump()}
    return {name: body[name] for name in _COLUMNS}


def quantities_csv(found: FitDetail) -> str:
    """What a fit found as CSV: a line for each quantity; the line of names only before it has succeeded."""
    rows = found.result.quantities if found.result else []
    return csv_text(tuple(FittedQuantity.model_fields), (row.model_dump() for row in rows))


def links_of(found: FitJob) -> FitLinks:
    """Addresses of a fit's resources, relative to the service."""
    return FitLinks(**_own_links(found.id).model_dump(), bench=f"/v1/benches/{found.bench.id}")


def _own_links(fit_id: str) -> FitEventLinks:
    base = f"{PATH}/{fit_id}"
    return FitEventLinks(self=base, events=f"{base}/events", cancel=f"{base}/cancel")


def entry_of(found: FitJob) -> FitEntry:
    """A fit's line among others."""
    return FitEntry.model_validate(_status_of(found))


def detail_of(found: FitJob) -> FitDetail:
    """A fit with all that it says."""
    own = {
        "request": found.request,
        "result": found.result,
        "provenance": FitProvenance(bench=found.bench, record_ids=found.record_ids),
        "cautions": list(CAUTIONS),
    }
    return FitDetail.model_validate({**_status_of(found), **own})


def _status_of(found: FitJob) -> dict[str, object]:
    return {**status_block(found), "progress": found.progress, "links": links_of(found)}


def event_data_of(fit_id: str, content: Content) -> Checked:
    """What an event carries as `data`."""
    if isinstance(content, JobChange):
        return FitStatus.model_validate({**status_block(content), "links": _own_links(fit_id)})
    return content
