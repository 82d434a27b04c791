"""A design looked at before it is sent: with every default filled in, told in plain words, with what to think over."""

from __future__ import annotations

from collections.abc import Iterator

from pydantic import Field

from physics.limits import Limits
from physics.schema import Checked, unit_of
from physics.wires import wire
from worker import words
from worker.bench import BenchUsed
from worker.request import DesignRequest
from worker.search_space import SearchSpace

#: A target below this share of the first diameter is rarely reached before the part is crushed, or the coil gone.
_STRONG_RATIO = 0.6
#: With fewer trials a front is rarely settled (measured over six requests, see DEVELOPERS.md).
_FEW_TRIALS = 60


class DesignCheck(Checked):
    """What would be searched."""

    request: DesignRequest = Field(description="The request with bench and every default filled in.")
    bench: BenchUsed | None = Field(description="The bench that it names, in the revision that would be used.")
    summary: list[str] = Field(description="What will be searched, in plain words.")
    remarks: list[str] = Field(description="What to think over before it is sent; empty when nothing is.")


def told(request: DesignRequest, bench: BenchUsed | None) -> DesignCheck:
    """The request in words."""
    return DesignCheck(request=request, bench=bench, summary=list(_summary(request)), remarks=list(_remarks(request)))


def _summary(request: DesignRequest) -> Iterator[str]:
    part = request.workpiece
    metals = " / ".join(_metal(layer.material) for layer in part.layers)
    yield (
        f"Bring a {part.shape} of {metals}, {words.length(part.outer_diameter_m)} across and "
        f"{words.length(part.thickness_m)} thick, to {words.length(request.target_diameter_m)} within "
        f"{words.length(request.target.tolerance_m)}."
    )
    yield "Vary " + ", ".join(_varied(request.search)) + "; the charge voltage is solved for each."
    yield "Stay within " + ", ".join(_limits(request.limits)) + "."
    yield f"{_budget(request)} Wanted: little stored energy, little voltage, much margin."


def _metal(material: object) -> str:
    return material.replace("_", " ") if isinstance(material, str) else "a metal of your own"


def _span(low: str, high: str) -> str:
    return low if low == high else f"{low} to {high}"


def _varied(search: SearchSpace) -> Iterator[str]:
    turns, layers, pitch = search.turns, search.layers, search.pitch
    yield f"{_span(str(turns.low_count), str(turns.high_count))} turns"
    if layers.high_count > 1:
        yield f"in {_span(str(layers.low_count), str(layers.high_count))} layers"
    if pitch.high_ratio > 1.0:
        yield f"a pitch of {_span(f'{pitch.low_ratio:g}', f'{pitch.high_ratio:g}')} times the close one"
    bare = sorted(wire(name).diameter_m for name in search.wires)
    many = len(bare)
    yield f"{many} {'wire' if many == 1 else 'wires'} of {_span(words.length(bare[0]), words.length(bare[-1]))}"
    if search.gap is not None:
        yield f"a gap of {_span(words.length(search.gap.low_m), words.length(search.gap.high_m))}"
    if search.formers is not None:
        walls = sorted(search.formers.walls_m)
        yield f"{len(walls)} former walls of {_span(words.length(walls[0]), words.length(walls[-1]))}"
    if search.capacitance is not None:
        bank = search.capacitance
        yield f"a bank of {_span(words.capacitance(bank.low_farad), words.capacitance(bank.high_farad))}"
    if search.capacitors is not None:
        each = search.capacitors
        count = _span(str(each.low_count), str(each.high_count))
        yield f"{count} capacitors of {words.capacitance(each.each_farad)}"


def _limits(limits: Limits) -> Iterator[str]:
    for name, value in limits.model_dump(exclude_none=True).items():
        unit = unit_of(name) or "1"
        shown = words.share(value) if name.endswith("_ratio") else words.quantity(value, unit if unit != "1" else "")
        yield f"{shown.strip()} of {_name(name)}"


def _name(name: str) -> str:
    """A field's name without its unit: `peak_current_a` is a peak current."""
    unit_words = name.rpartition("_")[0]
    return unit_words.replace("_", " ")


def _budget(request: DesignRequest) -> str:
    if request.budget_trials_count is not None:
        return f"{request.budget_trials_count} trials."
    if request.finish_by_at is not None:
        return f"As many trials as end by {request.finish_by_at:%Y-%m-%d %H:%M} UTC."
    return f"As many trials as end within {words.duration(request.budget_duration_s or 0.0)}."


def _remarks(request: DesignRequest) -> Iterator[str]:
    share = request.target_diameter_m / request.workpiece.outer_diameter_m
    if share < _STRONG_RATIO:
        yield (
            f"The target is {words.share(share)} of the first diameter. So strong a shrink is far outside the data of "
            "strength; expect few feasible trials, and trust sizes less."
        )
    if request.limits.peak_current_a is None:
        yield "No limit of the current is stated: what switch and capacitors bear is not looked at."
    if request.bench.surroundings.barrier is None:
        yield "No barrier is stated: no candidate can be said to be contained."
    trials = request.budget_trials_count
    if trials is not None and trials < _FEW_TRIALS:
        yield f"{trials} trials are few; {_FEW_TRIALS * 4} usually settle the front."
    if request.target.tolerance_m < 3.0 * request.spreads.thickness_m:
        yield (
            f"A tolerance of {words.quantity(request.target.tolerance_m, 'm')} is close to what the "
            "part's own thickness strays by: few shots will land in it."
        )
