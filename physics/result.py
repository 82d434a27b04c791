"""What a run returns: a frozen, finite, bounded result with its units in the names."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from physics.schema import Checked
from physics.shot import Shot
from physics.software import Software

Status = Literal[
    "completed",
    "stopped_early",
    "over_crushed",
    "bore_closed",
    "rim_extruded",
    "material_limit",
    "insulation_failed",
    "not_converged",
]


class Summary(Checked):
    """The figures of a shot. Numbers that need motion or heating are null when that was off."""

    peak_current_a: float = Field(description="Largest coil current.")
    current_rise_a_per_s: float = Field(description="Steepest change of the coil current.")
    peak_capacitor_current_a: float = Field(description="Largest current of each capacitor.")
    time_to_peak_s: float = Field(description="When it is reached.")
    first_current_zero_s: float | None = Field(description="First return of the current to zero; null if not reached.")
    voltage_reversal_ratio: float = Field(description="Largest reverse voltage on the bank over the charge voltage.")
    charge_coulomb: float = Field(description="Charge passed, integral of |I|.")
    action_a2_s: float = Field(description="Action integral of the whole shot.")
    peak_gap_field_tesla: float = Field(description="Peak axial field on the mid-plane, halfway between rim and wire.")
    peak_centre_field_tesla: float = Field(
        description="Peak axial field on the axis in the mid-plane; below 1/20 of the gap's it is not waited for."
    )
    peak_coil_voltage_v: float = Field(description="Largest voltage along the whole coil.")
    peak_force_n: float = Field(description="Peak inward force: integral of the radial J x B over the workpiece.")
    impulse_n_s: float = Field(description="Integral of that force from 0 to the first current zero.")
    coil_heat_j: float = Field(description="Ohmic heat in the turns up to the first current zero.")
    workpiece_heat_j: float = Field(description="Ohmic heat in the workpiece up to the first current zero.")
    final_outer_diameter_m: float = Field(
        description="Outer diameter when nothing moves any more: mean over the height, of a tall part at mid-length."
    )
    final_inner_diameter_m: float = Field(description="Bore after the shot, likewise; 0 for a disc.")
    shrink_ratio: float = Field(description="Final over initial outer diameter.")
    final_rim_thickness_m: float = Field(description="Mean thickness of the outermost cell; it falls towards the rim.")
    final_centre_thickness_m: float = Field(description="Thickness of the innermost cell after the shot.")
    peak_workpiece_speed_m_per_s: float = Field(description="Largest inward speed of the rim.")
    peak_strain_rate_per_s: float = Field(description="Largest plastic strain rate in the workpiece.")
    peak_workpiece_temperature_k: float = Field(description="Hottest place in the workpiece during the shot.")
    end_workpiece_temperature_k: float = Field(description="Hottest place in the workpiece at the end of the run.")
    mean_workpiece_temperature_k: float = Field(description="Workpiece after settling to one temperature.")
    peak_coil_temperature_k: float = Field(description="Hottest place in the coil during the shot.")
    burst_time_s: float | None = Field(description="First rupture of a turn; null if none.")
    burst_current_a: float | None = Field(description="Coil current at that moment; null if none.")
    burst_field_energy_j: float | None = Field(description="Energy of the field at that moment; null if none.")
    burst_bank_energy_j: float | None = Field(description="Energy left in the bank at that moment; null if none.")
    ruptured_turns_count: int = Field(description="Turns that ruptured.")
    debris_velocity_m_per_s: float = Field(description="Speed of the fastest ruptured turn.")
    debris_energy_j: float = Field(description="Kinetic energy of the ruptured turns.")
    arc_energy_j: float = Field(description="Energy spent in arcs between the pieces of the coil.")


class EnergyBalance(Checked):
    """Where the bank's energy went; the parts and the residual add up to `bank_j`."""

    bank_j: float = Field(description="Energy stored when the switch closed.")
    stray_resistance_j: float = Field(description="Heat in the resistance of bank, switch and leads.")
    damping_resistor_j: float = Field(description="Heat in the bank's damping resistor.")
    switch_drop_j: float = Field(description="Heat in the switch's drop or spark.")
    crowbar_j: float = Field(description="Heat in the crowbar's resistance and drop.")
    coil_heat_j: float = Field(description="Ohmic heat in the coil, whole run.")
    workpiece_heat_j: float = Field(description="Ohmic heat in the workpiece, whole run.")
    workpiece_plastic_work_j: float = Field(description="Plastic and viscous work in the workpiece.")
    workpiece_elastic_j: float = Field(description="Elastic energy in the workpiece at the end.")
    workpiece_motion_j: float = Field(description="Kinetic energy of the workpiece at the end.")
    coil_plastic_work_j: float = Field(description="Plastic work in the turns.")
    coil_elastic_j: float = Field(description="Elastic energy in the turns at the end.")
    coil_motion_j: float = Field(description="Kinetic energy of the turns at the end, debris included.")
    arc_j: float = Field(description="Energy in arcs between pieces of the coil.")
    magnetic_j: float = Field(description="Energy of the field at the end.")
    left_in_bank_j: float = Field(description="Energy left in the bank at the end.")
    residual_j: float = Field(description="What the numbers fail to account for.")
    residual_ratio: float = Field(description="Residual over the bank's energy.")


