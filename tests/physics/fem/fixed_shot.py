"""A shot in its JSON form as conductors and circuit of the oracle, and the figures of its result."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.physics.fem.meshing import Box, Circle, Fineness, Floats, Shape
from tests.physics.fem.oracle import VACUUM_PERMEABILITY, Circuit, Conductor, History, Matrices, Probe, assemble, run

Shot = Mapping[str, Any]

#: Edges of triangles at a surface: these fractions of skin depth, wire and part, whichever is shortest.
EDGES_PER_SKIN_DEPTH = 6.0
EDGES_ACROSS_WIRE = 12.0
EDGES_ACROSS_LAYER = 6.0


@dataclass(frozen=True)
class Solution:
    """The history of a shot, and what it was computed with."""

    history: History
    circuit: Circuit
    matrices: Matrices
    step_s: float


def solve(shot: Shot, fineness: Fineness, step_s: float, end_s: float = 1e-3) -> Solution:
    """Discharge the shot's bank until some time after the first zero of the current."""
    circuit = circuit_of(shot)
    matrices = assemble(conductors_of(shot), fineness, probe_of(shot))
    return Solution(run(matrices, circuit, step_s, end_s), circuit, matrices, step_s)


def circuit_of(shot: Shot) -> Circuit:
    bank, leads = shot["bank"], shot["leads"]
    return Circuit(
        bank["capacitance_farad"],
        bank["charge_voltage_v"],
        bank["inductance_henry"] + leads["inductance_henry"],
        bank["resistance_ohm"] + leads["resistance_ohm"],
    )


def probe_of(shot: Shot) -> Probe:
    """Halfway between the rim and the bare conductor of the innermost layer, on the mid-plane."""
    return Probe(shot["workpiece"]["outer_diameter_m"] / 2 + shot["gap_m"] / 2, 0.45 * shot["gap_m"])


def conductors_of(shot: Shot) -> list[Conductor]:
    """Everything in the upper half that conducts."""
    return _part(shot) + _turns(shot)


def _part(shot: Shot) -> list[Conductor]:
    """The layers of the workpiece from the mid-plane up."""
    part = shot["workpiece"]
    outer, inner = part["outer_diameter_m"] / 2, part["inner_diameter_m"] / 2
    faces_m = part["thickness_m"] * (np.cumsum([0.0] + [layer["fraction_ratio"] for layer in part["layers"]]) - 0.5)
    conductors = []
    for low_m, high_m, layer in zip(faces_m[:-1], faces_m[1:], part["layers"], strict=True):
        if high_m < 1e-9:
            continue
        bottom_m = -high_m if low_m < 1e-9 else low_m
        shape = Box(inner if inner > 0 else -outer, outer, bottom_m, high_m)
        thinnest_m = min(high_m - bottom_m, outer - inner)
        conductivity = layer["material"]["conductivity_s_per_m"]
        edge_m = min(_skin_depth_m(shot, conductivity) / EDGES_PER_SKIN_DEPTH, thinnest_m / EDGES_ACROSS_LAYER)
        conductors.append(Conductor(shape, conductivity, edge_m, is_turn=False))
    return conductors


def _turns(shot: Shot) -> list[Conductor]:
    """The turns whose centre is not below the mid-plane."""
    coil = shot["coil"]
    conductivity = coil["material"]["conductivity_s_per_m"]
    width_m, height_m = turn_size_m(coil)
    edge_m = min(_skin_depth_m(shot, conductivity) / EDGES_PER_SKIN_DEPTH, min(width_m, height_m) / EDGES_ACROSS_WIRE)
    return [
        Conductor(_turn_shape(coil, r, z), conductivity, edge_m, is_turn=True)
        for r, z in turn_centres_m(shot)
        if z >= 0
    ]


def _turn_shape(coil: Shot, r: float, z: float) -> Shape:
    if "wire_diameter_m" in coil:
        return Circle(r, z, coil["wire_diameter_m"] / 2)
    width_m, height_m = turn_size_m(coil)
    return Box(r - height_m / 2, r + height_m / 2, z - width_m / 2, z + width_m / 2)


def turn_size_m(coil: Shot) -> tuple[float, float]:
    """Axial and radial size of a turn."""
    if "wire_diameter_m" in coil:
        return coil["wire_diameter_m"], coil["wire_diameter_m"]
    return coil["strip_width_m"], coil["strip_thickness_m"]


