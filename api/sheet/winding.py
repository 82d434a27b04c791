"""How a coil is wound: wire, turns, layers, bore, lengths."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, pi

from physics.shot import Shot
from physics.winding import Winding
from physics.wires import stock
from worker import words

#: Where no tails are stated: enough to reach a clamp outside a barrier's feed-through; common practice, no source.
USUAL_TAIL_M = 0.15
#: Bare diameters that differ by less than this are one stock size.
_SAME_M = 1e-6


@dataclass(frozen=True)
class WireNeeded:
    """Lengths of wire (m): in the turns along their helix, of one tail, and both together with two tails."""

    turns_m: float
    tail_m: float
    tail_is_stated: bool

    @property
    def total_m(self) -> float:
        """What to cut."""
        return self.turns_m + 2.0 * self.tail_m


def bore_m(shot: Shot) -> float:
    """Diameter (m) that the bare conductor begins at: the part and the gap on both sides."""
    return shot.workpiece.outer_diameter_m + 2.0 * shot.gap_m


def wire_needed(shot: Shot) -> WireNeeded:
    """Each turn is one of a helix: hypot(pi D, pitch), with the mean diameter D of its layer."""
    winding, total = shot.coil.winding, 0.0
    for layer, count in enumerate(winding.turns_in_layers):
        mean_m = bore_m(shot) + winding.radial_m + 2.0 * layer * winding.layer_pitch_m
        total += count * hypot(pi * mean_m, winding.pitch_m)
    tails = shot.leads.tails
    return WireNeeded(total, tails.length_m if tails else USUAL_TAIL_M, tail_is_stated=tails is not None)


def instructions(shot: Shot) -> list[tuple[str, str]]:
    """What the person at the winder needs, in order, as label and value."""
    coil, insulation, winding, needed = shot.coil, shot.insulation, shot.coil.winding, wire_needed(shot)
    enamel = insulation.enamel_thickness_m
    former_outer_m = bore_m(shot) - 2.0 * enamel
    rows = [
        ("wire", _conductor(shot)),
        ("cut to", f"{1e3 * needed.total_m:.0f} mm, of that {_tail(needed)}"),
        ("turns", _turns(winding)),
        ("pitch, turn to turn", f"{words.length(winding.pitch_m)} ({_closeness(winding, enamel)})"),
        ("wound length", words.length((max(winding.turns_in_layers) - 1) * winding.pitch_m + winding.axial_m)),
        ("wind on", f"{words.length(former_outer_m)} diameter{' (outside of the former)' if enamel else ''}"),
        ("former", _former(shot, former_outer_m)),
        ("gap, metal to metal", words.length(shot.gap_m)),
        ("direction", "all turns in one sense; mark start and end, and centre the coil on the part's mid-plane"),
    ]
    if coil.layers_count > 1:
        sheet = insulation.layer_sheet_m
        between = f"a sheet of {words.length(sheet)} between layers" if sheet else "no sheet between layers"
        rows.insert(3, ("layers", f"{coil.layers_count}, wound to and fro in the same sense, {between}"))
    return rows


def _conductor(shot: Shot) -> str:
    coil = shot.coil
    metal = coil.material.replace("_", " ") if isinstance(coil.material, str) else "own metal"
    if coil.wire_diameter_m is None:
        return f"{metal} strip, {words.length(coil.axial_m)} wide, {words.length(coil.radial_m)} thick"
    name = next((w.name for w in stock().values() if abs(w.diameter_m - coil.wire_diameter_m) < _SAME_M), None)
    stocked = f"{name.replace('_', ' ')}, " if name else ""
    enamel = shot.insulation.enamel_thickness_m
    film = f", enamelled to {words.length(coil.wire_diameter_m + 2.0 * enamel)}" if enamel else ""
    return f"{stocked}{words.length(coil.wire_diameter_m)} bare {metal}{film}"


def _tail(needed: WireNeeded) -> str:
    stated = "as stated" if needed.tail_is_stated else "usual; to suit the clamps"
    return f"2 tails of {words.length(needed.tail_m)} ({stated})"


def _turns(winding: Winding) -> str:
    if winding.layers == 1:
        return f"{winding.turns}, in one layer"
    each = " + ".join(str(count) for count in winding.turns_in_layers)
    return f"{winding.turns} = {each}, innermost layer first"


def _closeness(winding: Winding, enamel_m: float) -> str:
    gap_m = winding.pitch_m - winding.axial_m - 2.0 * enamel_m
    return "wound close" if gap_m < 0.02 * winding.axial_m else f"{words.length(gap_m)} of room between turns"


def _former(shot: Shot, outer_m: float) -> str:
    wall = shot.insulation.former_wall_m
    if not wall:
        return "not stated: whatever fills the gap must bear the voltage"
    return f"wall {words.length(wall)}, bore {words.length(outer_m - 2.0 * wall)}"
