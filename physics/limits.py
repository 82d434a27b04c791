"""What the bench and the room can bear: every limit that a shot, a bench or a design can state."""

from __future__ import annotations

from pydantic import Field

from physics.schema import Checked


class Limits(Checked):
    """Limits as far as they are stated; one that is null is not. Each stated limit is rated in the result."""

    charge_voltage_v: float | None = Field(
        ge=1.0, le=1e5, default=None, description="Highest charge voltage.", examples=[10000.0]
    )
    stored_energy_j: float | None = Field(
        ge=0.01, le=1e7, default=None, description="Highest stored energy.", examples=[8000.0]
    )
    peak_current_a: float | None = Field(ge=1.0, le=1e7, default=None, description="Highest peak current.")
    peak_capacitor_current_a: float | None = Field(
        ge=10.0,
        le=1e7,
        default=None,
        description="Highest peak current of each capacitor; a bank given by its capacitance alone counts as one.",
    )
    charge_coulomb: float | None = Field(
        ge=1e-4, le=1e5, default=None, description="Most charge through the switch in one shot, integral of |I|."
    )
    action_a2_s: float | None = Field(
        ge=1.0, le=1e12, default=None, description="Largest action integral of switch, fuses or leads in one shot."
    )
    current_rise_a_per_s: float | None = Field(
        ge=1e6, le=1e14, default=None, description="Steepest rise of the current that the switch bears."
    )
    hold_off_v: float | None = Field(
        ge=1.0, le=1e5, default=None, description="Highest voltage that the open switch holds off."
    )
    voltage_reversal_ratio: float | None = Field(
        ge=0.01, le=1.0, default=None, description="Largest reverse voltage of the bank over the charge voltage."
    )
    expected_shots_count: float | None = Field(
        ge=1.0,
        le=1e9,
        default=None,
        description="Fewest shots like this one that the capacitors are to last; needs equipment.capacitors.",
    )
    lead_temperature_k: float | None = Field(
        ge=294.0,
        le=1300.0,
        default=None,
        description="Hottest that the leads may get; needs equipment.lead_conductors.",
    )
    lead_force_n_per_m: float | None = Field(
        ge=1.0,
        le=1e8,
        default=None,
        description="Most force between the leads on each metre; needs equipment.lead_conductors.",
    )
    charge_time_s: float | None = Field(
        ge=0.1, le=1e5, default=None, description="Longest time to charge the bank; needs equipment.charger."
    )
    bleed_time_s: float | None = Field(
        ge=0.1, le=1e5, default=None, description="Longest time to bleed it to the safe voltage; needs equipment.bleed."
    )
    debris_energy_j: float | None = Field(
        ge=1.0, le=1e7, default=None, description="Most kinetic energy of the coil's pieces that the containment stops."
    )
    worst_piece_energy_j: float | None = Field(
        ge=0.01, le=1e6, default=None, description="Most kinetic energy of a single piece."
    )
    peak_sound_pa: float | None = Field(
        ge=1.0, le=1e7, default=None, description="Loudest peak at surroundings.people_distance_m."
    )
    stray_field_tesla: float | None = Field(
        ge=1e-9, le=10.0, default=None, description="Strongest field at surroundings.people_distance_m."
    )
    left_in_bank_j: float | None = Field(
        ge=0.01, le=1e7, default=None, description="Most energy that may stay in the bank after the shot."
    )
    induced_voltage_v: float | None = Field(
        ge=1e-6, le=1e6, default=None, description="Highest voltage in the loop of instruments of the surroundings."
    )
    implant_distance_m: float | None = Field(
        ge=0.01, le=1000.0, default=None, description="Furthest that the field for implants may reach."
    )
    flash_j_per_m2: float | None = Field(
        ge=1e-6, le=1e6, default=None, description="Most light at surroundings.people_distance_m."
    )
    metal_vapour_kg_per_m3: float | None = Field(
        ge=1e-12, le=1.0, default=None, description="Most copper in the air of the room."
    )
    coil_temperature_k: float | None = Field(
        ge=294.0, le=3000.0, default=None, description="Hottest that the coil may get."
    )
    part_temperature_k: float | None = Field(
        ge=294.0, le=3000.0, default=None, description="Hottest that the part may be once its heat has spread."
    )
    turn_insulation_margin_ratio: float | None = Field(
        ge=0.0,
        le=0.95,
        default=None,
        description="Least margin, 1 - voltage / breakdown, between turns and between layers.",
    )
    gap_insulation_margin_ratio: float | None = Field(
        ge=0.0,
        le=0.95,
        default=None,
        description="Least margin between coil and part; needs a former with its strength.",
    )