class Rating(Checked):
    """One limit of bench or surroundings, what the shot takes of it, and what is left."""

    name: str = Field(description="The limit's field name in `limits`, or the estimate's that `surroundings` limit.")
    unit: str = Field(description="UCUM code of value and limit.")
    value: float = Field(description="What this shot takes.")
    limit: float = Field(description="What the bench bears.")
    margin_ratio: float = Field(description="1 - value / limit; negative when exceeded.")
    exceeded: bool
    statement: str = Field(default="", description="Value and limit in words.")


class Ground(Checked):
    """One thing that speaks against firing."""

    name: str = Field(description="The limit's field name, or the run's status.")
    statement: str
    unit: str | None = Field(description="UCUM code of value and limit; null for a status.")
    value: float | None
    limit: float | None


class Verdict(Checked):
    """Whether anything known forbids the shot. Nothing known is not permission."""

    not_to_be_fired: bool
    statement: str = Field(description="The verdict in words, with every ground.")
    grounds: list[Ground]
    not_rated: list[str] = Field(description="Limits that are stated but that this answer has no value for.")


class Estimate(Checked):
    """One figure of what can hurt or wear, with what follows from it and how it was found."""

    name: str
    unit: str = Field(description="UCUM code of value and limit.")
    value: float | None = Field(description="Null where no figure can be given that could be shown to be right.")
    limit: float | None = Field(default=None, description="What is allowed or what the surroundings bear, if known.")
    limit_source: str | None = Field(default=None, description="Where the limit comes from.")
    exceeded: bool | None = Field(default=None, description="Whether the value is over the limit; null without one.")
    statement: str
    equation: str = Field(description="How the value was found.")
    source: str
    validity: str = Field(description="What it holds for.")
    errs: str = Field(description="Which way it is wrong, and why.")


class Hazards(Checked):
    """Estimates for planning, and the cautions that go with every shot."""

    estimates: list[Estimate]
    cautions: list[str]


class Series(Checked):
    """Bounded time series; the extremes of every column are kept."""

    time_s: list[float]
    current_a: list[float]
    bank_voltage_v: list[float]
    workpiece_current_a: list[float]
    gap_field_tesla: list[float]
    force_n: list[float]
    outer_diameter_m: list[float]
    inner_diameter_m: list[float]
    coil_inner_diameter_m: list[float]
    workpiece_temperature_k: list[float]
    coil_temperature_k: list[float]
    bank_current_a: list[float]
    centre_field_tesla: list[float]
    coil_voltage_v: list[float]
    turn_voltage_v: list[float]
    layer_voltage_v: list[float]
    outside_heat_j: list[float]
    coil_heat_j: list[float]
    workpiece_heat_j: list[float]
    workpiece_work_j: list[float]
    workpiece_motion_j: list[float]
    coil_motion_j: list[float]
    arc_j: list[float]
    magnetic_j: list[float]


class TurnReport(Checked):
    """One turn kept in the symmetric half, and what became of it; end turns differ from middle ones."""

    layer_count: int = Field(description="Layer, counted from the bore.")
    height_m: float = Field(description="Height above the mid-plane.")
    alike_count: int = Field(description="Turns this one stands for: 2 off the mid-plane, 1 on it.")
    peak_force_n: float = Field(description="Largest outward force.")
    peak_voltage_v: float = Field(description="Largest voltage along the turn until the coil bursts.")
    hoop_strain_ratio: float = Field(description="Plastic hoop strain at the end or at rupture.")
    temperature_k: float = Field(description="Mean over its section at the end.")
    rupture: Literal["strain", "melting"] | None = Field(description="What broke it; null if it held.")
    rupture_time_s: float | None
    pieces_count: int = Field(description="Pieces it broke into; 0 if it held.")
    speed_m_per_s: float = Field(description="Outward speed at the end.")
    debris_energy_j: float = Field(description="Kinetic energy of one such turn's pieces.")
    arc_energy_j: float = Field(description="Energy in the arcs between one such turn's pieces.")


