"""Checked, frozen data: the one way input is validated and units are published.

A model derived from :class:`Checked` refuses unknown names, non-finite numbers and values outside
the range its fields state. The unit of a number is the end of its name (``gap_m``,
``peak_current_a``); it is published in the JSON schema as ``x-unit`` in UCUM code.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Union, get_args, get_origin

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic.fields import FieldInfo

#: Endings of names and their UCUM codes; the longest ending that fits is taken.
UNITS: dict[str, str] = {
    "_m": "m",
    "_m2": "m2",
    "_m3": "m3",
    "_s": "s",
    "_v": "V",
    "_a": "A",
    "_j": "J",
    "_k": "K",
    "_kg": "kg",
    "_n": "N",
    "_pa": "Pa",
    "_w": "W",
    "_hz": "Hz",
    "_ohm": "Ohm",
    "_ohm_m": "Ohm.m",
    "_henry": "H",
    "_farad": "F",
    "_tesla": "T",
    "_coulomb": "C",
    "_m_per_s": "m/s",
    "_a_per_s": "A/s",
    "_n_per_m": "N/m",
    "_j_per_k": "J/K",
    "_per_s": "/s",
    "_per_k": "/K",
    "_s_per_m": "S/m",
    "_v_per_m": "V/m",
    "_kg_per_m3": "kg/m3",
    "_j_per_kg_k": "J/(kg.K)",
    "_j_per_kg": "J/kg",
    "_j_per_m2": "J/m2",
    "_n_s": "N.s",
    "_a2_s": "A2.s",
    "_a_per_m2": "A/m2",
    "_weber": "Wb",
    "_ratio": "1",
    "_count": "1",
}


def unit_of(name: str) -> str | None:
    """UCUM code of the unit that a field's name ends in, or None if it names none."""
    endings = [ending for ending in UNITS if name.endswith(ending)]
    return UNITS[max(endings, key=len)] if endings else None


#: Unit of a number whose unit stands beside it, in the member called `unit`.
UNIT_BESIDE = "@unit"
#: Unit of a number whose unit ends the last name of the JSON pointer that it belongs to.
UNIT_OF_POINTER = "@pointer"
#: Unit of a measured column as the oscilloscope stored it, which the probe beside it tells.
UNIT_OF_PROBE = "@probe"


def add_units(schema: dict[str, Any]) -> None:
    """Publish the unit of each number of a JSON schema as `x-unit`.

    It is the end of the name; else what the member `unit` beside it says; else 1 if it is whole, as it then counts or
    numbers something. A fraction that names no unit gets none, which a test finds.
    """
    properties = schema.get("properties", {})
    for name, entry in properties.items():
        kinds = set(_number_kinds(entry))
        unit = unit_of(name) or (UNIT_BESIDE if kinds and "unit" in properties else None)
        if unit is None and kinds == {"integer"}:
            unit = "1"
        if unit is not None:
            entry["x-unit"] = unit


def _number_kinds(schema: dict[str, Any]) -> Iterator[str]:
    """The kinds of number, `number` or `integer`, that a schema or the entries of its lists may be."""
    if schema.get("type") in ("number", "integer"):
        yield schema["type"]
    for part in (*schema.get("anyOf", []), *schema.get("prefixItems", []), schema.get("items", {})):
        if isinstance(part, dict) and part:
            yield from _number_kinds(part)


