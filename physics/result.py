"""What a run returns: a frozen, finite, bounded result with its units in the names."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from physics.schema import Checked
from physics.shot import Shot

Status = Literal[
    "completed", "stopped_early", "over_crushed", "bore_closed", "rim_extruded", "material_limit", "not_converged"
]


class Summary(Checked):
    """The figures of a shot. Numbers that need motion or heating are null when that was off."""

    peak_current_a: float = Field(description="Largest coil current.")
    time_to_peak_s: float = Field(description="When it is reached.")
    first_current_zero_s: float | None = Field(description="First return of the current to zero; null if not reached.")
    voltage_reversal_ratio: float = Field(description="Largest reverse voltage on the bank over the charge voltage.")
    charge_coulomb: float = Field(description="Charge passed, integral of |I|.")
    action_a2_s: float = Field(description="Action integral of the whole shot.")
    peak_gap_field_tesla: float = Field(description="Peak axial field on the mid-plane, halfway between rim and wire.")
    peak_force_n: float = Field(description="Peak inward force: integral of the radial J x B over the workpiece.")
    impulse_n_s: float = Field(description="Integral of that force from 0 to the first current zero.")
    coil_heat_j: float = Field(description="Ohmic heat in the turns up to the first current zero.")
    workpiece_heat_j: float = Field(description="Ohmic heat in the workpiece up to the first current zero.")
    final_outer_diameter_m: float = Field(description="Outer diameter when nothing moves any more.")
    final_inner_diameter_m: float = Field(description="Bore after the shot; 0 for a disc.")
    shrink_ratio: float = Field(description="Final over initial outer diameter.")
    final_rim_thickness_m: float = Field(description="Mean thickness of the outermost cell; it falls towards the rim.")
    final_centre_thickness_m: float = Field(description="Thickness of the innermost cell after the shot.")
    peak_workpiece_speed_m_per_s: float = Field(description="Largest inward speed of the rim.")
    peak_strain_rate_per_s: float = Field(description="Largest plastic strain rate in the workpiece.")
    peak_workpiece_temperature_k: float = Field(description="Hottest place in the workpiece during the shot.")
    mean_workpiece_temperature_k: float = Field(description="Workpiece after settling to one temperature.")
    peak_coil_temperature_k: float = Field(description="Hottest place in the coil during the shot.")
    burst_time_s: float | None = Field(description="First rupture of a turn; null if none.")
    burst_current_a: float | None = Field(description="Coil current at that moment; null if none.")
    ruptured_turns_count: int = Field(description="Turns that ruptured.")
    debris_velocity_m_per_s: float = Field(description="Speed of the fastest ruptured turn.")
    debris_energy_j: float = Field(description="Kinetic energy of the ruptured turns.")
    arc_energy_j: float = Field(description="Energy spent in arcs between the pieces of the coil.")


class EnergyBalance(Checked):
    """Where the bank's energy went; the parts and the residual add up to `bank_j`."""

    bank_j: float = Field(description="Energy stored when the switch closed.")
    stray_resistance_j: float = Field(description="Heat in bank, switch and leads.")
    switch_drop_j: float = Field(description="Heat in the switch's arc drop.")
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
    """One limit, what the shot takes of it, and what is left."""

    name: str = Field(description="The limit's field name in `limits`.")
    unit: str = Field(description="UCUM code of value and limit.")
    value: float = Field(description="What this shot takes.")
    limit: float = Field(description="What the bench bears.")
    margin_ratio: float = Field(description="1 - value / limit; negative when exceeded.")
    exceeded: bool


class Hazard(Checked):
    """One thing that can hurt, with its number and what follows from it."""

    name: str
    unit: str = Field(description="UCUM code of the value.")
    value: float
    statement: str
    source: str


class Hazards(Checked):
    """Estimates for planning, and the cautions that go with every shot."""

    estimates: list[Hazard]
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


class Provenance(Checked):
    """What has to be known to repeat the run."""

    model_version: str
    material_data_version: str = Field(description="Digest of the material data used.")
    step_s: float = Field(description="Electrical time step.")
    steps_count: int
    field_cells_count: int = Field(description="Current cells in half the workpiece section.")
    motion_cells_count: int = Field(description="Radial cells of the mechanical mesh.")


class ShotResult(Checked):
    """Everything a run says. `shot` is the input with every default filled in."""

    status: Status
    advice: str = Field(description="What the status means and what to try.")
    summary: Summary | None = Field(description="Null only when the run did not converge.")
    energy: EnergyBalance | None
    ratings: list[Rating]
    hazards: Hazards
    series: Series | None
    provenance: Provenance
    shot: Shot
