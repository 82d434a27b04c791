"""What the store keeps and hands out: designs, candidates, front and recommendation."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from pydantic import Field

from physics.schema import Checked
from physics.shot import Fidelity
from physics.wires import WireName
from worker.request import DesignRequest

DesignState = Literal["queued", "running", "cancelling", "succeeded", "failed", "cancelled"]
FinalState = Literal["succeeded", "failed", "cancelled"]
TERMINAL_STATES: frozenset[DesignState] = frozenset({"succeeded", "failed", "cancelled"})

#: Why a trial is not buildable inside the limits.
Reason = Literal[
    "voltage_limit",
    "energy_limit",
    "current_limit",
    "coil_bursts_first",
    "over_crushed",
    "bore_closed",
    "rim_extruded",
    "material_limit",
    "insulation_failed",
    "not_converged",
    "model_fault",
]


class Parameters(Checked):
    """What a trial chose; the wire's figures are kept with its name, so that a replay needs no stock list."""

    turns_count: int
    wire: WireName
    wire_diameter_m: float = Field(description="Bare diameter.")
    pitch_m: float = Field(description="Axial distance from turn to turn.")
    enamel_thickness_m: float = Field(description="Enamel, one side.")
    enamel_pair_breakdown_v: float | None = Field(description="Breakdown voltage of two films; null if not known.")
    gap_m: float = Field(description="Gap, metal to metal.")
    capacitance_farad: float


class Objectives(Checked):
    """The three things weighed against each other: little energy, little voltage, much margin."""

    stored_energy_j: float
    charge_voltage_v: float
    margin_ratio: float = Field(description="Least margin to any of the stated limits; negative when one is exceeded.")


class Candidate(Checked):
    """One finished trial. With the design's request it says everything needed to run its shot again."""

    number: int = Field(description="Fixed by the trial's place in the search, not by the order of arrival.")
    parameters: Parameters
    charge_voltage_v: float | None = Field(description="Solved voltage, or the last one tried; null if none was.")
    objectives: Objectives | None = Field(description="Null when no voltage reaches the target.")
    feasible: bool = Field(description="Reaches the target inside every limit.")
    reason: Reason | None = Field(description="Why it is not feasible.")
    explanation: str | None = Field(description="The reason in words, with numbers.")
    violation_ratio: float = Field(description="How far off, 0 when feasible: overshoot of a limit, or missing shrink.")
    final_outer_diameter_m: float | None = Field(description="Outer diameter at that voltage.")
    peak_current_a: float | None
    fidelity: Fidelity = Field(description="screen when searched; design when settled.")
    shots_count: int = Field(description="Model runs spent on it.")


class Confirmation(Checked):
    """The recommended shot run again on the finest mesh: a measure of the numerical error."""

    fidelity: Fidelity = "reference"
    final_outer_diameter_m: float
    difference_m: float = Field(description="This diameter minus the candidate's.")
    peak_current_a: float
    within_tolerance: bool = Field(description="Whether the target's tolerance holds here as well.")


class Recommendation(Checked):
    """The one candidate to build first, and why."""

    candidate: Candidate
    reason: str
    confirmation: Confirmation | None = Field(description="Null when the finest mesh gave no result.")


class Miss(Checked):
    """How often one reason stopped a trial."""

    reason: Reason
    trials_count: int


class Limiting(Checked):
    """What stands in the way when no candidate is feasible, and what would have to give."""

    misses: list[Miss] = Field(description="Reasons by how often they stopped a trial, most frequent first.")
    nearest: Candidate | None = Field(description="The trial that came closest.")
    advice: str


class Progress(Checked):
    """How far a design has come. Counts never go back."""

    finished_trials_count: int
    budget_trials_count: int
    feasible_trials_count: int
    lost_trials_count: int = Field(description="Trials given up because their island failed too often.")
    round_number: int = Field(description="Round under way or last run, from 0.")
    rounds_count: int
    islands_done_count: int = Field(description="Islands of that round that have ended.")
    islands_count: int = Field(description="Islands of that round.")
    queue_place: int | None = Field(description="1 is next; null once it has started.")
    heartbeat_at: datetime | None = Field(description="Last sign of life from a worker on this design.")


class Design(Checked):
    """One design as it stands."""

    id: str
    state: DesignState
    request: DesignRequest
    progress: Progress
    best: Candidate | None = Field(description="Feasible candidate of least stored energy so far.")
    front_numbers: list[int] = Field(description="Candidates on the trade-off front, least stored energy first.")
    recommended: Recommendation | None
    limiting: Limiting | None = Field(description="Filled when the design ended with nothing feasible.")
    failure: str | None = Field(description="Why the design failed or islands were lost, in plain words.")
    created_at: datetime
    started_at: datetime | None
    finished_at: datetime | None
    expires_at: datetime | None = Field(description="Until when the results are kept; null while it is active.")

    @property
    def ended(self) -> bool:
        """True when nothing more will change."""
        return self.state in TERMINAL_STATES


class CandidatePage(Checked):
    """A page of candidates in the order they arrived."""

    items: list[Candidate]
    next_cursor: str | None


class DesignPage(Checked):
    """A page of designs, newest first."""

    items: list[Design]
    next_cursor: str | None


class Submission(Checked):
    """The outcome of creating a design: its id, and whether this call made it."""

    design_id: str
    created: bool


class SlotName(Checked):
    """One piece of work: an island of a round, or the round's closing (`island` is null)."""

    design_id: str
    round: int
    island: int | None

    @property
    def key(self) -> str:
        """Its name within the design: '0/3', or '0/closing'."""
        return f"{self.round}/{'closing' if self.island is None else self.island}"


class Lease(Checked):
    """The right to work on a slot. `attempt` is the fence: a later lease makes an earlier one void."""

    slot: SlotName
    attempt: int


class Due(Checked):
    """A slot that has to be run now, and the state of its design."""

    slot: SlotName
    state: DesignState


class Ending(Checked):
    """What closing a round found. Without a `state` another round follows."""

    front_numbers: list[int]
    recommended: Recommendation | None
    limiting: Limiting | None
    failure: str | None
    state: FinalState | None
