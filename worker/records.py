"""What the store keeps and hands out: designs, candidates, front and recommendation."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from pydantic import Field

from physics.result import Rating
from physics.schema import Checked
from physics.shot import Fidelity, Shot
from physics.software import Software
from physics.wires import WireName
from worker.bench import BenchUsed
from worker.budget import Budget
from worker.request import DesignRequest

#: What the job of a list of shots, or of a fit, is called before its id; that of a design is called by its id alone.
LIST_PREFIX = "shot-list:"
FIT_PREFIX = "fit:"

JobKind = Literal["design", "shot list", "fit"]


def kind_of(job_id: str) -> JobKind:
    """Which kind of job it is, by what it is called."""
    if job_id.startswith(LIST_PREFIX):
        return "shot list"
    return "fit" if job_id.startswith(FIT_PREFIX) else "design"


JobState = Literal["queued", "running", "cancelling", "succeeded", "failed", "cancelled"]
FinalState = Literal["succeeded", "failed", "cancelled"]
EndedBecause = Literal["budget", "deadline", "front_still", "cancelled", "nothing_finished", "closing_failed"]
TERMINAL_STATES: frozenset[JobState] = frozenset({"succeeded", "failed", "cancelled"})

#: Why a trial is not buildable inside the limits.
Reason = Literal[
    "voltage_limit",
    "energy_limit",
    "current_limit",
    "capacitor_current_limit",
    "charge_limit",
    "reversal_limit",
    "debris_limit",
    "action_limit",
    "current_rise_limit",
    "life_limit",
    "leads_limit",
    "charger_limit",
    "bleed_limit",
    "room_limit",
    "barrier_limit",
    "insulation_limit",
    "coil_bursts_first",
    "over_crushed",
    "bore_closed",
    "rim_extruded",
    "material_limit",
    "insulation_failed",
    "not_converged",
    "model_fault",
    "not_confirmed",
]


class Parameters(Checked):
    """What a trial chose; the figures of wire, former and capacitors are kept, so that a replay needs no stock list."""

    turns_count: int = Field(description="Turns in all layers together.")
    layers_count: int = Field(default=1, description="Layers of the coil.")
    wire: WireName
    wire_diameter_m: float = Field(description="Bare diameter.")
    pitch_m: float = Field(description="Axial distance from turn to turn.")
    enamel_thickness_m: float = Field(description="Enamel, one side.")
    enamel_pair_breakdown_v: float | None = Field(description="Breakdown voltage of two films; null if not known.")
    gap_m: float = Field(description="Gap, metal to metal.")
    former_wall_m: float = Field(default=0.0, description="Wall of the former in that gap; 0 if not chosen from stock.")
    former_strength_v_per_m: float | None = Field(default=None, description="Its dielectric strength, if stated.")
    capacitance_farad: float = Field(description="Capacitance of the whole bank.")
    capacitors_count: int = Field(default=1, description="Equal capacitors in parallel.")
    capacitor_inductance_henry: float = Field(default=0.0, description="ESL of each.")
    capacitor_resistance_ohm: float = Field(default=0.0, description="ESR of each.")


class Objectives(Checked):
    """The three things weighed against each other: little energy, little voltage, much margin."""

    stored_energy_j: float
    charge_voltage_v: float
    margin_ratio: float = Field(description="Least margin to any of the stated limits; negative when one is exceeded.")


class Confirmation(Checked):
    """A candidate's shot run again on the finest mesh, and what the numerical error there is."""

    fidelity: Fidelity = "reference"
    final_outer_diameter_m: float
    difference_m: float = Field(description="This diameter minus the candidate's.")
    numerical_error_m: float = Field(default=0.0, description="What mesh and step may still move the diameter by.")
    peak_current_a: float
    within_tolerance: bool = Field(description="Whether the target's tolerance holds here as well.")
    ratings: list[Rating] = Field(default_factory=list, description="Each limit, rated by the finest mesh.")


class SpreadShare(Checked):
    """How much of the variance of the final diameter one spread makes."""

    spread: str = Field(description="The field of the request's `spreads`.")
    first_order_ratio: float = Field(description="Share of the variance that it makes alone (first-order index).")
    total_ratio: float = Field(description="The same with all its interactions (total index).")


