"""What the designs' endpoints answer with: the store's records, flat where a table is wanted, with links."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable

from pydantic import Field

from api.jobs import JobStatus, status_block
from api.table import csv_text
from physics.hazards import CAUTIONS
from physics.result import Rating, ShotResult
from physics.schema import Checked
from physics.shot import Fidelity
from physics.software import Software
from worker.bench import BenchUsed
from worker.budget import Budget
from worker.events import Content
from worker.records import (
    Candidate,
    Confirmation,
    Design,
    EndedBecause,
    FrontChange,
    GivenUp,
    JobState,
    Miss,
    Progress,
    Reason,
    Robustness,
    Status,
)
from worker.request import DesignRequest

PATH = "/v1/designs"


class DesignLinks(Checked):
    """Where to go from here."""

    self: str
    candidates: str
    front: str
    export: str
    events: str
    cancel: str
    continuation: str = Field(description="To post a larger budget to, once it has succeeded.")


class DesignAccepted(Checked):
    """The answer to a posted design."""

    id: str
    status: JobState
    links: DesignLinks


class DesignEntry(JobStatus):
    """A design in the list."""

    progress: Progress
    links: DesignLinks


class DesignList(Checked):
    """A page of designs, newest first."""

    items: list[DesignEntry]
    next_cursor: str | None = Field(description="Give it as `cursor` for the next page; null on the last one.")


class CandidateRow(Checked):
    """One finished trial, flat: the same names in JSON and in the header of the CSV."""

    number: int = Field(description="Its number within the design.")
    feasible: bool = Field(description="Reaches the target inside every limit.")
    on_front: bool = Field(description="No other feasible candidate is better in everything.")
    recommended: bool
    turns_count: int = Field(description="Turns in all layers together.")
    layers_count: int
    wire: str
    wire_diameter_m: float = Field(description="Bare diameter of the wire.")
    pitch_m: float = Field(description="Axial distance from turn to turn.")
    gap_m: float = Field(description="Gap, metal to metal.")
    former_wall_m: float = Field(description="Wall of the former chosen from stock; 0 where none was.")
    capacitance_farad: float
    capacitors_count: int = Field(description="Equal capacitors; 1 where the bank is given by its capacitance.")
    charge_voltage_v: float | None = Field(description="Solved voltage, or the last one tried.")
    stored_energy_j: float | None
    margin_ratio: float | None = Field(description="Least margin to a stated limit; null if none was rated.")
    final_outer_diameter_m: float | None
    peak_current_a: float | None
    confirmed_outer_diameter_m: float | None = Field(description="On the finest mesh; of the final front only.")
    numerical_error_m: float | None = Field(description="What mesh and step may move that diameter by.")
    chance_ratio: float | None = Field(
        description="Chance to land within the tolerance with the request's spreads; of the final front only."
    )
    chance_error_ratio: float | None = Field(description="Standard error of that chance.")
    spread_m: float | None = Field(
        description="Standard deviation of the final diameter with the request's spreads; of the final front only."
    )
    largest_spread: str | None = Field(description="The spread that makes most of the variance of the final diameter.")
    voltage_trim_ratio: float | None = Field(description="Relative change of the voltage that centres the diameters.")
    violation_ratio: float = Field(description="How far off; 0 when feasible.")
    reason: Reason | None = Field(description="Why it is not feasible.")
    explanation: str | None = Field(description="The reason in words.")
    fidelity: Fidelity
    shots_count: int = Field(description="Model runs spent on it.")
    link: str = Field(description="Its whole shot and series.")


class CandidateList(Checked):
    """A page of candidates in the order they arrived; those of the front by stored energy."""

    items: list[CandidateRow]
    next_cursor: str | None = Field(description="Give it as `cursor` for the next page; null on the last one.")


class CandidateDetail(Checked):
    """A candidate with its whole shot."""

    candidate: CandidateRow
    ratings: list[Rating] = Field(description="Every limit of the design, what the shot takes of it, and what is left.")
    confirmation: Confirmation | None = Field(description="The shot on the finest mesh; of the final front only.")
    robustness: Robustness | None = Field(
        description="What becomes of it when things stray as the request's `spreads` say; of the final front only."
    )
    result: ShotResult | None = Field(description="The shot, run again; null if no voltage was tried.")


class RecommendedCandidate(Checked):
    """The one candidate to build first, and why."""

    candidate: CandidateRow
    reason: str
    confirmation: Confirmation | None = Field(description="The same shot on the finest mesh.")
    robustness: Robustness | None = Field(description="Its chance to land within the tolerance, and what matters.")


class LimitingFactors(Checked):
    """What stands in the way when nothing is feasible, and what would have to give."""

    misses: list[Miss]
    nearest: CandidateRow | None = Field(description="The trial that came closest.")
    advice: str


class DesignProvenance(Checked):
    """What the request was made whole with."""

    bench: BenchUsed | None = Field(description="The bench that it named; its revision stays with the design.")
    software: Software | None = Field(description="Program, model and data that accepted it; null before version 0.5.")
    request_sha256: str = Field(description="Digest of the request with every default filled in.")


class DesignDetail(JobStatus):
    """A design as it stands."""

    progress: Progress
    best: CandidateRow | None = Field(description="Feasible candidate of least stored energy so far.")
    front_count: int = Field(description="Candidates on the trade-off front.")
    recommended: RecommendedCandidate | None = Field(description="Null while running, or when nothing is feasible.")
    limiting: LimitingFactors | None = Field(description="Filled when the design ended with nothing feasible.")
    given_up: list[GivenUp] = Field(description="The first islands that were given up, with the shot they died of.")
    ended_because: EndedBecause | None = Field(description="Null while it is active.")
    ending: str | None = Field(description="The same in words.")
    request: DesignRequest = Field(description="The request with every default filled in.")
    provenance: DesignProvenance
    continuations: list[Budget] = Field(description="Budgets that it was continued with since.")
    cautions: list[str]
    links: DesignLinks


class DesignStatus(JobStatus):
    """`data` of the event `status`: the design's state, and in the end why."""

    ended_because: EndedBecause | None = Field(description="Null while it is active.")
    ending: str | None = Field(description="The same in words.")
    links: DesignLinks


