"""A record: a shot that was really fired, how it was set, and what was measured of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Annotated, Any

from pydantic import Field, ValidationError, model_validator

from physics.schema import Checked, FieldProblem, field_problems
from physics.shot import Shot
from worker.bench import AskedShot, BenchUsed
from worker.budget import ClockTime
from worker.errors import InputRefused
from worker.fits.measured import Sizes
from worker.kept_trace import InlineTrace, KeptTrace

MOST_PHOTOGRAPHS = 50


class CandidateFired(Checked):
    """A candidate of a design, built and fired."""

    design_id: str = Field(min_length=1, max_length=64, description="Id of the design.")
    number: int = Field(ge=0, le=10**9, description="Number of its candidate.")


class BenchFired(Checked):
    """The bench that a shot was fired on."""

    id: str = Field(min_length=1, max_length=64, description="Id of a bench; see /v1/benches.")
    revision: int | None = Field(ge=1, le=10**6, default=None, description="Its revision; null: the latest.")


class Setting(Checked):
    """What was really set and built; where it is null, what was planned holds."""

    charge_voltage_v: float | None = Field(
        ge=1.0, le=1e5, default=None, description="As read from the meter when the switch closed.", examples=[6400.0]
    )
    capacitance_farad: float | None = Field(ge=1e-7, le=2e-2, default=None, description="Of the bank as it was set.")
    gap_m: float | None = Field(ge=1e-4, le=2e-2, default=None, description="As built, metal to metal.")
    outer_diameter_m: float | None = Field(ge=2e-3, le=0.3, default=None, description="Of the part before the shot.")
    inner_diameter_m: float | None = Field(ge=0.0, le=0.299, default=None, description="Of the part before the shot.")
    thickness_m: float | None = Field(ge=1e-4, le=0.9, default=None, description="Of the part before the shot.")


#: Where in a shot each setting has its place.
_PLACES: dict[str, tuple[str, ...]] = {
    "charge_voltage_v": ("bank", "charge_voltage_v"),
    "capacitance_farad": ("bank", "capacitance_farad"),
    "gap_m": ("gap_m",),
    "outer_diameter_m": ("workpiece", "outer_diameter_m"),
    "inner_diameter_m": ("workpiece", "inner_diameter_m"),
    "thickness_m": ("workpiece", "thickness_m"),
}


class RecordRequest(Checked):
    """What is told of a fired shot. Which shot it was is told by `shot_of` or `shot`."""

    name: str = Field(default="", max_length=120, description="A label of your own.", examples=["blank 12"])
    shot_of: CandidateFired | None = Field(default=None, description="The candidate that was built and fired.")
    shot: AskedShot | None = Field(default=None, description="The shot itself, whole or on a named bench.")
    bench: BenchFired | None = Field(
        default=None,
        description="The bench that it was fired on, whose circuit then takes the place of the shot's. Null: the one "
        "that shot or design name, if any. Only records of a bench can be fitted.",
    )
    set: Setting = Field(default_factory=Setting, description="What was set and built.")
    fired_at: ClockTime = Field(description="When it was fired.", examples=["2026-03-01T14:05:00Z"])
    sizes: Sizes = Field(default_factory=Sizes, description="Sizes of the part after the shot.")
    burst_time_s: float | None = Field(
        gt=0.0, le=1e-2, default=None, description="When the coil was seen to burst, from the start of the current."
    )
    notes: str = Field(default="", max_length=4000, description="Whatever else was seen.")
    photographs: Annotated[
        list[Annotated[str, Field(min_length=1, max_length=500)]], Field(max_length=MOST_PHOTOGRAPHS)
    ] = Field(default_factory=list, description="Where they are: addresses or names of files; they are not kept here.")
    trace: InlineTrace | None = Field(
        default=None, description="The current, if it is short; a file goes to the record's `trace` afterwards."
    )
    supersedes: str | None = Field(
        min_length=1, max_length=64, default=None, description="Id of the record that this one takes the place of."
    )

    @model_validator(mode="after")
    def _one_shot(self) -> RecordRequest:
        if (self.shot_of is None) == (self.shot is None):
            raise ValueError("give exactly one of shot_of and shot")
        return self


class RecordContent(Checked):
    """What is kept of a record, apart from its trace."""

    name: str
    shot_of: CandidateFired | None
    bench: BenchUsed | None
    set: Setting
    shot: Shot = Field(description="The shot as it was fired: planned, on its bench, with what was set.")
    fired_at: ClockTime
    sizes: Sizes
    burst_time_s: float | None
    notes: str
    photographs: list[str]
    supersedes: str | None


class Record(Checked):
    """A record as it stands. Only its trace, and what takes its place, come to it later."""

    id: str
    created_at: datetime
    content: RecordContent
    trace: KeptTrace | None
    superseded_by: str | None


def fired_shot(planned: Shot, setting: Setting) -> Shot:
    """The planned shot with what was set. Raises InputRefused with pointers below `/set`."""
    body: dict[str, Any] = planned.model_dump(mode="json")
    for name, value in setting.model_dump(exclude_none=True).items():
        *parents, last = _PLACES[name]
        place = body
        for parent in parents:
            place = place[parent]
        place[last] = value
    try:
        return Shot.model_validate(body)
    except ValidationError as error:
        raise InputRefused(_in_setting(field_problems(error, Shot))) from error


def _in_setting(problems: Iterable[FieldProblem]) -> list[FieldProblem]:
    names: Mapping[str, str] = {"/" + "/".join(path): name for name, path in _PLACES.items()}
    return [
        FieldProblem(
            f"/set/{names[p.pointer]}" if p.pointer in names else "/set",
            p.detail if p.pointer in names else f"with it the shot is none: {p}",
            p.unit,
            p.minimum,
            p.maximum,
            p.hint,
        )
        for p in problems
    ]
