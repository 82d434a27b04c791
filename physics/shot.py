"""What a shot is: the checked description that every run starts from.

Lengths are metres, everything is SI and the unit stands at the end of each name. A field without
a default has to be given. :func:`check_shot` is the only gate: kernels behind it assume good input.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import pi
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from physics.constants import AMBIENT_K
from physics.equipment import Equipment, unratable
from physics.limits import Limits
from physics.materials import MaterialChoice, resolve
from physics.schema import Checked
from physics.surroundings import Surroundings
from physics.winding import Winding

Fidelity = Literal["screen", "design", "reference"]

#: Smallest gap that the meshes can stand.
LEAST_GAP_M = 1e-4
#: Longest part in outer diameters.
_LONGEST_RATIO = 3.0
_SUM_TOLERANCE = 1e-9


class Bank(Checked):
    """The charged bank: equal capacitors in parallel and what joins them."""

    capacitance_farad: float = Field(ge=1e-7, le=2e-2, description="Capacitance of the whole bank.", examples=[1.5e-4])
    charge_voltage_v: float = Field(
        ge=1.0, le=1e5, description="Voltage on the bank when the switch closes.", examples=[7000.0]
    )
    inductance_henry: float = Field(
        ge=0.0, le=1e-4, default=0.0, description="Stray inductance of the bank as a whole (ESL, bus work)."
    )
    resistance_ohm: float = Field(
        ge=0.0, le=10.0, default=0.0, description="Series resistance of the bank as a whole (ESR, bus work)."
    )
    capacitors_count: int = Field(ge=1, le=10_000, default=1, description="Equal capacitors in parallel.")
    capacitor_inductance_henry: float = Field(
        ge=0.0, le=1e-4, default=0.0, description="ESL of each capacitor; in parallel they add to the bank's."
    )
    capacitor_resistance_ohm: float = Field(
        ge=0.0, le=10.0, default=0.0, description="ESR of each capacitor; in parallel they add to the bank's."
    )
    damping_resistance_ohm: float = Field(
        ge=0.0, le=10.0, default=0.0, description="Damping resistor in series with the bank."
    )

    @property
    def total_inductance_henry(self) -> float:
        """Inductance of the bank's branch."""
        return self.inductance_henry + self.capacitor_inductance_henry / self.capacitors_count

    @property
    def total_resistance_ohm(self) -> float:
        """Resistance of the bank's branch, damping resistor included."""
        own = self.resistance_ohm + self.capacitor_resistance_ohm / self.capacitors_count
        return own + self.damping_resistance_ohm


class Switch(Checked):
    """The closing switch. `ideal` has neither drop nor losses of its own and conducts both ways."""

    kind: Literal["ideal", "ignitron", "spark_gap"] = "ideal"
    inductance_henry: float = Field(ge=0.0, le=1e-4, default=0.0, description="Inductance of switch and mount.")
    resistance_ohm: float = Field(ge=0.0, le=10.0, default=0.0, description="Resistance of switch and mount.")
    forward_drop_v: float = Field(ge=0.0, le=1000.0, default=0.0, description="Arc drop, taken as constant.")
    conducts_reverse: bool = Field(
        default=True, description="False: the switch blocks at the first current zero and the shot ends there."
    )
    spark_length_m: float | None = Field(
        ge=1e-4,
        le=0.3,
        default=None,
        description="Electrode distance of a spark gap; its arc resists less as charge passes.",
    )

    @model_validator(mode="after")
    def _ideal_is_ideal(self) -> Switch:
        if self.kind == "ideal" and (self.forward_drop_v > 0.0 or not self.conducts_reverse):
            raise ValueError("an ideal switch has no forward_drop_v and conducts reverse current; use kind 'ignitron'")
        if (self.kind == "spark_gap") != (self.spark_length_m is not None):
            raise ValueError("spark_length_m belongs to kind 'spark_gap' and has to be given there")
        return self


class Crowbar(Checked):
    """A diode stack that closes when the voltage across it reverses, so that the bank is not charged backwards."""

    across: Literal["bank", "coil"] = Field(
        description="`bank`: at the bank's terminals, before the switch; `coil`: at the coil's."
    )
    inductance_henry: float = Field(ge=1e-10, le=1e-4, default=5e-8, description="Inductance of diodes and bus.")
    resistance_ohm: float = Field(ge=0.0, le=10.0, default=0.0, description="Resistance of diodes and bus.")
    forward_drop_v: float = Field(ge=0.0, le=1000.0, default=0.0, description="Forward drop of the stack.")