class FrontNumbers(Checked):
    """`data` of the event `front`: the trade-off front after a round."""

    round_number: int
    numbers: list[int] = Field(description="Candidates on it, least stored energy first.")
    link: str = Field(description="Their rows.")


def links_of(design_id: str) -> DesignLinks:
    """Addresses of a design's resources, relative to the service."""
    base = f"{PATH}/{design_id}"
    return DesignLinks(
        self=base,
        candidates=f"{base}/candidates",
        front=f"{base}/candidates?only=front",
        export=f"{base}/export",
        events=f"{base}/events",
        cancel=f"{base}/cancel",
        continuation=f"{base}/continue",
    )


def entry_of(design: Design) -> DesignEntry:
    """A design's line in the list."""
    return DesignEntry(
        id=design.id,
        name=design.request.name,
        status=design.state,
        progress=design.progress,
        failure=design.failure,
        created_at=design.created_at,
        started_at=design.started_at,
        finished_at=design.finished_at,
        expires_at=design.expires_at,
        links=links_of(design.id),
    )


def row_of(design: Design, candidate: Candidate) -> CandidateRow:
    """A candidate's line in the table."""
    recommended = design.recommended.candidate.number if design.recommended else None
    return _row(
        design.id,
        candidate,
        on_front=candidate.number in design.front_numbers,
        recommended=candidate.number == recommended,
    )


