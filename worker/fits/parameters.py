"""What can be fitted: quantities of bench and part that are stated only roughly, and how each enters a shot."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import exp
from typing import Any

from pydantic import Field

from physics.schema import Checked
from physics.shot import LEAST_GAP_M, Shot

Body = dict[str, Any]


class Priors(Checked):
    """How far each quantity may be off what is stated, as standard deviation. One that is 0 is not fitted.

    The defaults are estimates of this project for a bench that was put together by calculation; your own tolerances
    are better.
    """

    stray_inductance_ratio: float = Field(
        ge=0.0, le=2.0, default=0.3, description="Relative, of bank, switch and leads together."
    )
    stray_resistance_ratio: float = Field(
        ge=0.0, le=2.0, default=0.5, description="Relative, of bank, switch and leads together."
    )
    capacitance_ratio: float = Field(ge=0.0, le=0.3, default=0.03, description="Relative, of the bank's capacitance.")
    switch_drop_v: float = Field(ge=0.0, le=500.0, default=0.0, description="Absolute, of the switch's forward drop.")
    gap_offset_m: float = Field(ge=0.0, le=1e-3, default=5e-5, description="Absolute, of the gap.")
    flow_stress_ratio: float = Field(
        ge=0.0, le=0.5, default=0.1, description="Relative, of the part's flow stress at every strain."
    )
    resistivity_ratio: float = Field(
        ge=0.0, le=0.5, default=0.0, description="Relative, of the part's resistivity at every temperature."
    )
    probe_scale_ratio: float = Field(
        ge=0.0, le=0.3, default=0.01, description="Relative, of the current probe's scale; of no concern to the bench."
    )


@dataclass(frozen=True)
class _Quantity:
    """How a quantity is read from a shot and put into it; the shot's JSON is changed in place."""

    read: Callable[[Shot], float]
    write: Callable[[Body, Shot, float], None]
    #: Whether the prior is a share of the value instead of the value's own unit.
    relative: bool
    unit: str


def _total(shot: Shot, ending: str) -> float:
    bank = getattr(shot.bank, ending) + getattr(shot.bank, f"capacitor_{ending}") / shot.bank.capacitors_count
    return float(bank + getattr(shot.switch, ending) + getattr(shot.leads, ending))


def _spread(body: Body, shot: Shot, ending: str, total: float) -> None:
    """Share a stray value between bank, switch and leads as it is stated; all to the leads if none is."""
    stated, wanted = _total(shot, ending), max(total, 0.0)
    if stated == 0.0:
        body["leads"][ending] = wanted
        return
    for name in (ending, f"capacitor_{ending}"):
        body["bank"][name] *= wanted / stated
    for place in ("switch", "leads"):
        body[place][ending] *= wanted / stated


def _set(*path: str) -> Callable[[Body, Shot, float], None]:
    def write(body: Body, _shot: Shot, value: float) -> None:
        *parents, last = path
        place = body
        for parent in parents:
            place = place[parent]
        place[last] = value

    return write


QUANTITIES: dict[str, _Quantity] = {
    "stray_inductance_henry": _Quantity(
        lambda shot: _total(shot, "inductance_henry"),
        lambda body, shot, value: _spread(body, shot, "inductance_henry", value),
        relative=True,
        unit="H",
    ),
    "stray_resistance_ohm": _Quantity(
        lambda shot: _total(shot, "resistance_ohm"),
        lambda body, shot, value: _spread(body, shot, "resistance_ohm", value),
        relative=True,
        unit="Ohm",
    ),
    "capacitance_ratio": _Quantity(
        lambda _: 1.0,
        lambda body, shot, value: _set("bank", "capacitance_farad")(body, shot, shot.bank.capacitance_farad * value),
        relative=True,
        unit="1",
    ),
    "switch_drop_v": _Quantity(
        lambda shot: shot.switch.forward_drop_v,
        lambda body, shot, value: _set("switch", "forward_drop_v")(body, shot, max(value, 0.0)),
        relative=False,
        unit="V",
    ),
    "gap_offset_m": _Quantity(
        lambda shot: shot.calibration.gap_offset_m,
        lambda body, shot, value: _set("calibration", "gap_offset_m")(body, shot, max(value, LEAST_GAP_M - shot.gap_m)),
        relative=False,
        unit="m",
    ),
    "flow_stress_ratio": _Quantity(
        lambda shot: shot.calibration.flow_stress_ratio,
        _set("calibration", "flow_stress_ratio"),
        relative=True,
        unit="1",
    ),
    "resistivity_ratio": _Quantity(
        lambda shot: shot.calibration.resistivity_ratio,
        _set("calibration", "resistivity_ratio"),
        relative=True,
        unit="1",
    ),
}
#: Which prior belongs to which quantity, where the name is not the same.
_PRIOR_NAMES = {"stray_inductance_henry": "stray_inductance_ratio", "stray_resistance_ohm": "stray_resistance_ratio"}
#: Smallest stray values that a relative prior can be a share of, in H and Ohm: about those of a hand's breadth of bus.
_LEAST_STRAY = {"stray_inductance_henry": 2e-8, "stray_resistance_ohm": 1e-3}


@dataclass(frozen=True)
class Prior:
    """One quantity to be fitted: what is stated, and how far it may be off (standard deviation, in its unit).

    A positive quantity with a relative prior is taken as log-normal, so that it stays positive.
    """

    name: str
    unit: str
    stated: float
    deviation: float
    share: float | None

    def at(self, unknown: float) -> float:
        """The quantity so many standard deviations of its prior from what is stated."""
        if self.share is not None:
            return self.stated * exp(self.share * unknown)
        return self.stated + self.deviation * unknown

    def slope_at(self, unknown: float) -> float:
        """Its change there for one more."""
        return self.at(unknown) * self.share if self.share is not None else self.deviation


def priors_of(shot: Shot, priors: Priors) -> list[Prior]:
    """What is to be fitted, from the bench of the first shot. An ideal switch has no drop."""
    found = []
    for name, quantity in QUANTITIES.items():
        spread, stated = getattr(priors, _PRIOR_NAMES.get(name, name)), quantity.read(shot)
        if spread == 0.0 or (name == "switch_drop_v" and shot.switch.kind == "ideal"):
            continue
        least = _LEAST_STRAY.get(name, 0.0)
        share = spread if quantity.relative and stated >= least else None
        scale = max(stated, least) if quantity.relative else 1.0
        found.append(Prior(name, quantity.unit, stated, spread * scale, share))
    return found


def with_values(shot: Shot, values: Mapping[str, float]) -> Shot:
    """The shot with these quantities. Raises pydantic.ValidationError where one leaves its range."""
    body = shot.model_dump(exclude={"insulation", "limits"})
    for name, value in values.items():
        QUANTITIES[name].write(body, shot, value)
    return Shot.model_validate(body)
