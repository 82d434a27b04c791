"""What stands round the coil: barrier, box, room, people and instruments, as far as hazards depend on them."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from physics.schema import Checked

BarrierMaterial = Literal["mild_steel", "concrete", "brick", "polycarbonate"]


class Barrier(Checked):
    """What is to stop the debris, all round the coil."""

    material: BarrierMaterial
    thickness_m: float = Field(gt=0.0, le=3.0, description="Of the weakest place.")
    strength_pa: float = Field(
        ge=1e6, le=1.5e8, default=2.5e7, description="Crushing strength; of concrete only.", examples=[3e7]
    )


class Box(Checked):
    """A closed box round the coil."""

    volume_m3: float = Field(gt=1e-4, le=1e4, description="Of the air in it.")
    strength_pa: float | None = Field(
        ge=100.0, le=1e8, default=None, description="Pressure above that outside which it stands; null: not known."
    )
    vent_area_m2: float = Field(ge=0.0, le=100.0, default=0.0, description="Free openings.")


class Surroundings(Checked):
    """The room as hazards see it. The defaults are those of no particular room: state your own."""

    barrier: Barrier | None = Field(default=None, description="Null: only what one would have to be is told.")
    barrier_margin_ratio: float = Field(
        ge=1.0, le=10.0, default=1.5, description="Thickness asked for, over the one that just stops a piece."
    )
    box: Box | None = Field(default=None, description="Null: the coil stands in the open.")
    people_distance_m: float = Field(ge=0.3, le=1000.0, default=5.0, description="Of the nearest person from the coil.")
    instrument_distance_m: float = Field(ge=0.1, le=1000.0, default=1.0, description="Of the nearest cable loop.")
    instrument_loop_m2: float = Field(ge=1e-6, le=10.0, default=0.01, description="Area of that loop.")
    room_volume_m3: float = Field(ge=1.0, le=1e6, default=50.0, description="Of the air that fume spreads in.")