def _row(design_id: str, candidate: Candidate, *, on_front: bool, recommended: bool) -> CandidateRow:
    chosen, weighed = candidate.parameters, candidate.objectives
    confirmed, strays = candidate.confirmation, candidate.robustness
    return CandidateRow(
        number=candidate.number,
        feasible=candidate.feasible,
        on_front=on_front,
        recommended=recommended,
        turns_count=chosen.turns_count,
        layers_count=chosen.layers_count,
        wire=chosen.wire,
        wire_diameter_m=chosen.wire_diameter_m,
        pitch_m=chosen.pitch_m,
        gap_m=chosen.gap_m,
        former_wall_m=chosen.former_wall_m,
        capacitance_farad=chosen.capacitance_farad,
        capacitors_count=chosen.capacitors_count,
        charge_voltage_v=candidate.charge_voltage_v,
        stored_energy_j=weighed.stored_energy_j if weighed else None,
        margin_ratio=weighed.margin_ratio if weighed else None,
        final_outer_diameter_m=candidate.final_outer_diameter_m,
        peak_current_a=candidate.peak_current_a,
        confirmed_outer_diameter_m=confirmed.final_outer_diameter_m if confirmed else None,
        numerical_error_m=confirmed.numerical_error_m if confirmed else None,
        chance_ratio=strays.chance_ratio if strays else None,
        chance_error_ratio=strays.chance_error_ratio if strays else None,
        spread_m=strays.spread_m if strays else None,
        largest_spread=strays.ranking[0].spread if strays and strays.ranking else None,
        voltage_trim_ratio=strays.voltage_trim_ratio if strays else None,
        violation_ratio=candidate.violation_ratio,
        reason=candidate.reason,
        explanation=candidate.explanation,
        fidelity=candidate.fidelity,
        shots_count=candidate.shots_count,
        link=f"{PATH}/{design_id}/candidates/{candidate.number}",
    )


def event_data_of(design_id: str, content: Content) -> Checked:
    """What an event carries as `data`. A candidate is told when it gets on the front, before any is recommended."""
    if isinstance(content, Candidate):
        return _row(design_id, content, on_front=True, recommended=False)
    if isinstance(content, FrontChange):
        link = links_of(design_id).front
        return FrontNumbers(round_number=content.round_number, numbers=content.numbers, link=link)
    if isinstance(content, Status):
        why = {"ended_because": content.ended_because, "ending": content.ending}
        return DesignStatus.model_validate({**status_block(content), **why, "links": links_of(design_id)})
    return content


def csv_of(rows: Iterable[CandidateRow], *, header: bool = True) -> str:
    """The rows as CSV."""
    columns = tuple(CandidateRow.model_fields)
    return csv_text(columns, ({name: getattr(row, name) for name in columns} for row in rows), header=header)


def detail_of(design: Design) -> DesignDetail:
    """A design with everything but its candidates."""
    return DesignDetail(
        id=design.id,
        name=design.request.name,
        status=design.state,
        progress=design.progress,
        best=row_of(design, design.best) if design.best else None,
        front_count=len(design.front_numbers),
        recommended=_recommended_of(design),
        limiting=_limiting_of(design),
        failure=design.failure,
        given_up=design.given_up,
        ended_because=design.ended_because,
        ending=design.ending,
        created_at=design.created_at,
        started_at=design.started_at,
        finished_at=design.finished_at,
        expires_at=design.expires_at,
        request=design.request,
        provenance=DesignProvenance(
            bench=design.bench,
            software=design.software,
            request_sha256=hashlib.sha256(design.request.model_dump_json().encode()).hexdigest(),
        ),
        continuations=design.continuations,
        cautions=list(CAUTIONS),
        links=links_of(design.id),
    )


def _recommended_of(design: Design) -> RecommendedCandidate | None:
    choice = design.recommended
    if choice is None:
        return None
    return RecommendedCandidate(
        candidate=row_of(design, choice.candidate),
        reason=choice.reason,
        confirmation=choice.confirmation,
        robustness=choice.candidate.robustness,
    )


def _limiting_of(design: Design) -> LimitingFactors | None:
    limiting = design.limiting
    if limiting is None:
        return None
    nearest = row_of(design, limiting.nearest) if limiting.nearest else None
    return LimitingFactors(misses=limiting.misses, nearest=nearest, advice=limiting.advice)
