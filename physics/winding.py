"""Where the turns of a coil lie: layers one over the other, each centred on the mid-plane."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Winding:
    """A coil's turns (all layers together) and the size of its conductor, m."""

    turns: int
    layers: int
    radial_m: float
    axial_m: float
    pitch_m: float
    layer_pitch_m: float
    is_round: bool

    @property
    def turns_in_layers(self) -> list[int]:
        """Turns of each layer, innermost first; what does not divide evenly goes to the inner ones."""
        each, more = divmod(self.turns, self.layers)
        return [each + (layer < more) for layer in range(self.layers)]


@dataclass(frozen=True)
class Place:
    """Centre of a turn at z >= 0 (m) and its layer; one off the mid-plane stands for its mirror image as well."""

    radius_m: float
    z_m: float
    layer: int


def places(winding: Winding, bore_radius: float) -> list[Place]:
    """Turns at z >= 0, layer by layer, of a coil whose bare conductor begins at `bore_radius` (m)."""
    found = []
    for layer, count in enumerate(winding.turns_in_layers):
        radius = bore_radius + 0.5 * winding.radial_m + layer * winding.layer_pitch_m
        lowest = 0.5 * winding.pitch_m if count % 2 == 0 else 0.0
        found += [Place(radius, lowest + index * winding.pitch_m, layer) for index in range((count + 1) // 2)]
    return found
