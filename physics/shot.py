"""What a shot is: the checked description that every run starts from.

Lengths are metres, everything is SI and the unit stands at the end of each name. A field without
a default has to be given. :func:`check_shot` is the only gate: kernels behind it assume good input.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from physics.materials import MaterialChoice, resolve
from physics.schema import Checked

Fidelity = Literal["screen", "design", "reference"]


class Bank(Checked):
    """The charged capacitor bank with its own series inductance (ESL) and resistance (ESR)."""

    capacitance_farad: float = Field(ge=1e-7, le=2e-2, description="Capacitance of the whole bank.", examples=[1.5e-4])
    charge_voltage_v: float = Field(
        ge=1.0, le=1e5, description="Voltage on the bank when the switch closes.", examples=[7000.0]
    )
    inductance_henry: float = Field(ge=0.0, le=1e-4, default=0.0, description="Stray inductance of the bank (ESL).")
    resistance_ohm: float = Field(ge=0.0, le=10.0, default=0.0, description="Series resistance of the bank (ESR).")


class Switch(Checked):
    """The closing switch. `ideal` has neither drop nor losses of its own and conducts both ways."""

    kind: Literal["ideal", "ignitron"] = "ideal"
    inductance_henry: float = Field(ge=0.0, le=1e-4, default=0.0, description="Inductance of switch and mount.")
    resistance_ohm: float = Field(ge=0.0, le=10.0, default=0.0, description="Resistance of switch and mount.")
    forward_drop_v: float = Field(ge=0.0, le=1000.0, default=0.0, description="Arc drop, taken as constant.")
    conducts_reverse: bool = Field(
        default=True, description="False: the switch blocks at the first current zero and the shot ends there."
    )

    @model_validator(mode="after")
    def _ideal_is_ideal(self) -> Switch:
        if self.kind == "ideal" and (self.forward_drop_v > 0.0 or not self.conducts_reverse):
            raise ValueError("an ideal switch has no forward_drop_v and conducts reverse current; use kind 'ignitron'")
        return self


class Leads(Checked):
    """Everything between bank and coil: strip line, cables, the coil's own lead-outs."""

    inductance_henry: float = Field(ge=0.0, le=1e-4, default=0.0, description="Inductance of the leads.")
    resistance_ohm: float = Field(ge=0.0, le=10.0, default=0.0, description="Resistance of the leads.")


class Coil(Checked):
    """A single-layer coil of round wire, centred on the mid-plane of the workpiece."""

    turns_count: int = Field(ge=1, le=60, description="Number of turns, odd or even.", examples=[8])
    layers_count: int = Field(ge=1, le=1, default=1, description="Number of layers; one for now.")
    wire_diameter_m: float = Field(ge=2e-4, le=1e-2, description="Bare diameter of the wire.", examples=[2.05e-3])
    pitch_m: float = Field(
        ge=2e-4,
        le=5e-2,
        description="Axial distance from turn to turn; at least the wire's diameter.",
        examples=[2.3e-3],
    )
    material: MaterialChoice = Field(default="copper", description="Library name or constants of your own.")

    @model_validator(mode="after")
    def _turns_do_not_overlap(self) -> Coil:
        if self.pitch_m < self.wire_diameter_m:
            raise ValueError(
                f"pitch_m {self.pitch_m:g} m is less than wire_diameter_m {self.wire_diameter_m:g} m: turns overlap"
            )
        return self


class Layer(Checked):
    """One metal of the workpiece and its share of the thickness."""

    material: MaterialChoice
    fraction_ratio: float = Field(gt=0.0, le=1.0, default=1.0, description="Share of the thickness.")


class Workpiece(Checked):
    """The part. `thickness_m` is its axial dimension whatever the shape."""

    shape: Literal["disc", "washer", "ring"]
    outer_diameter_m: float = Field(ge=2e-3, le=0.3, description="Outer diameter before the shot.", examples=[0.03])
    inner_diameter_m: float = Field(ge=0.0, le=0.299, default=0.0, description="Bore; 0 for a disc.")
    thickness_m: float = Field(ge=1e-4, le=0.1, description="Axial thickness before the shot.", examples=[2e-3])
    layers: Annotated[list[Layer], Field(min_length=1, max_length=1)] = Field(
        description="The metals through the thickness; one for now."
    )

    @model_validator(mode="after")
    def _shape_fits(self) -> Workpiece:
        if self.shape == "disc" and self.inner_diameter_m > 0.0:
            raise ValueError("a disc has inner_diameter_m 0; a part with a bore is a washer or a ring")
        if self.shape != "disc" and self.inner_diameter_m <= 0.0:
            raise ValueError(f"a {self.shape} needs an inner_diameter_m above 0")
        if self.inner_diameter_m > 0.98 * self.outer_diameter_m:
            raise ValueError(
                f"inner_diameter_m {self.inner_diameter_m:g} m must be at most 0.98 of outer_diameter_m "
                f"{self.outer_diameter_m:g} m"
            )
        if abs(sum(layer.fraction_ratio for layer in self.layers) - 1.0) > 1e-9:
            raise ValueError("the fraction_ratio of the layers must add up to 1")
        return self


class Solver(Checked):
    """How the run is done; the defaults serve every ordinary question."""

    fidelity: Fidelity = Field(default="design", description="Mesh and step: screen is coarse, reference is fine.")
    motion: bool = Field(default=True, description="False holds workpiece and coil where they are.")
    heating: bool = Field(default=True, description="False keeps every resistivity at its value at 293 K.")
    stop_time_s: float | None = Field(
        ge=1e-7, le=1e-2, default=None, description="End of the run; null runs until nothing more can change."
    )


class Limits(Checked):
    """What the bench can bear. Each stated limit is rated in the result."""

    charge_voltage_v: float | None = Field(ge=1.0, le=1e5, default=None, description="Highest charge voltage.")
    stored_energy_j: float | None = Field(ge=0.01, le=1e7, default=None, description="Highest stored energy.")
    peak_current_a: float | None = Field(ge=1.0, le=1e7, default=None, description="Highest peak current.")


class Shot(Checked):
    """One discharge: bank, switch, leads, coil, gap and workpiece."""

    bank: Bank
    switch: Switch = Field(default_factory=Switch)
    leads: Leads = Field(default_factory=Leads)
    coil: Coil
    gap_m: float = Field(
        ge=1e-4,
        le=2e-2,
        description="Metal to metal: rim of the workpiece to the wire's bare surface.",
        examples=[1e-3],
    )
    workpiece: Workpiece
    limits: Limits = Field(default_factory=Limits)
    solver: Solver = Field(default_factory=Solver)

    @model_validator(mode="after")
    def _materials_suffice(self) -> Shot:
        parts = (("coil", self.coil.material), ("workpiece", self.workpiece.layers[0].material))
        for part, material in parts:
            missing = resolve(material).missing_for(motion=self.solver.motion, heating=self.solver.heating)
            if missing:
                raise ValueError(f"the {part}'s material lacks {', '.join(missing)}, which this run needs")
        return self


def check_shot(shot: Shot | Mapping[str, Any]) -> Shot:
    """Check a shot given as a mapping (parsed JSON); a checked shot passes through.

    Raises pydantic.ValidationError; :func:`physics.schema.field_problems` puts it into words.
    """
    return shot if isinstance(shot, Shot) else Shot.model_validate(shot)
