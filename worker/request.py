"""What a design request is: which part, to what size, inside which limits, searched over what."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from physics.materials import MaterialChoice, resolve
from physics.schema import Checked
from physics.shot import Crowbar, Leads, Switch, Workpiece
from physics.wires import WireName


class Target(Checked):
    """The wanted size: give `final_outer_diameter_m` or `shrink_ratio`, not both."""

    final_outer_diameter_m: float | None = Field(ge=1e-3, le=0.3, default=None, description="Wanted outer diameter.")
    shrink_ratio: float | None = Field(ge=0.3, le=0.999, default=None, description="Wanted final / initial diameter.")
    tolerance_m: float = Field(ge=1e-5, le=1e-2, default=1e-4, description="Allowed deviation of the final diameter.")

    @model_validator(mode="after")
    def _one_of_two(self) -> Target:
        if (self.final_outer_diameter_m is None) == (self.shrink_ratio is None):
            raise ValueError("give exactly one of final_outer_diameter_m and shrink_ratio")
        return self


class DesignLimits(Checked):
    """What the bench can bear. Charge voltage and stored energy are always needed."""

    charge_voltage_v: float = Field(ge=100.0, le=1e5, description="Highest charge voltage.", examples=[10000.0])
    stored_energy_j: float = Field(ge=1.0, le=1e7, description="Highest stored energy.", examples=[8000.0])
    peak_current_a: float | None = Field(ge=100.0, le=1e7, default=None, description="Highest peak current.")


class BankStray(Checked):
    """Stray values of the bank; its capacitance and voltage are what the search chooses."""

    inductance_henry: float = Field(ge=0.0, le=1e-4, default=0.0, description="Stray inductance (ESL).")
    resistance_ohm: float = Field(ge=0.0, le=10.0, default=0.0, description="Series resistance (ESR).")


class Bench(Checked):
    """Bank, switch and leads that every trial shares."""

    bank: BankStray = Field(default_factory=BankStray)
    switch: Switch = Field(default_factory=Switch)
    leads: Leads = Field(default_factory=Leads)
    crowbar: Crowbar | None = Field(default=None, description="Null: none is fitted.")


class TurnsRange(Checked):
    """Fewest and most turns, both included."""

    low_count: int = Field(ge=1, le=60)
    high_count: int = Field(ge=1, le=60)

    @model_validator(mode="after")
    def _ordered(self) -> TurnsRange:
        if self.high_count < self.low_count:
            raise ValueError("high_count must not be below low_count")
        return self


class GapRange(Checked):
    """Least and largest gap."""

    low_m: float = Field(ge=1e-4, le=2e-2)
    high_m: float = Field(ge=1e-4, le=2e-2)

    @model_validator(mode="after")
    def _ordered(self) -> GapRange:
        if self.high_m < self.low_m:
            raise ValueError("high_m must not be below low_m")
        return self


class CapacitanceRange(Checked):
    """Least and largest capacitance."""

    low_farad: float = Field(ge=1e-7, le=2e-2)
    high_farad: float = Field(ge=1e-7, le=2e-2)

    @model_validator(mode="after")
    def _ordered(self) -> CapacitanceRange:
        if self.high_farad < self.low_farad:
            raise ValueError("high_farad must not be below low_farad")
        return self


class SearchSpace(Checked):
    """What may be varied. A range whose ends are equal holds that value."""

    turns: TurnsRange = Field(description="Turns of the coil, both ends included.")
    gap: GapRange = Field(description="Gap, metal to metal.")
    capacitance: CapacitanceRange = Field(description="Capacitance of the bank.")
    wires: Annotated[list[WireName], Field(min_length=1, max_length=40)] = Field(
        description="Stock of wires, by name; see /v1/wires.", examples=[["awg_12", "awg_14"]]
    )
    coil_material: MaterialChoice = Field(default="copper", description="Metal of the wire.")


class DesignRequest(Checked):
    """One search: bring this part to that size inside these limits."""

    name: str = Field(default="", max_length=120, description="A label of your own.")
    workpiece: Workpiece
    target: Target
    limits: DesignLimits
    bench: Bench = Field(default_factory=Bench)
    search: SearchSpace
    budget_trials_count: int = Field(ge=1, le=1_000_000, default=240, description="Trials in all.")
    seed: int = Field(ge=0, le=2**31 - 1, default=0, description="Same request, seed and version: same answer.")

    @model_validator(mode="after")
    def _target_is_smaller(self) -> DesignRequest:
        if self.target_diameter_m >= self.workpiece.outer_diameter_m:
            raise ValueError(
                f"the target diameter {self.target_diameter_m:g} m must be below the workpiece's "
                f"outer_diameter_m {self.workpiece.outer_diameter_m:g} m"
            )
        return self

    @model_validator(mode="after")
    def _materials_suffice(self) -> DesignRequest:
        parts = [("coil", self.search.coil_material)]
        parts += [("workpiece", layer.material) for layer in self.workpiece.layers]
        for part, material in parts:
            missing = resolve(material).missing_for(motion=True, heating=True)
            if missing:
                raise ValueError(f"the {part}'s material lacks {', '.join(missing)}, which a search needs")
        return self

    @property
    def target_diameter_m(self) -> float:
        """The wanted final outer diameter, whichever way the target was given."""
        if self.target.final_outer_diameter_m is not None:
            return self.target.final_outer_diameter_m
        assert self.target.shrink_ratio is not None
        return self.target.shrink_ratio * self.workpiece.outer_diameter_m
