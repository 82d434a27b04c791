"""A named bench, and requests that name it instead of repeating it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, TypeVar

from pydantic import Discriminator, Field, Tag, ValidationError, model_validator

from physics.limits import Limits
from physics.ratings import LOWEST
from physics.schema import Checked, FieldProblem, field_problems, unit_of
from physics.shot import Load, Shot
from worker.errors import InputRefused
from worker.request import Bench, DesignLimits, DesignRequest, Spreads, Task
from worker.search_space import CapacitanceRange, CapacitorStock, FormerStock, StatedSearch, WireStock

Model = TypeVar("Model", bound=Checked)


class BenchDescription(Bench):
    """What stands in the laboratory: bank, switch and leads, what they bear, and what is in stock."""

    name: str = Field(min_length=1, max_length=120, description="A label of your own.", examples=["bay 2"])
    notes: str = Field(default="", max_length=4000, description="Whatever its users should know.")
    capacitance: CapacitanceRange | None = Field(
        default=None, description="Capacitance of the bank; equal ends for one that is fixed."
    )
    capacitors: CapacitorStock | None = Field(default=None, description="Equal capacitors, instead of `capacitance`.")
    limits: DesignLimits
    wires: WireStock | None = Field(default=None, description="Stock of wires, by name; see /v1/wires.")
    formers: FormerStock | None = Field(default=None, description="Stock of formers.")
    spreads: Spreads | None = Field(
        default=None, description="How far shots stray here; a design that states spreads of its own keeps those."
    )
    fitted_from: str | None = Field(
        max_length=64, default=None, description="The fit that circuit, calibration and spreads are from."
    )

    @model_validator(mode="after")
    def _one_bank(self) -> BenchDescription:
        if self.capacitance is not None and self.capacitors is not None:
            raise ValueError("give at most one of capacitance and capacitors")
        return self

    @property
    def capacitance_range(self) -> CapacitanceRange | None:
        """What the bank can be set to; None where it is not stated."""
        return _range_of(self.capacitance, self.capacitors)

    @property
    def circuit(self) -> dict[str, object]:
        """Bank's strays, switch, leads and crowbar as JSON."""
        return self.model_dump(mode="json", include=set(Bench.model_fields))


class BenchUsed(Checked):
    """The bench that a request was resolved with."""

    id: str
    revision: int = Field(description="Revision of its description, from 1.")
    name: str


class BenchRevision(Checked):
    """One revision of a bench, which is never changed."""

    id: str
    revision: int = Field(description="Revision of the description, from 1.")
    created_at: datetime
    revised_at: datetime
    bench: BenchDescription

    @property
    def used(self) -> BenchUsed:
        """How a request that was resolved with it tells so."""
        return BenchUsed(id=self.id, revision=self.revision, name=self.bench.name)


class NamedBench(Checked):
    """The bench that a request stands on."""

    bench_id: str = Field(min_length=1, max_length=64, description="Id of a bench; see /v1/benches.")
    bench_revision: int | None = Field(ge=1, le=10**6, default=None, description="Its revision; null: the latest.")


def _names_bench(body: object) -> str:
    """Which of the two kinds of request a body is."""
    named = "bench_id" in body if isinstance(body, Mapping) else isinstance(body, NamedBench)
    return "OnBench" if named else "Whole"


