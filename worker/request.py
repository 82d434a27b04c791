"""What a design request is: which part, to what size, inside which limits, searched over what."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from physics.equipment import Equipment, unratable
from physics.limits import Limits
from physics.materials import resolve
from physics.schema import Checked
from physics.shot import Calibration, Crowbar, Leads, Switch, Workpiece
from physics.surroundings import Surroundings
from worker.budget import Budget, with_default
from worker.search_space import SearchSpace


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


class DesignLimits(Limits):
    """What the bench can bear. Charge voltage and stored energy are always needed."""

    charge_voltage_v: float = Field(ge=100.0, le=1e5, description="Highest charge voltage.", examples=[10000.0])
    stored_energy_j: float = Field(ge=1.0, le=1e7, description="Highest stored energy.", examples=[8000.0])


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
    calibration: Calibration = Field(default_factory=Calibration)
    surroundings: Surroundings = Field(default_factory=Surroundings)
    equipment: Equipment = Field(default_factory=Equipment)


class Spreads(Checked):
    """How far a real shot strays from the design, as standard deviations of normal distributions.

    A spread of 0 leaves that quantity out. The defaults are those of a well-kept bench and of metal by the sheet;
    they are estimates of this project, and your own measurements are better.
    """

    charge_voltage_ratio: float = Field(ge=0.0, le=0.1, default=0.003, description="Relative, of the charge voltage.")
    capacitance_ratio: float = Field(ge=0.0, le=0.2, default=0.01, description="Relative, of the bank's capacitance.")
    stray_inductance_ratio: float = Field(
        ge=0.0, le=0.3, default=0.03, description="Relative, of bank, switch and leads together."
    )
    stray_resistance_ratio: float = Field(
        ge=0.0, le=0.3, default=0.05, description="Relative, of bank, switch and leads together."
    )
    gap_m: float = Field(ge=0.0, le=1e-3, default=2e-5, description="Absolute, of the gap.")
    wire_diameter_ratio: float = Field(
        ge=0.0, le=0.05, default=0.003, description="Relative, of the bare wire; a close winding follows it."
    )
    thickness_m: float = Field(ge=0.0, le=1e-3, default=1e-5, description="Absolute, of the part's thickness.")
    flow_stress_ratio: float = Field(
        ge=0.0, le=0.2, default=0.02, description="Relative, of the part's flow stress at every strain."
    )
    resistivity_ratio: float = Field(
        ge=0.0, le=0.2, default=0.01, description="Relative, of the part's resistivity at every temperature."
    )


class Task(Budget):
    """What is wanted, apart from the bench that it is done on and what may be varied."""

    name: str = Field(default="", max_length=120, description="A label of your own.")
    workpiece: Workpiece
    target: Target
    spreads: Spreads = Field(default_factory=Spreads, description="What the chance to hit the target is computed for.")
    stop_after_still_rounds_count: int | None = Field(
        ge=1,
        le=1000,
        default=6,
        description="End early once the front has not moved for so many rounds: neither its dominated share nor the "
        "least stored energy by more than 0.2 %. Null: never.",
    )
    seed: int = Field(ge=0, le=2**31 - 1, default=0, description="Same request, seed and version: same answer.")

    @model_validator(mode="before")
    @classmethod
    def _some_budget(cls, body: object) -> object:
        return with_default(body)

    @model_validator(mode="after")
    def _target_is_smaller(self) -> Self:
        if self.target_diameter_m >= self.workpiece.outer_diameter_m:
            raise ValueError(
                f"the target diameter {self.target_diameter_m:g} m must be below the workpiece's "
                f"outer_diameter_m {self.workpiece.outer_diameter_m:g} m"
            )
        return self

    @property
    def target_diameter_m(self) -> float:
        """The wanted final outer diameter, whichever way the target was given."""
        if self.target.final_outer_diameter_m is not None:
            return self.target.final_outer_diameter_m
        assert self.target.shrink_ratio is not None
        return self.target.shrink_ratio * self.workpiece.outer_diameter_m


class DesignRequest(Task):
    """One search: bring this part to that size inside these limits."""

    limits: DesignLimits
    bench: Bench = Field(default_factory=Bench)
    search: SearchSpace

    @model_validator(mode="after")
    def _limits_can_be_rated(self) -> DesignRequest:
        problem = unratable(self.limits, self.bench.equipment)
        if problem:
            raise ValueError(problem)
        return self

    @model_validator(mode="after")
    def _gap_can_be_rated(self) -> DesignRequest:
        formers = self.search.formers
        if self.limits.gap_insulation_margin_ratio is not None and (
            formers is None or formers.strength_v_per_m is None or min(formers.walls_m) == 0.0
        ):
            raise ValueError(
                "limits.gap_insulation_margin_ratio needs search.formers with strength_v_per_m and walls above 0 m: "
                "without a rated wall nothing is known to stand between coil and part"
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