class Tails(Checked):
    """The coil's own wire from the winding to its terminals, there and back side by side."""

    length_m: float = Field(gt=0.0, le=5.0, description="Length of each of the two tails.")
    spacing_m: float = Field(gt=0.0, le=1.0, description="Distance of the two tails, centre to centre.")


class Leads(Checked):
    """Everything between bank and coil: strip line, cables, and the tails of the winding."""

    inductance_henry: float = Field(ge=0.0, le=1e-4, default=0.0, description="Inductance of the leads.")
    resistance_ohm: float = Field(ge=0.0, le=10.0, default=0.0, description="Resistance of the leads.")
    tails: Tails | None = Field(default=None, description="The coil's own wire up to its terminals, if it counts.")


class Coil(Checked):
    """A coil of round wire or flat strip in one or more layers, each centred on the mid-plane of the workpiece."""

    turns_count: int = Field(ge=1, le=60, description="Number of turns in all layers together.", examples=[8])
    layers_count: int = Field(
        ge=1, le=6, default=1, description="Layers; turns that do not divide evenly go to the inner ones."
    )
    wire_diameter_m: float | None = Field(
        ge=2e-4, le=1e-2, default=None, description="Bare diameter of a round wire.", examples=[2.05e-3]
    )
    strip_width_m: float | None = Field(
        ge=2e-4, le=5e-2, default=None, description="Axial width of a flat strip, instead of wire_diameter_m."
    )
    strip_thickness_m: float | None = Field(
        ge=1e-4, le=2e-2, default=None, description="Radial thickness of the strip."
    )
    pitch_m: float = Field(
        ge=2e-4,
        le=5e-2,
        description="Axial distance from turn to turn; at least the conductor's width.",
        examples=[2.3e-3],
    )
    layer_pitch_m: float | None = Field(
        ge=1e-4,
        le=5e-2,
        default=None,
        description="Radial distance from layer to layer; null leaves the same space between layers as between turns.",
    )
    material: MaterialChoice = Field(default="copper", description="Library name or constants of your own.")
    initial_temperature_k: float = Field(
        ge=77.0, le=600.0, default=AMBIENT_K, description="Before the shot; with heating only."
    )

    @property
    def axial_m(self) -> float:
        """Bare size of the conductor along the axis."""
        return self.wire_diameter_m or self.strip_width_m or 0.0

    @property
    def radial_m(self) -> float:
        """Bare size of the conductor along the radius."""
        return self.wire_diameter_m or self.strip_thickness_m or 0.0

    @property
    def section_m2(self) -> float:
        """Metal section of one turn."""
        if self.wire_diameter_m is not None:
            return 0.25 * pi * self.wire_diameter_m**2
        return self.axial_m * self.radial_m

    @property
    def winding(self) -> Winding:
        """Turns and conductor as the meshes want them."""
        return Winding(
            turns=self.turns_count,
            layers=self.layers_count,
            radial_m=self.radial_m,
            axial_m=self.axial_m,
            pitch_m=self.pitch_m,
            layer_pitch_m=self.layer_pitch_m or self.radial_m + self.pitch_m - self.axial_m,
            is_round=self.wire_diameter_m is not None,
        )

    @model_validator(mode="after")
    def _one_conductor(self) -> Coil:
        strip = (self.strip_width_m is not None, self.strip_thickness_m is not None)
        if strip not in {(True, True), (False, False)} or (self.wire_diameter_m is not None) == strip[0]:
            raise ValueError("give either wire_diameter_m, or strip_width_m and strip_thickness_m")
        return self

    @model_validator(mode="after")
    def _turns_do_not_overlap(self) -> Coil:
        name = "wire_diameter_m" if self.wire_diameter_m is not None else "strip_width_m"
        if self.pitch_m < self.axial_m:
            raise ValueError(f"pitch_m {self.pitch_m:g} m is less than {name} {self.axial_m:g} m: turns overlap")
        if self.layer_pitch_m is not None and self.layer_pitch_m < self.radial_m:
            raise ValueError(
                f"layer_pitch_m {self.layer_pitch_m:g} m is less than the conductor's {self.radial_m:g} m: "
                "layers overlap"
            )
        if self.layers_count > self.turns_count:
            raise ValueError(f"turns_count {self.turns_count} is less than layers_count {self.layers_count}")
        return self