class DesignOnBench(Task, NamedBench):
    """One search on a named bench. What is stated of limits may tighten the bench's, never loosen them.

    Capacitance, wires and formers are the bench's unless `search` states its own, and so is each of its spreads.
    """

    limits: Limits = Field(default_factory=Limits, description="Tighter than the bench's, where stated.")
    search: StatedSearch

    def resolved(self, found: BenchRevision) -> DesignRequest:
        """The whole request. Raises InputRefused for what the bench cannot do or leaves open."""
        bench, search = found.bench, self.search.model_dump(mode="json", exclude_none=True)
        problems = loosened(self.limits, bench.limits)
        problems += _outside(_range_of(self.search.capacitance, self.search.capacitors), bench.capacitance_range)
        if problems:
            raise InputRefused(problems)
        stock = bench.model_dump(
            mode="json", include={"capacitance", "capacitors", "wires", "formers"}, exclude_none=True
        )
        for one, other in (("capacitance", "capacitors"), ("gap", "formers"), ("wires", "wires")):
            if one not in search and other not in search:
                search |= {name: stock[name] for name in (one, other) if name in stock}
        body = self.model_dump(mode="json", exclude={*NamedBench.model_fields, "limits", "search"})
        if bench.spreads is not None:
            stated = self.spreads.model_dump(exclude_unset=True) if "spreads" in self.model_fields_set else {}
            body["spreads"] = {**bench.spreads.model_dump(), **stated}
        return _checked(
            DesignRequest,
            {**body, "bench": bench.circuit, "limits": _tighter(self.limits, bench.limits), "search": search},
        )


class BankSetting(Checked):
    """How the bank of a named bench is set for a shot."""

    charge_voltage_v: float = Field(
        ge=1.0, le=1e5, description="Voltage on the bank when the switch closes.", examples=[7000.0]
    )
    capacitance_farad: float | None = Field(
        ge=1e-7, le=2e-2, default=None, description="Null: the bench's, if it is fixed.", examples=[1.5e-4]
    )
    capacitors_count: int | None = Field(
        ge=1, le=10_000, default=None, description="On a bench of equal capacitors, instead of `capacitance_farad`."
    )


class ShotOnBench(Load, NamedBench):
    """One discharge on a named bench, of which only the setting of the bank is stated."""

    bank: BankSetting

    def resolved(self, found: BenchRevision) -> Shot:
        """The whole shot. Raises InputRefused for what the bench cannot do or leaves open."""
        bench = found.bench
        problems = loosened(self.limits, bench.limits)
        if problems:
            raise InputRefused(problems)
        bank = {**bench.bank.model_dump(), **_bank_of(self.bank, bench), "charge_voltage_v": self.bank.charge_voltage_v}
        body = self.model_dump(mode="json", exclude={*NamedBench.model_fields, "limits", "bank"})
        return _checked(
            Shot,
            {
                **body,
                **bench.circuit,
                "bank": bank,
                "limits": _tighter(self.limits, bench.limits),
            },
        )


#: A request that states its bench, or names one.
AskedDesign = Annotated[
    Annotated[DesignRequest, Tag("Whole")] | Annotated[DesignOnBench, Tag("OnBench")], Discriminator(_names_bench)
]
AskedShot = Annotated[
    Annotated[Shot, Tag("Whole")] | Annotated[ShotOnBench, Tag("OnBench")], Discriminator(_names_bench)
]


def on_bench(shot: Shot, bench: BenchDescription) -> Shot:
    """The shot with the circuit of a bench, set as it was: to as many capacitors, or to as much capacitance.

    Raises InputRefused for what the bench cannot be set to.
    """
    stock, limits = bench.capacitors, bench.capacitance_range
    setting = BankSetting(charge_voltage_v=shot.bank.charge_voltage_v, capacitance_farad=shot.bank.capacitance_farad)
    if stock is not None:
        count = shot.bank.capacitors_count
        if not stock.low_count <= count <= stock.high_count or count == 1:
            count = max(1, round(shot.bank.capacitance_farad / stock.each_farad))
        setting = BankSetting(charge_voltage_v=shot.bank.charge_voltage_v, capacitors_count=count)
    elif limits is not None and limits.low_farad == limits.high_farad:
        setting = BankSetting(charge_voltage_v=shot.bank.charge_voltage_v)
    bank = {**bench.bank.model_dump(), **_bank_of(setting, bench), "charge_voltage_v": shot.bank.charge_voltage_v}
    damping = {"damping_resistance_ohm": shot.bank.damping_resistance_ohm}
    body = shot.model_dump(mode="json")
    return _checked(Shot, {**body, **bench.circuit, "bank": damping | bank})