class Checked(BaseModel):
    """Frozen data, checked when made; unknown names and non-finite numbers are refused."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        strict=True,
        allow_inf_nan=False,
        json_schema_extra=add_units,
    )


@dataclass(frozen=True)
class FieldProblem:
    """One thing wrong with an input: where (JSON pointer), what, and what is allowed."""

    pointer: str
    detail: str
    unit: str | None = None
    minimum: float | None = None
    maximum: float | None = None
    hint: str | None = None

    def __str__(self) -> str:
        words = f"{self.pointer or '/'}: {self.detail}"
        return f"{words} ({self.hint})" if self.hint else words


def field_problems(error: ValidationError, model: Any) -> list[FieldProblem]:
    """Turn a validation error into problems that name the field, value, unit and allowed range.

    `model` is the model, or the union of models, that was validated against. Only the offending number itself is
    repeated, never other input.
    """
    return [_problem(entry, model) for entry in error.errors(include_url=False)]


def _problem(entry: Any, model: Any) -> FieldProblem:
    names = [part for part in entry["loc"] if not _is_branch_label(part)]
    pointer = "".join(f"/{_escape(part)}" for part in names)
    field = _find_field(model, names)
    name = next((part for part in reversed(names) if isinstance(part, str)), "")
    unit, low, high = unit_of(name), *_bounds(field)
    value = entry.get("input")
    if entry["type"] in _RANGE_ERRORS and isinstance(value, int | float):
        value = _as_float(value)
        shown = f"{value:g} {_spell(unit)}".strip()
        return FieldProblem(
            pointer,
            f"{shown} is outside the allowed range {_range_text(low, high, unit)}",
            unit,
            low,
            high,
            _scale_hint(value, low, high),
        )
    detail = str(entry["msg"]).removeprefix("Value error, ")
    if entry["type"] == "missing":
        detail = "is required and missing"
    elif entry["type"] == "extra_forbidden":
        detail = "is not a known name"
    elif entry["type"] == "finite_number":
        detail = "must be a finite number"
    if low is not None and entry["type"] in ("float_type", "int_type", "finite_number", "missing"):
        detail += f"; allowed range {_range_text(low, high, unit)}"
    return FieldProblem(pointer, detail, unit, low, high)


_RANGE_ERRORS = {"greater_than", "greater_than_equal", "less_than", "less_than_equal"}


def _is_branch_label(part: int | str) -> bool:
    """True for the labels pydantic puts into a location to tell the branches of a union apart."""
    return isinstance(part, str) and (not part or not part[0].islower() or "[" in part or part in ("str", "float"))


def _escape(part: int | str) -> str:
    return str(part).replace("~", "~0").replace("/", "~1")


def _find_field(model: Any, names: list[int | str]) -> FieldInfo | None:
    candidates = list(_models_in(model))
    field: FieldInfo | None = None
    for name in names:
        if isinstance(name, int):
            continue
        field = next((m.model_fields[name] for m in candidates if name in m.model_fields), None)
        if field is None:
            return None
        candidates = list(_models_in(field.annotation))
    return field


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and get_origin(annotation) is None and issubclass(annotation, BaseModel):
        yield annotation
    for argument in get_args(annotation):
        yield from _models_in(argument)


def _bounds(field: FieldInfo | None) -> tuple[float | None, float | None]:
    metadata: list[Any] = [] if field is None else list(_constraints(field))
    low = next((getattr(m, n) for m in metadata for n in ("ge", "gt") if getattr(m, n, None) is not None), None)
    high = next((getattr(m, n) for m in metadata for n in ("le", "lt") if getattr(m, n, None) is not None), None)
    return low, high


def _constraints(field: FieldInfo) -> Iterable[Any]:
    yield from field.metadata
    for argument in get_args(field.annotation) if get_origin(field.annotation) is not Union else ():
        yield from getattr(argument, "__metadata__", ())


def _as_float(value: float) -> float:
    """A whole number may be too large for one; it is infinite then, as a fraction of that size is read."""
    try:
        return float(value)
    except OverflowError:
        return math.inf if value > 0 else -math.inf


def _spell(unit: str | None) -> str:
    return "" if unit in (None, "1") else str(unit)


def _range_text(low: float | None, high: float | None, unit: str | None) -> str:
    left = "-inf" if low is None else f"{low:g}"
    right = "inf" if high is None else f"{high:g}"
    return f"{left} to {right} {_spell(unit)}".strip()


def _scale_hint(value: float, low: float | None, high: float | None) -> str | None:
    """Guess a prefix slip: 140 where farads are wanted was meant as 140 µF."""
    if low is None or high is None or value <= 0:
        return None
    for power in (-3, -6, -9, 3, 6, 9):
        meant = value * 10.0**power
        if max(low, 0.0) < meant <= high:
            return f"did you mean {meant:.6g}?"
    return None