class Robustness(Checked):
    """What becomes of a candidate when bench, coil and part stray as the request's `spreads` say."""

    chance_ratio: float = Field(description="Chance that the final diameter lands within the tolerance.")
    chance_error_ratio: float = Field(description="Standard error of that chance from the finite sample.")
    spread_m: float = Field(description="Standard deviation of the final diameter.")
    voltage_trim_ratio: float = Field(
        description="Relative change of the charge voltage that centres the final diameters on the target."
    )
    trimmed_chance_ratio: float = Field(description="The chance with that trim.")
    ranking: list[SpreadShare] = Field(description="Which spread matters, the largest total share first.")
    unexplained_ratio: float = Field(
        description="Share of the variance that the fit behind the shares does not reproduce; above 0.1 the ranking is "
        "rough, and the chance is counted from the shots themselves."
    )
    shots_count: int = Field(description="Model runs spent on it.")


class Candidate(Checked):
    """One finished trial. With the design's request it says everything needed to run its shot again."""

    number: int = Field(description="Fixed by the trial's place in the search, not by the order of arrival.")
    parameters: Parameters
    charge_voltage_v: float | None = Field(description="Solved voltage, or the last one tried; null if none was.")
    objectives: Objectives | None = Field(description="Null when no voltage reaches the target.")
    feasible: bool = Field(description="Reaches the target inside every limit.")
    reason: Reason | None = Field(description="Why it is not feasible.")
    explanation: str | None = Field(description="The reason in words, with numbers.")
    violation_ratio: float = Field(
        description="How far off, 0 when feasible: overshoot of the limits added up, or missing shrink."
    )
    final_outer_diameter_m: float | None = Field(description="Outer diameter at that voltage.")
    peak_current_a: float | None
    shrink_slope_ratio: float | None = Field(
        default=None, description="Relative rise of the shrink over that of the voltage, there; null if not known."
    )
    fidelity: Fidelity = Field(
        description="screen when searched; design when settled; reference when solved there again."
    )
    shots_count: int = Field(description="Model runs spent on it.")
    confirmation: Confirmation | None = Field(default=None, description="The finest mesh; on the final front only.")
    robustness: Robustness | None = Field(default=None, description="On the final front only.")


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


class JobProgress(Checked):
    """What there is to tell of the progress of any job."""

    queue_place: int | None = Field(description="1 is next, of all jobs; null once it has started.")
    heartbeat_at: datetime | None = Field(description="Last sign of life from a worker on this job.")
    repeats_count: int = Field(
        default=0, description="Pieces of work that were begun again, since whoever was at them fell silent."
    )


class Progress(JobProgress):
    """How far a design has come. Counts of finished and lost trials never go back."""

    finished_trials_count: int
    budget_trials_count: int | None = Field(description="Null when a time is the budget.")
    deadline_at: datetime | None = Field(description="Until when it may go on; null when trials are the budget.")
    feasible_trials_count: int = Field(description="May fall when a finer mesh contradicts a trial; the others do not.")
    lost_trials_count: int = Field(description="Trials given up because their island failed too often.")
    round_number: int = Field(
        description="Round under way or last run, from 0; after the last one of trials another confirms a longer front."
    )
    rounds_count: int | None = Field(description="Rounds of trials planned; null when a time is the budget.")
    still_rounds_count: int = Field(description="Rounds in a row, up to the last, that have not moved the front.")
    islands_done_count: int = Field(description="Islands of that round that have ended.")
    islands_count: int = Field(description="Islands of that round.")


class Confirming(Checked):
    """The round that confirms the final front: its islands have no trials, but points of the front to look at again."""

    numbers: list[list[int]] = Field(description="Candidates of each island.")
    because: EndedBecause = Field(description="Why the search ended before it.")


class Stage(Checked):
    """What one budget pays for: the first of a design, or one that it was raised to. Later rounds follow its rounds."""

    first_round: int
    first_number: int
    trials_count: int | None = Field(description="Null: standard rounds, for as long as the time allows.")
    confirming: Confirming | None = Field(default=None, description="Set when the stage is but that round.")