def loosened(stated: Limits, bench: DesignLimits) -> list[FieldProblem]:
    """A problem for each stated limit that would allow more than the bench's."""
    problems = []
    for name in type(stated).model_fields:
        wanted, allowed = getattr(stated, name), getattr(bench, name)
        if wanted is None or allowed is None or not _allows_more(name, wanted, allowed):
            continue
        unit, is_margin = unit_of(name), _is_margin(name)
        spelled = "" if unit in (None, "1") else f" {unit}"
        words = f"{wanted:g}{spelled} is looser than the bench's {allowed:g}{spelled}; a limit may only be tightened"
        problems.append(
            FieldProblem(f"/limits/{name}", words, unit, allowed if is_margin else None, None if is_margin else allowed)
        )
    return problems


def _allows_more(name: str, wanted: float, allowed: float) -> bool:
    return wanted < allowed if _is_margin(name) else wanted > allowed


def _is_margin(name: str) -> bool:
    """Of a margin that has to be kept, or of shots to last, more is safer; of everything else less."""
    return name in LOWEST


def _tighter(stated: Limits, bench: DesignLimits) -> dict[str, object]:
    """The bench's limits with those that are stated in their place, which are tighter."""
    return {**bench.model_dump(exclude_none=True), **stated.model_dump(exclude_none=True)}


def _range_of(capacitance: CapacitanceRange | None, capacitors: CapacitorStock | None) -> CapacitanceRange | None:
    if capacitors is None:
        return capacitance
    low, high = (count * capacitors.each_farad for count in (capacitors.low_count, capacitors.high_count))
    return CapacitanceRange(low_farad=low, high_farad=high)


def _outside(wanted: CapacitanceRange | None, bench: CapacitanceRange | None) -> list[FieldProblem]:
    if wanted is None or bench is None:
        return []
    if bench.low_farad <= wanted.low_farad and wanted.high_farad <= bench.high_farad:
        return []
    words = (
        f"{wanted.low_farad:g} to {wanted.high_farad:g} F is not inside the bench's "
        f"{bench.low_farad:g} to {bench.high_farad:g} F"
    )
    return [FieldProblem("/search", words, "F", bench.low_farad, bench.high_farad)]


def _bank_of(setting: BankSetting, bench: BenchDescription) -> dict[str, object]:
    """Capacitance, and capacitors with their strays, of a bench set for a shot."""
    stock, limits = bench.capacitors, bench.capacitance_range
    if stock is not None:
        count = setting.capacitors_count
        if count is None or setting.capacitance_farad is not None:
            raise InputRefused([FieldProblem("/bank", "the bench is of equal capacitors: give capacitors_count")])
        if not stock.low_count <= count <= stock.high_count:
            words = f"the bench has {stock.low_count} to {stock.high_count} capacitors, not {count}"
            problem = FieldProblem("/bank/capacitors_count", words, "1", stock.low_count, stock.high_count)
            raise InputRefused([problem])
        return {
            "capacitance_farad": count * stock.each_farad,
            "capacitors_count": count,
            "capacitor_inductance_henry": stock.each_inductance_henry,
            "capacitor_resistance_ohm": stock.each_resistance_ohm,
        }
    if setting.capacitors_count is not None:
        raise InputRefused([FieldProblem("/bank/capacitors_count", "the bench is not one of equal capacitors")])
    wanted = setting.capacitance_farad
    if wanted is None and limits is not None and limits.low_farad == limits.high_farad:
        wanted = limits.low_farad
    if wanted is None:
        raise InputRefused([FieldProblem("/bank/capacitance_farad", "is required: the bench's is not fixed", "F")])
    if limits is not None and not limits.low_farad <= wanted <= limits.high_farad:
        words = f"{wanted:g} F is not what the bench can be set to, {limits.low_farad:g} to {limits.high_farad:g} F"
        problem = FieldProblem("/bank/capacitance_farad", words, "F", limits.low_farad, limits.high_farad)
        raise InputRefused([problem])
    return {"capacitance_farad": wanted}


def _checked(model: type[Model], body: dict[str, object]) -> Model:
    try:
        return model.model_validate(body)
    except ValidationError as error:
        raise InputRefused(field_problems(error, model)) from error
