"""What the endpoints of lists of shots answer with."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from api.jobs import JobStatus
from api.table import csv_text
from physics.hazards import CAUTIONS
from physics.result import Rating, ShotResult, Status, Summary
from physics.schema import Checked
from physics.shot import Shot
from worker.bench import BenchUsed
from worker.records import JobState
from worker.shot_list import ShotList, ShotListProgress, ShotOutcome, ShotState, Value, Variation, values_of

PATH = "/v1/shot-lists"


class ShotListLinks(Checked):
    """Where to go from here."""

    self: str
    shots: str
    cancel: str


class ShotListAccepted(Checked):
    """The answer to a posted list."""

    id: str
    status: JobState
    links: ShotListLinks


class ShotListEntry(JobStatus):
    """A list of shots in the list of them."""

    progress: ShotListProgress
    links: ShotListLinks


class ShotListProvenance(Checked):
    """What the shots were made whole with."""

    benches: list[BenchUsed] = Field(description="Benches that they named; their revisions stay with the list.")


class ShotListDetail(ShotListEntry):
    """A list of shots as it stands."""

    vary: list[Variation] = Field(description="What is varied; empty where the shots were given one by one.")
    provenance: ShotListProvenance
    cautions: list[str]


class ShotListPage(Checked):
    """A page of lists, newest first."""

    items: list[ShotListEntry]
    next_cursor: str | None = Field(description="Give it as `cursor` for the next page; null on the last one.")


class ShotRow(Checked):
    """One shot of a list."""

    number: int = Field(description="Its place in the list, from 0.")
    state: ShotState = Field(
        description="`failed`: given up, see `failure`; `skipped`: the list was cancelled before its turn."
    )
    varied: dict[str, Value] = Field(description="What it has in the varied places, by pointer.")
    status: Status | None = Field(description="How the run ended; null until it has.")
    advice: str | None = Field(description="What the status means and what to try.")
    summary: Summary | None = Field(description="Null until it has run, and when the run did not converge.")
    ratings: list[Rating] = Field(description="The limits of the shot.")
    exceeded: str = Field(description="Names of the limits that it exceeds, with a space between.")
    attempts_count: int = Field(description="How often it was begun.")
    failure: str | None = Field(description="Why it was given up.")
    link: str = Field(description="The whole shot and its series.")


class ShotRows(Checked):
    """A page of the shots of a list, by number."""

    items: list[ShotRow]
    next_cursor: str | None = Field(description="Give it as `cursor` for the next page; null on the last one.")


class ShotDetail(Checked):
    """One shot of a list in full."""

    row: ShotRow
    shot: Shot = Field(description="The input with every default filled in.")
    result: ShotResult | None = Field(description="The shot, run again; null unless it is finished.")


class ShotRowQuery(BaseModel):
    """Paging and format of the shots of a list."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    limit: int = Field(ge=1, le=1000, default=50, description="Most entries on a page.")
    cursor: str | None = Field(max_length=500, default=None, description="`next_cursor` of the page before.")
    format: Literal["json", "csv"] | None = Field(default=None, description="Wins over the Accept header.")


def links_of(list_id: str) -> ShotListLinks:
    """Addresses of a list's resources, relative to the service."""
    base = f"{PATH}/{list_id}"
    return ShotListLinks(self=base, shots=f"{base}/shots", cancel=f"{base}/cancel")


def entry_of(found: ShotList) -> ShotListEntry:
    """A list's line among others."""
    return ShotListEntry.model_validate(_status_of(found))


def detail_of(found: ShotList) -> ShotListDetail:
    """A list with everything but its shots."""
    provenance = ShotListProvenance(benches=found.benches)
    own = {"vary": found.vary, "provenance": provenance, "cautions": list(CAUTIONS)}
    return ShotListDetail.model_validate({**_status_of(found), **own})


def _status_of(found: ShotList) -> dict[str, object]:
    block = {name: getattr(found, name) for name in JobStatus.model_fields if name != "status"}
    return {**block, "status": found.state, "progress": found.progress, "links": links_of(found.id)}


def row_of(found: ShotList, number: int, outcome: ShotOutcome | None) -> ShotRow:
    """One shot's line."""
    base = {"number": number, "varied": values_of(found.vary, number), "link": f"{PATH}/{found.id}/shots/{number}"}
    if outcome is None:
        state = "skipped" if found.ended else "waiting"
        blank = dict.fromkeys(("status", "advice", "summary", "failure"))
        return ShotRow.model_validate(
            {**base, **blank, "state": state, "ratings": [], "exceeded": "", "attempts_count": 0}
        )
    exceeded = " ".join(rating.name for rating in outcome.ratings if rating.exceeded)
    told = {name: getattr(outcome, name) for name in type(outcome).model_fields}
    return ShotRow.model_validate({**told, **base, "exceeded": exceeded})


def csv_of(vary: Sequence[Variation], rows: Iterable[ShotRow]) -> str:
    """The rows as CSV: a column for each varied pointer and each figure of the summary; ratings are left out."""
    own = ("status", "exceeded", "attempts_count", "failure", "link")
    columns = ("number", "state", *(variation.pointer for variation in vary), *own, *Summary.model_fields)
    return csv_text(columns, (_flat(row) for row in rows))


def _flat(row: ShotRow) -> dict[str, object]:
    figures = dict.fromkeys(Summary.model_fields) if row.summary is None else row.summary.model_dump()
    return {**row.model_dump(exclude={"summary", "varied"}), **row.varied, **figures}