def turn_centres_m(shot: Shot) -> list[tuple[float, float]]:
    """Each layer is centred on the mid-plane; the innermost layers have the turns that are left over."""
    coil = shot["coil"]
    width_m, height_m = turn_size_m(coil)
    layer_pitch_m = coil.get("layer_pitch_m", height_m + coil["pitch_m"] - width_m)
    first_m = shot["workpiece"]["outer_diameter_m"] / 2 + shot["gap_m"] + height_m / 2
    each, left = divmod(coil["turns_count"], coil["layers_count"])
    counts = [each + (layer < left) for layer in range(coil["layers_count"])]
    return [
        (first_m + layer * layer_pitch_m, (turn - (count - 1) / 2) * coil["pitch_m"])
        for layer, count in enumerate(counts)
        for turn in range(count)
    ]


def _skin_depth_m(shot: Shot, conductivity_s_per_m: float) -> float:
    """Skin depth at that half period; only a guide for the mesh."""
    return float(np.sqrt(2 * half_period_s(shot) / (np.pi * VACUUM_PERMEABILITY * conductivity_s_per_m)))


def half_period_s(shot: Shot) -> float:
    """Half a period of the bank with the coil round a part that shields: only a guide for mesh and step."""
    bank, coil = shot["bank"], shot["coil"]
    radius_m = turn_centres_m(shot)[0][0]
    length_m = coil["turns_count"] / coil["layers_count"] * coil["pitch_m"]
    # Wheeler's formula for a short solenoid (memory, high)
    inductance = VACUUM_PERMEABILITY * np.pi * (coil["turns_count"] * radius_m) ** 2 / (length_m + 0.9 * radius_m)
    return float(np.pi * np.sqrt((0.6 * inductance + bank["inductance_henry"]) * bank["capacitance_farad"]))


def figures(history: History) -> dict[str, float]:
    """The figures of a result, as they are defined in fe_cases.json."""
    h, zero_s = history, first_zero_s(history)
    impulse = np.concatenate([[0.0], np.cumsum((h.force_n[1:] + h.force_n[:-1]) / 2 * np.diff(h.time_s))])

    def at_zero(sums: Floats) -> float:
        return float(np.interp(zero_s, h.time_s, sums))

    before = h.time_s <= zero_s

    def peak(values: Floats) -> tuple[float, float]:
        return _extreme(h.time_s[before], values[before])

    return {
        "peak_current_a": peak(h.current_a)[1],
        "time_to_peak_s": peak(h.current_a)[0],
        "first_current_zero_s": zero_s,
        "peak_workpiece_current_a": peak(h.part_current_a)[1],
        "peak_force_n": peak(h.force_n)[1],
        "time_of_peak_force_s": peak(h.force_n)[0],
        "impulse_n_s": at_zero(impulse),
        "peak_gap_field_tesla": peak(h.gap_field_tesla)[1],
        "peak_axial_force_half_n": peak(h.axial_force_half_n)[1],
        "coil_heat_j": at_zero(h.coil_heat_j),
        "workpiece_heat_j": at_zero(h.workpiece_heat_j),
        "stray_heat_j": at_zero(h.stray_heat_j),
    }


def first_zero_s(history: History) -> float:
    """When the current first comes back to zero."""
    after = 1 + int(np.argmax(history.current_a[1:] <= 0.0))
    if history.current_a[after] > 0.0:
        raise ValueError("the current has no zero within the time computed")
    t, i = history.time_s[after - 1 : after + 1], history.current_a[after - 1 : after + 1]
    return float(t[0] + (t[1] - t[0]) * i[0] / (i[0] - i[1]))


def _extreme(time_s: Floats, values: Floats) -> tuple[float, float]:
    """Time and value at the top of the parabola through the value farthest from zero and its neighbours."""
    top = min(max(int(np.argmax(np.abs(values))), 1), len(values) - 2)
    before, middle, after = values[top - 1 : top + 2]
    shift = 0.5 * (before - after) / (before - 2 * middle + after)
    return float(time_s[top] + shift * (time_s[1] - time_s[0])), float(middle - 0.25 * (before - after) * shift)