class Profile(Checked):
    """The workpiece at the end: along the radius at the mid-plane, and along the axis up to the face."""

    radius_m: list[float] = Field(description="Middles of the radial cells.")
    thickness_m: list[float] = Field(description="Thickness of the whole part there.")
    strain_ratio: list[float] = Field(description="Equivalent plastic strain there.")
    flow_stress_pa: list[float] = Field(description="Quasi-static flow stress at room temperature after hardening.")
    temperature_k: list[float] = Field(description="Mean over the cell.")
    height_m: list[float] = Field(description="Middles of the slices above the mid-plane, at the rim.")
    outer_diameter_m: list[float] = Field(description="Outer diameter of each slice.")
    inner_diameter_m: list[float] = Field(description="Bore of each slice.")


class InsulationCheck(Checked):
    """One pair of conductors: the largest voltage between them, and what the insulation stated between them bears."""

    between: Literal["turns", "layers", "gap"]
    peak_voltage_v: float
    breakdown_voltage_v: float | None = Field(description="Null when the insulation there is not stated.")
    margin_ratio: float | None = Field(description="1 - voltage / breakdown; negative when it fails.")
    statement: str


class Advisory(Checked):
    """Something about this shot that a number alone does not show."""

    name: str
    statement: str
    source: str


class NumericalError(Checked):
    """How far mesh and step may have moved a figure, either way: 95 of 100 shots lie inside."""

    peak_current_a: float
    final_outer_diameter_m: float | None = Field(description="Null without motion.")
    debris_energy_j: float | None = Field(description="Null without motion.")
    statement: str


class Provenance(Software):
    """What has to be known to repeat the run; the input is in `shot`."""

    input_sha256: str = Field(description="Digest of the input with every default filled in.")
    step_s: float = Field(description="Electrical time step.")
    steps_count: int
    field_cells_count: int = Field(description="Current cells in half the workpiece section.")
    motion_cells_count: int = Field(description="Radial cells of the mechanical mesh.")
    slices_count: int = Field(description="Slices of the mechanical mesh in half the thickness.")


class FaultShot(Checked):
    """What happens when something fails in this shot."""

    name: str
    statement: str
    demands: str = Field(description="What has to be there so that nobody is hurt.")
    peak_current_a: float | None = Field(description="Null where it is not known.")
    action_a2_s: float | None = Field(description="Null where it is not known.")
    energy_j: float = Field(description="Energy into the fault, or left where people may come near it.")
    over_limits: list[str] = Field(default_factory=list, description="Stated limits that the fault's figures are over.")
    equation: str
    source: str
    validity: str
    errs: str = Field(description="Which way the figures are wrong, and why.")


Stage = Literal["before_charging", "charging", "firing", "after"]


class ChecklistItem(Checked):
    """One thing to be done or seen, by a person, in this order."""

    stage: Stage
    name: str
    action: str = Field(description="What to do, with its number where there is one.")
    value: float | None = None
    unit: str | None = None
    source: str = Field(description="Where number and demand come from.")


class ExplainedStep(Checked):
    """One step of what happens in a shot, for those who want to understand it."""

    name: str
    title: str
    statement: str
    equation: str = Field(description="The law behind it, in its plainest form.")
    value: float = Field(description="What the model gives, which takes much more than that law into account.")
    unit: str = Field(description="UCUM code of the value.")
    time_s: float = Field(description="When it happens.")


class ShotResult(Checked):
    """Everything a run says. `shot` is the input with every default filled in."""

    verdict: Verdict = Field(description="Whether anything known forbids the shot.")
    status: Status
    advice: str = Field(description="What the status means and what to try.")
    summary: Summary | None = Field(description="Null only when the run did not converge.")
    energy: EnergyBalance | None
    ratings: list[Rating]
    bench_load: list[Estimate] = Field(description="What the shot takes out of the stated equipment.")
    hazards: Hazards
    faults: list[FaultShot]
    checklist: list[ChecklistItem] = Field(description="Go or no-go, in order; it replaces no procedure of the site.")
    turns: list[TurnReport]
    profile: Profile | None
    insulation: list[InsulationCheck]
    warnings: list[Advisory]
    numerical_error: NumericalError | None
    explanation: list[ExplainedStep] = Field(
        description="The shot told in steps, cause before effect; empty when it did not converge."
    )
    series: Series | None
    provenance: Provenance
    shot: Shot
