"""A list of shots run as one job: what is asked, which shots it comes to, and what is kept of each."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from itertools import product
from math import prod
from typing import Annotated, Any, Literal

from pydantic import Field, TypeAdapter, ValidationError, model_validator

from physics.result import Rating, Status, Summary
from physics.schema import UNIT_OF_POINTER, Checked, FieldProblem, field_problems
from physics.shot import Shot
from worker.bench import AskedShot, BenchRevision, BenchUsed, NamedBench, ShotOnBench
from worker.errors import InputRefused
from worker.records import TERMINAL_STATES, JobProgress, JobState

MOST_SHOTS = 1000
MOST_VARIED = 8
#: Shots of a slice, which is one task; fewer in a short list, so that all workers take part.
MOST_IN_SLICE = 25
LEAST_SLICES = 8

#: A value that a sweep can put in the place of another.
Value = Annotated[
    bool | int | float | Annotated[str, Field(max_length=200)], Field(json_schema_extra={"x-unit": UNIT_OF_POINTER})
]
ShotState = Literal["waiting", "finished", "failed", "skipped"]
FindBench = Callable[[NamedBench], BenchRevision]

_ASKED: TypeAdapter[Shot | ShotOnBench] = TypeAdapter(AskedShot)


class BenchesOnce:
    """Finds each bench once, so that all shots of a list which name it take the same revision."""

    def __init__(self, find_bench: FindBench) -> None:
        self._find = find_bench
        self._known: dict[tuple[str, int | None], BenchRevision] = {}

    def __call__(self, asked: NamedBench) -> BenchRevision:
        """The bench that a request names. Raises InputRefused when there is none."""
        key = asked.bench_id, asked.bench_revision
        if key not in self._known:
            self._known[key] = self._find(asked)
        return self._known[key]

    @property
    def used(self) -> list[BenchUsed]:
        """The benches that were found, each revision once."""
        return list({(found.id, found.revision): found.used for found in self._known.values()}.values())


class Variation(Checked):
    """One value of the shot that takes several values in turn."""

    pointer: str = Field(
        pattern=r"^(/[^/]+)+$",
        max_length=200,
        description="JSON pointer (RFC 6901) into the shot; the unit is the end of its last name.",
        examples=["/bank/charge_voltage_v"],
    )
    values: Annotated[list[Value], Field(min_length=1, max_length=MOST_SHOTS)] = Field(
        description="What it takes, in this order.", examples=[[5000.0, 6000.0, 7000.0]]
    )


class ShotListRequest(Checked):
    """Either the shots one by one, or one shot and what is to be varied in it, of which every combination is run."""

    name: str = Field(default="", max_length=120, description="A label of your own.")
    shots: Annotated[list[AskedShot], Field(min_length=1, max_length=MOST_SHOTS)] | None = Field(
        default=None, description="The shots, which are numbered from 0 in this order."
    )
    shot: AskedShot | None = Field(default=None, description="The shot that is varied.")
    vary: Annotated[list[Variation], Field(max_length=MOST_VARIED)] = Field(
        default_factory=list, description="The last one changes fastest with the shots' numbers."
    )

    @model_validator(mode="after")
    def _one_of_two(self) -> ShotListRequest:
        if (self.shots is None) == (self.shot is None):
            raise ValueError("give either shots, or shot with vary")
        if (self.shot is None) != (not self.vary):
            raise ValueError("vary belongs to shot: give what is varied with it")
        count = combinations(self.vary)
        if count > MOST_SHOTS:
            raise ValueError(f"vary makes {count} combinations; allowed range 1 to {MOST_SHOTS}")
        return self


class ShotOutcome(Checked):
    """What became of one shot of a list."""

    number: int
    state: Literal["finished", "failed"]
    status: Status | None = None
    advice: str | None = None
    summary: Summary | None = None
    ratings: list[Rating] = Field(default_factory=list)
    attempts_count: int
    failure: str | None = None


class ShotListProgress(JobProgress):
    """How far a list of shots has come. No count ever goes back."""

    finished_shots_count: int = Field(description="Shots that have a result, whatever its status.")
    failed_shots_count: int = Field(description="Shots that were given up; each says why.")
    shots_count: int = Field(description="Shots of the list.")


class ShotList(Checked):
    """A list of shots as it stands."""

    id: str
    name: str
    state: JobState
    progress: ShotListProgress
    failure: str | None
    vary: list[Variation]
    benches: list[BenchUsed]
    created_at: datetime
    started_at: datetime | None
    finished_at: datetime | None
    expires_at: datetime | None

    @property
    def ended(self) -> bool:
        """True when nothing more will change."""
        return self.state in TERMINAL_STATES


def combinations(vary: Sequence[Variation]) -> int:
    """How many shots the variations make together."""
    return prod(len(variation.values) for variation in vary)


def values_of(vary: Sequence[Variation], number: int) -> dict[str, Value]:
    """What a shot of a sweep has in the varied places, by pointer."""
    found: dict[str, Value] = {}
    for variation in reversed(vary):
        number, place = divmod(number, len(variation.values))
        found[variation.pointer] = variation.values[place]
    return {variation.pointer: found[variation.pointer] for variation in vary}


def slice_size(count: int) -> int:
    """Shots of each slice of a list of so many: a matter of the list alone."""
    return min(MOST_IN_SLICE, -(-count // LEAST_SLICES))


def shots_of(request: ShotListRequest, find_bench: FindBench) -> list[Shot]:
    """Every shot of a request, whole and checked. Raises InputRefused, with pointers into the request."""
    if request.shots is not None:
        return _each_of(request.shots, find_bench)
    assert request.shot is not None
    return _varied(request.shot, request.vary, find_bench)


def _each_of(shots: Sequence[Shot | ShotOnBench], find_bench: FindBench) -> list[Shot]:
    found, problems = [], []
    for number, shot in enumerate(shots):
        try:
            found.append(_resolved(shot, find_bench))
        except InputRefused as error:
            problems += [_moved(problem, f"/shots/{number}{problem.pointer}") for problem in error.problems]
    if problems:
        raise InputRefused(problems)
    return found


def _varied(base: Shot | ShotOnBench, vary: Sequence[Variation], find_bench: FindBench) -> list[Shot]:
    body = base.model_dump(mode="json")
    problems = [
        FieldProblem(f"/vary/{place}/pointer", f"{variation.pointer[:60]} is no place in the shot")
        for place, variation in enumerate(vary)
        if not _has(body, variation.pointer)
    ]
    if problems:
        raise InputRefused(problems)
    found, refused = [], dict[str, FieldProblem]()
    for places in product(*(range(len(variation.values)) for variation in vary)):
        for variation, place in zip(vary, places, strict=True):
            _put(body, variation.pointer, variation.values[place])
        try:
            found.append(_resolved(_ASKED.validate_python(body), find_bench))
        except ValidationError as error:
            for problem in field_problems(error, AskedShot):
                moved = _in_sweep(problem, vary, places)
                refused.setdefault(moved.pointer + moved.detail, moved)
        except InputRefused as error:
            for problem in error.problems:
                moved = _in_sweep(problem, vary, places)
                refused.setdefault(moved.pointer + moved.detail, moved)
    if refused:
        raise InputRefused(refused.values())
    return found


def _resolved(shot: Shot | ShotOnBench, find_bench: FindBench) -> Shot:
    return shot if isinstance(shot, Shot) else shot.resolved(find_bench(shot))


def _in_sweep(problem: FieldProblem, vary: Sequence[Variation], places: Sequence[int]) -> FieldProblem:
    """The problem at the value that makes it, or at `vary` when it takes several values, or the shot, to make it."""
    for index, (variation, place) in enumerate(zip(vary, places, strict=True)):
        if variation.pointer == problem.pointer:
            return _moved(problem, f"/vary/{index}/values/{place}")
    values = ", ".join(f"{v.pointer} {v.values[place]!s:.40}" for v, place in zip(vary, places, strict=True))
    return FieldProblem(
        "/vary", f"with {values}: {problem}", problem.unit, problem.minimum, problem.maximum, problem.hint
    )


def _moved(problem: FieldProblem, pointer: str) -> FieldProblem:
    return FieldProblem(pointer, problem.detail, problem.unit, problem.minimum, problem.maximum, problem.hint)


def _steps(pointer: str) -> Iterator[str]:
    return (step.replace("~1", "/").replace("~0", "~") for step in pointer.split("/")[1:])


def _place_of(body: Any, steps: Sequence[str]) -> Any:
    """What stands at the end of the steps; raises LookupError when they lead nowhere."""
    for step in steps:
        body = body[_key_in(body, step)]
    return body


def _key_in(place: Any, step: str) -> Any:
    """The step as a key of what it leads into; raises LookupError when there is no such place."""
    key: Any = int(step) if isinstance(place, list) and step.isascii() and step.isdecimal() else step
    if not (isinstance(place, dict) and key in place) and not (isinstance(place, list) and key in range(len(place))):
        raise LookupError(step)
    return key


def _has(body: Any, pointer: str) -> bool:
    try:
        _place_of(body, list(_steps(pointer)))
    except LookupError:
        return False
    return True


def _put(body: Any, pointer: str, value: Value) -> None:
    *steps, last = _steps(pointer)
    place = _place_of(body, steps)
    place[_key_in(place, last)] = value
