"""A fit as a job: what is asked, the records that it is made from, and what is kept of its answer."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

import numpy as np
from pydantic import Field, model_validator

from physics.schema import Checked
from physics.shot import Shot
from physics.software import Software
from worker.bench import BenchRevision, BenchUsed
from worker.budget import ClockTime
from worker.fits.estimate import MODEL_ERROR_RATIO
from worker.fits.measured import Floats, Measured, Sizes
from worker.fits.parameters import Priors
from worker.records import TERMINAL_STATES, JobProgress, JobState
from worker.request import Spreads
from worker.shot_record import BenchFired

#: With so many a fit takes under three minutes of one core, well below what a task may take.
MOST_RECORDS = 100

RecordId = Annotated[str, Field(min_length=1, max_length=64)]
Numbers = list[float]


class FitRequest(Checked):
    """Which records of a bench are to be explained, and how far what is stated of it may be off."""

    name: str = Field(default="", max_length=120, description="A label of your own.")
    bench: BenchFired = Field(description="The bench whose records they are; the revision is where the fit starts.")
    records: Annotated[list[RecordId], Field(min_length=1, max_length=MOST_RECORDS)] | None = Field(
        default=None, description=f"Ids of records. Null: the latest of the bench, {MOST_RECORDS} at most."
    )
    since: ClockTime | None = Field(
        default=None, description="Instead of `records`: only those fired at this time or later, RFC 3339."
    )
    priors: Priors = Field(default_factory=Priors, description="How far what is stated may be off.")
    model_error_ratio: float = Field(
        ge=1e-4,
        le=0.1,
        default=MODEL_ERROR_RATIO,
        description="What the model may be off itself, over the peak current.",
    )
    fidelity: Literal["screen", "design"] = Field(default="design", description="Mesh and step of the model's runs.")
    makes_revision: bool = Field(default=True, description="Whether the answer becomes the bench's next revision.")
    spreads: Spreads = Field(
        default_factory=Spreads,
        description="How shots of this bench stray from each other. Where they were fitted, what is left uncertain is "
        "added to those of gap, flow stress and resistivity, and takes the place of those of strays and capacitance.",
    )

    @model_validator(mode="after")
    def _one_choice(self) -> FitRequest:
        if self.records is not None and self.since is not None:
            raise ValueError("give at most one of records and since")
        if self.records is not None and len(set(self.records)) < len(self.records):
            raise ValueError("a record is named twice; it would count twice")
        return self


class FitRecord(Checked):
    """A record as a fit takes it: on the bench's circuit, its current averaged to a few hundred points."""

    id: str
    name: str
    shot: Shot
    sizes: Sizes
    time_s: Numbers
    current_a: Numbers
    noise_a: float
    start_error_s: float

    @classmethod
    def of(cls, record_id: str, label: str, found: Measured) -> FitRecord:
        """From what was measured."""
        return cls(
            id=record_id,
            name=label,
            shot=found.shot,
            sizes=found.sizes,
            time_s=found.time_s.tolist(),
            current_a=found.current_a.tolist(),
            noise_a=found.noise_a,
            start_error_s=found.start_error_s,
        )

    @property
    def measured(self) -> Measured:
        """As the fit itself takes it."""
        return Measured(
            self.id,
            self.shot,
            self.sizes,
            _column(self.time_s),
            _column(self.current_a),
            self.noise_a,
            self.start_error_s,
        )


class FitCase(Checked):
    """All that a fit needs, whatever becomes of bench and records meanwhile."""

    request: FitRequest
    bench: BenchRevision
    records: list[FitRecord]


class FittedQuantity(Checked):
    """One quantity of bench or part."""

    name: str
    unit: str = Field(description="UCUM code of the unit of all numbers here.")
    stated: float = Field(description="By the bench before the fit.")
    prior_error: float = Field(description="How far that was taken to be off, as standard deviation.")
    value: float = Field(description="After the fit.")
    error: float = Field(description="Its standard deviation.")
    kept_error_ratio: float = Field(description="Error after the fit over that before: 1 says that nothing was learnt.")


class Misfit(Checked):
    """How well one measurement of a record is explained."""

    record_id: str
    record_name: str
    measured: str = Field(description="`current`, or the name of a size.")
    misfit_ratio: float = Field(description="In standard deviations; of a current the root mean square.")
    weight_ratio: float = Field(description="Below 1: it was weighed down, as it does not fit the others.")


class Inseparable(Checked):
    """Two quantities of which only a combination is known."""

    one: str
    other: str
    correlation_ratio: float


class ExpectedError(Checked):
    """What would be left of an error."""

    name: str
    unit: str = Field(description="UCUM code.")
    error: float = Field(description="Standard deviation.")


class NextShot(Checked):
    """A shot inside the bench's limits, and what measuring it would leave of the uncertainty."""

    charge_voltage_v: float
    turns_count: int
    volume_ratio: float = Field(description="Volume of what is uncertain afterwards over what it is now.")
    expected_errors: list[ExpectedError]
    shot: Shot


class FitResult(Checked):
    """The answer."""

    quantities: list[FittedQuantity]
    correlation_ratio: list[Numbers] = Field(description="Of the errors, in the order of `quantities`.")
    probe_scale_ratio: float = Field(description="Measured current over the true one, common to all records.")
    probe_scale_error_ratio: float
    misfits: list[Misfit]
    chi_square_ratio: float = Field(description="Mean square misfit per degree of freedom; about 1 when all fits.")
    shots_count: int = Field(description="Model runs spent on it.")
    told: list[str] = Field(description="Quantities that the records tell.")
    untold: list[str] = Field(description="Quantities that they say next to nothing about.")
    inseparable: list[Inseparable]
    statement: str = Field(description="The same in words.")
    next_shots: list[NextShot] = Field(description="What to fire next in order to learn, best first.")
    makes_bench: BenchUsed | None = Field(description="The revision that it made, if one.")
    spreads: Spreads = Field(description="What a design on that revision strays by, unless it states its own.")
    remarks: list[str] = Field(description="What to know before these figures are used.")
    software: Software = Field(description="Program, model and data that it was made with.")


class FitOutcome(Checked):
    """How a fit ended."""

    result: FitResult | None = None
    failure: str | None = None
    attempts_count: int


class FitProgress(JobProgress):
    """How far a fit has come."""

    records_count: int = Field(description="Records that it is made from.")
    model_shots_count: int = Field(description="Model runs so far; some hundred a record are usual.")


class FitJob(Checked):
    """A fit as it stands."""

    id: str
    name: str
    state: JobState
    progress: FitProgress
    failure: str | None
    request: FitRequest
    bench: BenchUsed
    record_ids: list[str]
    result: FitResult | None
    created_at: datetime
    started_at: datetime | None
    finished_at: datetime | None
    expires_at: datetime | None

    @property
    def ended(self) -> bool:
        """True when nothing more will change."""
        return self.state in TERMINAL_STATES


def _column(numbers: Numbers) -> Floats:
    return np.array(numbers, dtype=np.float64)
