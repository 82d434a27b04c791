"""What is known of capacitors, charger, bleed resistors and leads beyond what the circuit needs."""

from __future__ import annotations

from math import pi, sqrt
from typing import Literal

from pydantic import Field, model_validator

from physics.limits import Limits
from physics.materials import resolve
from physics.schema import Checked


class CapacitorRating(Checked):
    """What the maker of the capacitors states, and the exponents of the life law."""

    voltage_v: float = Field(ge=10.0, le=1e5, description="Rated voltage.", examples=[10000.0])
    life_shots_count: float = Field(ge=1.0, le=1e9, description="Shots at rated voltage and reversal.", examples=[5e4])
    reversal_ratio: float = Field(ge=0.01, le=1.0, default=0.2, description="Reversal that the life is stated for.")
    frequency_hz: float | None = Field(
        ge=10.0, le=1e7, default=None, description="Ringing frequency that it is stated for; null: any."
    )
    voltage_exponent: float | None = Field(
        ge=1.0,
        le=20.0,
        default=None,
        description="Life falls with this power of voltage; null: 6 below the rated voltage and 9 above, the safe ends "
        "of the published band.",
    )
    reversal_exponent: float = Field(ge=0.0, le=5.0, default=1.6, description="Likewise, of the reversal.")
    frequency_exponent: float = Field(ge=0.0, le=3.0, default=0.5, description="Likewise, of the ringing frequency.")


class Charger(Checked):
    """The supply that charges the bank: at a current, at a power, or at whichever is less."""

    current_a: float | None = Field(gt=0.0, le=1e4, default=None, description="Charging current.", examples=[0.05])
    power_w: float | None = Field(gt=0.0, le=1e7, default=None, description="Charging power.")
    efficiency_ratio: float = Field(gt=0.0, le=1.0, default=0.7, description="Energy stored over energy drawn.")

    @model_validator(mode="after")
    def _limited_by_something(self) -> Charger:
        if self.current_a is None and self.power_w is None:
            raise ValueError("give current_a, power_w, or both")
        return self


class Bleed(Checked):
    """Equal resistors in parallel that empty the bank by themselves."""

    resistance_ohm: float = Field(gt=0.0, le=1e9, description="Of each.", examples=[1e5])
    resistors_count: int = Field(ge=1, le=1000, default=1, description="In parallel.")
    safe_voltage_v: float = Field(ge=1.0, le=1000.0, default=50.0, description="Voltage that counts as safe.")
    heat_j_per_k: float | None = Field(
        gt=0.0, le=1e7, default=None, description="Heat capacity of each; null: how warm they get is not known."
    )


class LeadConductors(Checked):
    """The conductors of the leads, there and back."""

    shape: Literal["wires", "strips"] = Field(description="`strips`: flat, face to face.")
    section_m2: float = Field(gt=1e-8, le=0.1, description="Metal section of each.", examples=[5e-5])
    spacing_m: float = Field(gt=1e-5, le=2.0, description="Middle to middle.")
    width_m: float | None = Field(gt=1e-4, le=2.0, default=None, description="Of strips.")
    material: str = Field(default="copper", description="Name from the library.")

    @model_validator(mode="after")
    def _wires_do_not_touch(self) -> LeadConductors:
        diameter = sqrt(4.0 * self.section_m2 / pi)
        if self.shape == "wires" and self.spacing_m <= 1.02 * diameter:
            raise ValueError(f"spacing_m {self.spacing_m:g} m must be above the wires' diameter of {diameter:.4g} m")
        return self

    @model_validator(mode="after")
    def _strips_have_a_width(self) -> LeadConductors:
        if (self.shape == "strips") != (self.width_m is not None):
            raise ValueError("width_m belongs to strips and has to be given there")
        return self


class Equipment(Checked):
    """What of the bench can be rated beyond its limits. What is null is not rated."""

    capacitors: CapacitorRating | None = None
    charger: Charger | None = None
    bleed: Bleed | None = None
    lead_conductors: LeadConductors | None = None


#: Limits that say nothing until this part of the equipment is stated.
_NEEDS = {
    "expected_shots_count": "capacitors",
    "lead_temperature_k": "lead_conductors",
    "lead_force_n_per_m": "lead_conductors",
    "charge_time_s": "charger",
    "bleed_time_s": "bleed",
}


def unratable(limits: Limits, equipment: Equipment) -> str | None:
    """Why one of the limits could never be rated with this equipment; None when all can."""
    for name, part in _NEEDS.items():
        if getattr(limits, name) is not None and getattr(equipment, part) is None:
            return f"limits.{name} needs equipment.{part}: without it nothing is known to rate"
    conductors, hottest = equipment.lead_conductors, limits.lead_temperature_k
    if conductors is not None and hottest is not None:
        melts = resolve(conductors.material).solid_range_k[1]
        if hottest >= melts:
            return f"limits.lead_temperature_k {hottest:g} K must be below {melts:g} K, where the leads melt"
    return None