class Pace(Checked):
    """What decides whether another round is begun."""

    round_lengths_s: list[float] = Field(default_factory=list, description="How long the last few rounds took.")
    confirming_s: float | None = Field(default=None, description="What the end of the design takes; null if not known.")
    still_rounds_count: int = Field(default=0, description="Rounds in a row that have not moved the front.")
    dominated_ratio: float = Field(default=0.0, description="Share of the box of limits dominated when it last moved.")
    least_energy_j: float | None = Field(default=None, description="Least stored energy on the front then.")
    least_violation_ratio: float | None = Field(
        default=None, description="Nearest miss then, while nothing is feasible."
    )


class UnderWay(Checked):
    """The trial that an island was at, noted from its second attempt on."""

    trial_number: int | None = Field(description="Null: the best trials were being settled on a finer mesh.")
    shot: Shot = Field(description="The shot that was begun and, if the worker died of it, not ended.")


class GivenUp(Checked):
    """An island that ended its workers again and again."""

    round_number: int
    island_number: int
    attempts_count: int
    lost_trials_count: int
    under_way: UnderWay | None = Field(description="What the last attempt was at; null if it had not begun a shot.")


class Design(Checked):
    """One design as it stands."""

    id: str
    state: JobState
    request: DesignRequest
    continuations: list[Budget] = Field(description="Budgets that it was continued with after it had ended.")
    plan: list[Stage]
    pace: Pace
    round_began_at: datetime | None
    progress: Progress
    best: Candidate | None = Field(description="Feasible candidate of least stored energy so far.")
    bench: BenchUsed | None = Field(
        default=None, description="The bench that the request was resolved with, if it named one."
    )
    software: Software | None = Field(default=None, description="What it was accepted by; null before version 0.5.")
    front_numbers: list[int] = Field(description="Candidates on the trade-off front, least stored energy first.")
    recommended: Recommendation | None
    limiting: Limiting | None = Field(description="Filled when the design ended with nothing feasible.")
    failure: str | None = Field(description="Why the design failed or islands were lost, in plain words.")
    given_up: list[GivenUp] = Field(description="Islands that were given up, the first few.")
    ended_because: EndedBecause | None
    ending: str | None = Field(description="The same in words.")
    created_at: datetime
    started_at: datetime | None
    finished_at: datetime | None
    expires_at: datetime | None = Field(
        description="Until when the results are kept; null while it is active, or when it is kept for good."
    )

    @property
    def ended(self) -> bool:
        """True when nothing more will change."""
        return self.state in TERMINAL_STATES


class Status(Checked):
    """The state of a job, as far as it is told while it changes; why it ended is told of designs only."""

    id: str
    name: str
    state: JobState
    failure: str | None
    ended_because: EndedBecause | None = None
    ending: str | None = None
    created_at: datetime
    started_at: datetime | None
    finished_at: datetime | None
    expires_at: datetime | None

    @property
    def ended(self) -> bool:
        """True when nothing more will change."""
        return self.state in TERMINAL_STATES


class FrontChange(Checked):
    """The trade-off front after a round."""

    round_number: int
    numbers: list[int] = Field(description="Candidates on it, least stored energy first.")


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
    """One piece of work of a job: an island of a round, a slice of a list, a fit, or a round's closing."""

    job_id: str = Field(description="The id of a design, or `shot-list:` or `fit:` and the id of such a job.")
    round: int
    island: int | None = Field(description="Null: the closing.")

    @property
    def key(self) -> str:
        """Its name within the job: '0/3', or '0/closing'."""
        return f"{self.round}/{'closing' if self.island is None else self.island}"


class Lease(Checked):
    """The right to work on a slot. `attempt` is the fence: a later lease makes an earlier one void."""

    slot: SlotName
    attempt: int


class Due(Checked):
    """A slot that has to be run now, and the state of its job."""

    slot: SlotName
    state: JobState


class Ending(Checked):
    """What closing a round found. Without a `state` another round follows."""

    front_numbers: list[int]
    revised: list[Candidate] = Field(
        default_factory=list, description="Rows that take the place of earlier ones: confirmed, or dropped."
    )
    recommended: Recommendation | None
    limiting: Limiting | None
    pace: Pace = Field(default_factory=Pace)
    confirming: Confirming | None = Field(default=None, description="What the next round is, if it has no trials.")
    ended_because: EndedBecause | None
    ending: str | None = None
    state: FinalState | None