class Insulation(Checked):
    """What lies between metal and metal. Only what is stated is rated; air is never counted on."""

    former_wall_m: float = Field(ge=0.0, le=2e-2, default=0.0, description="Wall of the former the coil is wound on.")
    former_strength_v_per_m: float | None = Field(
        ge=1e5, le=1e9, default=None, description="Dielectric strength of the former.", examples=[2e7]
    )
    enamel_thickness_m: float = Field(ge=0.0, le=2e-3, default=0.0, description="Enamel of the wire, one side.")
    enamel_pair_breakdown_v: float | None = Field(
        ge=10.0,
        le=1e5,
        default=None,
        description="Breakdown voltage of two films face to face, as the wire's standard states for a twisted pair.",
        examples=[5000.0],
    )
    layer_sheet_m: float = Field(ge=0.0, le=1e-2, default=0.0, description="Insulating sheet between layers.")
    layer_sheet_strength_v_per_m: float | None = Field(
        ge=1e5, le=1e9, default=None, description="Dielectric strength of that sheet."
    )


class Layer(Checked):
    """One metal of the workpiece and its share of the thickness."""

    material: MaterialChoice
    fraction_ratio: float = Field(gt=0.0, le=1.0, default=1.0, description="Share of the thickness.")


class Workpiece(Checked):
    """The part. `thickness_m` is its axial dimension whatever the shape: for a tube its length."""

    shape: Literal["disc", "washer", "ring", "tube"]
    outer_diameter_m: float = Field(ge=2e-3, le=0.3, description="Outer diameter before the shot.", examples=[0.03])
    inner_diameter_m: float = Field(ge=0.0, le=0.299, default=0.0, description="Bore; 0 for a disc.")
    thickness_m: float = Field(ge=1e-4, le=0.9, description="Axial thickness before the shot.", examples=[2e-3])
    layers: Annotated[list[Layer], Field(min_length=1, max_length=9)] = Field(
        description="The metals through the thickness, from one face to the other; the same from both faces."
    )
    initial_temperature_k: float = Field(
        ge=77.0, le=800.0, default=AMBIENT_K, description="Before the shot; with heating only."
    )

    @model_validator(mode="after")
    def _shape_fits(self) -> Workpiece:
        if self.shape == "disc" and self.inner_diameter_m > 0.0:
            raise ValueError("a disc has inner_diameter_m 0; a part with a bore is a washer, a ring or a tube")
        if self.shape != "disc" and self.inner_diameter_m <= 0.0:
            raise ValueError(f"a {self.shape} needs an inner_diameter_m above 0")
        if self.inner_diameter_m > 0.98 * self.outer_diameter_m:
            raise ValueError(
                f"inner_diameter_m {self.inner_diameter_m:g} m must be at most 0.98 of outer_diameter_m "
                f"{self.outer_diameter_m:g} m"
            )
        if self.thickness_m > _LONGEST_RATIO * self.outer_diameter_m:
            raise ValueError(
                f"thickness_m {self.thickness_m:g} m must be at most {_LONGEST_RATIO:g} times outer_diameter_m "
                f"{self.outer_diameter_m:g} m"
            )
        return self

    @model_validator(mode="after")
    def _layers_fit(self) -> Workpiece:
        if abs(sum(layer.fraction_ratio for layer in self.layers) - 1.0) > _SUM_TOLERANCE:
            raise ValueError("the fraction_ratio of the layers must add up to 1")
        for one, other in zip(self.layers, reversed(self.layers), strict=True):
            if one.material != other.material or abs(one.fraction_ratio - other.fraction_ratio) > _SUM_TOLERANCE:
                raise ValueError(
                    "layers are listed from one face to the other and must be the same from both faces, "
                    "as in face, core, face"
                )
        return self

    @property
    def half_layers(self) -> list[tuple[MaterialChoice, float]]:
        """Metals of the upper half from the mid-plane to the face, with their heights (m)."""
        count = len(self.layers)
        upper = [(layer.material, layer.fraction_ratio * self.thickness_m) for layer in self.layers[count // 2 :]]
        if count % 2 == 1:
            upper[0] = (upper[0][0], 0.5 * upper[0][1])
        return upper


class Calibration(Checked):
    """What earlier shots on the bench have shown to differ from what is stated, as a fit to their records found it."""

    gap_offset_m: float = Field(
        ge=-2e-3, le=2e-3, default=0.0, description="Added to gap_m in the model: how the coil is really wound."
    )
    flow_stress_ratio: float = Field(
        ge=0.5, le=2.0, default=1.0, description="Flow stress of the workpiece over that of its data, at every strain."
    )
    resistivity_ratio: float = Field(
        ge=0.5, le=2.0, default=1.0, description="Resistivity of the workpiece over that of its data, likewise."
    )


class Solver(Checked):
    """How the run is done; the defaults serve every ordinary question."""

    fidelity: Fidelity = Field(default="design", description="Mesh and step: screen is coarse, reference is fine.")
    motion: bool = Field(default=True, description="False holds workpiece and coil where they are.")
    heating: bool = Field(default=True, description="False keeps every resistivity at its value at 293 K.")
    stop_time_s: float | None = Field(
        ge=1e-7, le=1e-2, default=None, description="End of the run; null runs until nothing more can change."
    )


class Load(Checked):
    """What is put onto a bench for one discharge: coil, gap and workpiece."""

    coil: Coil
    gap_m: float = Field(
        ge=LEAST_GAP_M,
        le=2e-2,
        description="Metal to metal: rim of the workpiece to the bare surface of the innermost turns; former, "
        "enamel and clearance are in it.",
        examples=[1e-3],
    )
    insulation: Insulation = Field(default_factory=Insulation)
    workpiece: Workpiece
    limits: Limits = Field(default_factory=Limits)
    solver: Solver = Field(default_factory=Solver)


class Shot(Load):
    """One discharge: bank, switch, leads, coil, gap and workpiece."""

    bank: Bank
    switch: Switch = Field(default_factory=Switch)
    crowbar: Crowbar | None = Field(default=None, description="Null: none is fitted.")
    leads: Leads = Field(default_factory=Leads)
    calibration: Calibration = Field(default_factory=Calibration)
    surroundings: Surroundings = Field(default_factory=Surroundings)
    equipment: Equipment = Field(default_factory=Equipment)

    @property
    def modelled_gap_m(self) -> float:
        """The gap that the model takes: as stated, and what earlier shots have shown it to be off by."""
        return self.gap_m + self.calibration.gap_offset_m

    @property
    def metals(self) -> list[MaterialChoice]:
        """Metals of the run: the coil's, then each of the workpiece's once, from the mid-plane out."""
        return [self.coil.material, *dict.fromkeys(material for material, _ in self.workpiece.half_layers)]

    @property
    def stored_energy_j(self) -> float:
        """Energy on the bank when the switch closes."""
        return 0.5 * self.bank.capacitance_farad * self.bank.charge_voltage_v**2

    @model_validator(mode="after")
    def _materials_suffice(self) -> Shot:
        parts = [("coil", self.coil.material)] + [("workpiece", layer.material) for layer in self.workpiece.layers]
        for part, material in parts:
            missing = resolve(material).missing_for(motion=self.solver.motion, heating=self.solver.heating)
            if missing:
                raise ValueError(f"the {part}'s material lacks {', '.join(missing)}, which this run needs")
        return self

    @model_validator(mode="after")
    def _temperatures_are_in_the_data(self) -> Shot:
        parts = [("coil", self.coil.material, self.coil.initial_temperature_k)]
        parts += [("workpiece", metal, self.workpiece.initial_temperature_k) for metal in self.metals[1:]]
        for part, material, temperature in parts:
            if not self.solver.heating and temperature != AMBIENT_K:
                raise ValueError(f"the {part}'s initial_temperature_k counts only with solver.heating; leave it out")
            low, high = resolve(material).solid_range_k
            if self.solver.heating and not low <= temperature < high:
                raise ValueError(
                    f"the {part}'s initial_temperature_k {temperature:g} K is outside its material's data for the "
                    f"solid, {low:g} to {high:g} K"
                )
        return self

    @model_validator(mode="after")
    def _limits_can_be_rated(self) -> Shot:
        problem = unratable(self.limits, self.equipment)
        if problem:
            raise ValueError(problem)
        return self

    @model_validator(mode="after")
    def _modelled_gap_is_a_gap(self) -> Shot:
        if self.modelled_gap_m < LEAST_GAP_M:
            raise ValueError(
                f"gap_m {self.gap_m:g} m and calibration.gap_offset_m {self.calibration.gap_offset_m:g} m together "
                f"must be at least {LEAST_GAP_M:g} m"
            )
        return self

    @model_validator(mode="after")
    def _insulation_fits(self) -> Shot:
        solid = self.insulation.former_wall_m + self.insulation.enamel_thickness_m
        if solid > self.gap_m:
            raise ValueError(
                f"gap_m {self.gap_m:g} m is metal to metal and must be at least former_wall_m plus "
                f"enamel_thickness_m, {solid:g} m"
            )
        return self


def check_shot(shot: Shot | Mapping[str, Any]) -> Shot:
    """Check a shot given as a mapping (parsed JSON); a checked shot passes through.

    Raises pydantic.ValidationError; :func:`physics.schema.field_problems` puts it into words.
    """
    return shot if isinstance(shot, Shot) else Shot.model_validate(shot)
