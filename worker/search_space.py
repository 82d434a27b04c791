"""What a search may vary: turns, layers, wire, pitch, gap or former, and capacitance or number of capacitors."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from physics.materials import MaterialChoice
from physics.schema import Checked
from physics.wires import Wire, WireName, wire

#: What a shot accepts as its gap (m) and its bank's capacitance (farad); see physics.shot.
GAP_RANGE_M = (1e-4, 2e-2)
CAPACITANCE_RANGE_FARAD = (1e-7, 2e-2)


WireStock = Annotated[list[WireName], Field(min_length=1, max_length=40)]


class _Range(Checked):
    """Two ends, the lower one first. Equal ends hold the value."""

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        low, high = (name for name in type(self).model_fields if name.startswith(("low_", "high_")))
        if getattr(self, high) < getattr(self, low):
            raise ValueError(f"{high} must not be below {low}")
        return self


class TurnsRange(_Range):
    """Fewest and most turns in all layers together, both included."""

    low_count: int = Field(ge=1, le=60, description="Fewest turns.")
    high_count: int = Field(ge=1, le=60, description="Most turns.")


class LayersRange(_Range):
    """Fewest and most layers, both included."""

    low_count: int = Field(ge=1, le=6, default=1, description="Fewest layers.")
    high_count: int = Field(ge=1, le=6, default=1, description="Most layers; not more than the fewest turns.")


class PitchRange(_Range):
    """Axial pitch as a multiple of the wire's close pitch, turn touching turn in its enamel."""

    low_ratio: float = Field(ge=1.0, le=5.0, default=1.0, description="1: turns touch in their enamel.")
    high_ratio: float = Field(ge=1.0, le=5.0, default=1.0, description="Widest pitch over the close one.")


class GapRange(_Range):
    """Least and largest gap, metal to metal."""

    low_m: float = Field(ge=1e-4, le=2e-2, description="Least gap.")
    high_m: float = Field(ge=1e-4, le=2e-2, description="Largest gap.")


class FormerStock(Checked):
    """Formers at hand. The gap is wall, enamel of the wire and clearance together."""

    walls_m: Annotated[list[float], Field(min_length=1, max_length=40)] = Field(
        description="Wall thicknesses in stock.", examples=[[8e-4, 1.2e-3]]
    )
    clearance_m: float = Field(ge=0.0, le=1e-2, default=0.0, description="Air between part and former, all round.")
    strength_v_per_m: float | None = Field(
        ge=1e5, le=1e9, default=None, description="Dielectric strength; null: the wall is not rated.", examples=[2e7]
    )

    def gap_m(self, wall_m: float, chosen: Wire) -> float:
        """Metal to metal (m) with a wall (m) and a wire."""
        return wall_m + 0.5 * chosen.enamel_increase_m + self.clearance_m


class CapacitanceRange(_Range):
    """Least and largest capacitance of the whole bank."""

    low_farad: float = Field(ge=1e-7, le=2e-2, description="Least capacitance.")
    high_farad: float = Field(ge=1e-7, le=2e-2, description="Largest capacitance.")


class CapacitorStock(_Range):
    """A bank of so many equal capacitors in parallel."""

    each_farad: float = Field(ge=1e-8, le=2e-2, description="Capacitance of one.", examples=[3e-5])
    each_inductance_henry: float = Field(ge=0.0, le=1e-4, default=0.0, description="ESL of one.")
    each_resistance_ohm: float = Field(ge=0.0, le=10.0, default=0.0, description="ESR of one.")
    low_count: int = Field(ge=1, le=10_000, description="Fewest capacitors.")
    high_count: int = Field(ge=1, le=10_000, description="Most capacitors.")

    @model_validator(mode="after")
    def _bank_is_plausible(self) -> CapacitorStock:
        low, high = CAPACITANCE_RANGE_FARAD
        for count in (self.low_count, self.high_count):
            if not low <= count * self.each_farad <= high:
                raise ValueError(
                    f"{count} capacitors of each_farad {self.each_farad:g} F make {count * self.each_farad:g} F, "
                    f"outside the allowed range {low:g} to {high:g} F"
                )
        return self


class LayerSheet(Checked):
    """Insulating sheet between the layers of a coil."""

    thickness_m: float = Field(ge=0.0, le=1e-2, description="Thickness of the sheet.")
    strength_v_per_m: float | None = Field(
        ge=1e5, le=1e9, default=None, description="Dielectric strength; null: the sheet is not rated."
    )


class StatedSearch(Checked):
    """What may be varied, as far as it is stated. A range whose ends are equal holds that value."""

    turns: TurnsRange = Field(description="Turns of the coil in all layers together, both ends included.")
    layers: LayersRange = Field(default_factory=LayersRange, description="Layers of the coil, both ends included.")
    pitch: PitchRange = Field(default_factory=PitchRange, description="Axial pitch over the wire's close pitch.")
    gap: GapRange | None = Field(default=None, description="Gap, metal to metal, of any size in the range.")
    formers: FormerStock | None = Field(default=None, description="Gap from a stock of formers, instead of `gap`.")
    capacitance: CapacitanceRange | None = Field(default=None, description="Capacitance of the bank, any in the range.")
    capacitors: CapacitorStock | None = Field(
        default=None, description="Bank of equal capacitors, instead of `capacitance`."
    )
    wires: WireStock | None = Field(
        default=None, description="Stock of wires, by name; see /v1/wires.", examples=[["awg_12", "awg_14"]]
    )
    layer_sheet: LayerSheet | None = Field(default=None, description="Sheet between layers; null: enamel on enamel.")
    coil_material: MaterialChoice = Field(default="copper", description="Metal of the wire.")

    @model_validator(mode="after")
    def _layers_have_turns(self) -> Self:
        if self.layers.high_count > self.turns.low_count:
            raise ValueError(
                f"layers.high_count {self.layers.high_count} is more than turns.low_count {self.turns.low_count}: "
                "each layer needs a turn; allowed range of layers.high_count "
                f"{self.layers.low_count} to {self.turns.low_count}"
            )
        return self


class SearchSpace(StatedSearch):
    """What may be varied. A range whose ends are equal holds that value.

    Give either `gap` or `formers`, and either `capacitance` or `capacitors`.
    """

    wires: WireStock = Field(description="Stock of wires, by name; see /v1/wires.", examples=[["awg_12", "awg_14"]])

    @model_validator(mode="after")
    def _one_of_two(self) -> SearchSpace:
        for one, other in (("gap", "formers"), ("capacitance", "capacitors")):
            if (getattr(self, one) is None) == (getattr(self, other) is None):
                raise ValueError(f"give exactly one of {one} and {other}")
        return self

    @model_validator(mode="after")
    def _formers_fit(self) -> SearchSpace:
        if self.formers is None:
            return self
        low, high = GAP_RANGE_M
        for place, wall in enumerate(self.formers.walls_m):
            for name in self.wires:
                gap = self.formers.gap_m(wall, wire(name))
                if wall < 0.0 or not low <= gap <= high:
                    raise ValueError(
                        f"formers.walls_m/{place} {wall:g} m makes a gap of {gap:g} m with clearance_m and the enamel "
                        f"of {name}; a wall is not negative, and the allowed range of the gap is {low:g} to {high:g} m"
                    )
        return self
