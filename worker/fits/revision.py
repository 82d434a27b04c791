"""A bench's description with what a fit has found, and what a design on it strays by."""

from __future__ import annotations

from collections.abc import Mapping
from math import hypot
from typing import Any

from worker.bench import BenchDescription
from worker.fits.estimate import Fit
from worker.request import Spreads

#: What a fit changes of a description.
_FITTED_PARTS = ("bank", "switch", "leads", "calibration", "capacitance", "capacitors")
#: Spreads of what is the same in every shot of a bench: once fitted, only its error is left.
_CONSTANT = {
    "stray_inductance_henry": "stray_inductance_ratio",
    "stray_resistance_ohm": "stray_resistance_ratio",
    "capacitance_ratio": "capacitance_ratio",
}
#: Spreads of what differs from shot to shot as well: the error of its mean is added.
_STRAYING = {
    "gap_offset_m": "gap_m",
    "flow_stress_ratio": "flow_stress_ratio",
    "resistivity_ratio": "resistivity_ratio",
}


def revised(
    fitted: BenchDescription, latest: BenchDescription, fit: Fit, fit_id: str, spreads: Spreads
) -> BenchDescription:
    """The latest description with the circuit of the fitted one, as the fit found it.

    Raises pydantic.ValidationError where a quantity leaves what a description may say.
    """
    body: dict[str, Any] = fitted.model_dump(mode="json")
    values = fit.as_values()
    for ending in ("inductance_henry", "resistance_ohm"):
        name = f"stray_{ending}"
        if name in values:
            _scale_strays(body, ending, values[name], _stated(fit, name))
    if "capacitance_ratio" in values:
        _scale_capacitance(body, values["capacitance_ratio"])
    if "switch_drop_v" in values:
        body["switch"]["forward_drop_v"] = max(values["switch_drop_v"], 0.0)
    body["calibration"] |= {name: values[name] for name in body["calibration"] if name in values}
    kept = latest.model_dump(mode="json")
    changed = {name: body[name] for name in _FITTED_PARTS}
    own = {"spreads": spreads.model_dump(mode="json"), "fitted_from": fit_id}
    return BenchDescription.model_validate({**kept, **changed, **own})


def carries_capacitance(bench: BenchDescription) -> bool:
    """Whether the description says which capacitance a setting has: a fixed one, or one of equal capacitors."""
    fixed = bench.capacitance is not None and bench.capacitance.low_farad == bench.capacitance.high_farad
    return fixed or bench.capacitors is not None


def spreads_after(fit: Fit, spreads: Spreads, bench: BenchDescription) -> Spreads:
    """How far a shot strays from what the revised bench predicts: from shot to shot, and by what is not known."""
    found: dict[str, float] = {}
    for prior, value, error in zip(fit.priors, fit.values.tolist(), fit.errors.tolist(), strict=True):
        if prior.name == "capacitance_ratio" and not carries_capacitance(bench):
            continue
        if prior.name in _CONSTANT:
            found[_CONSTANT[prior.name]] = error / value if value > 0.0 else 0.0
        elif prior.name in _STRAYING:
            name = _STRAYING[prior.name]
            share = error / value if name.endswith("_ratio") else error
            found[name] = hypot(getattr(spreads, name), share)
    return Spreads.model_validate({**spreads.model_dump(), **{n: min(v, _most(n)) for n, v in found.items()}})


def _most(name: str) -> float:
    """The largest spread of that name that can be stated."""
    return float(next(bound.le for bound in Spreads.model_fields[name].metadata if hasattr(bound, "le")))


def _stated(fit: Fit, name: str) -> float:
    return next(prior.stated for prior in fit.priors if prior.name == name)


def _scale_strays(body: dict[str, Any], ending: str, value: float, stated: float) -> None:
    """Share a stray value as the fit did: as it is stated, or all to the leads if none is."""
    if stated == 0.0:
        body["leads"][ending] = value
        return
    places: list[tuple[Any, str]] = [(body[part], ending) for part in ("bank", "switch", "leads")]
    if body["capacitors"] is not None:
        places.append((body["capacitors"], f"each_{ending}"))
    for place, name in places:
        place[name] *= value / stated


def _scale_capacitance(body: Mapping[str, Any], ratio: float) -> None:
    """Of a fixed capacitance, or of each capacitor; the marks of a dial are left as they are."""
    fixed = body["capacitance"]
    if fixed is not None and fixed["low_farad"] == fixed["high_farad"]:
        fixed["low_farad"] = fixed["high_farad"] = fixed["low_farad"] * ratio
    if body["capacitors"] is not None:
        body["capacitors"]["each_farad"] *= ratio
