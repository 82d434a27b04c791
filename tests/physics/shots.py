"""Shots for the tests. The numbers are our own invention; only their order of magnitude is common practice."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from physics import ShotResult

Fire = Callable[[Mapping[str, Any]], ShotResult]

#: A bench of common size: a 3.7 kJ bank through eight turns round a brass disc of 24 mm.
TRADE_SHOT: dict[str, Any] = {
    "bank": {
        "capacitance_farad": 1.5e-4,
        "charge_voltage_v": 7000.0,
        "inductance_henry": 6e-8,
        "resistance_ohm": 2e-3,
    },
    "switch": {"kind": "ignitron", "inductance_henry": 4e-8, "resistance_ohm": 1e-3, "forward_drop_v": 30.0},
    "leads": {"inductance_henry": 1e-7, "resistance_ohm": 2e-3},
    "coil": {"turns_count": 8, "wire_diameter_m": 2.05e-3, "pitch_m": 2.3e-3, "material": "copper"},
    "gap_m": 1e-3,
    "workpiece": {
        "shape": "disc",
        "outer_diameter_m": 0.024,
        "thickness_m": 1.75e-3,
        "layers": [{"material": "brass_260"}],
    },
}


def part(shape: str, outer_m: float, thickness_m: float, material: str, inner_m: float = 0.0) -> dict[str, Any]:
    """A workpiece of one metal."""
    return {
        "shape": shape,
        "outer_diameter_m": outer_m,
        "inner_diameter_m": inner_m,
        "thickness_m": thickness_m,
        "layers": [{"material": material}],
    }


def changed(shot: Mapping[str, Any], **changes: Any) -> dict[str, Any]:
    """The shot with some members replaced; members that are objects are merged one level deep."""
    merged = dict(shot)
    for name, value in changes.items():
        merged[name] = {**merged.get(name, {}), **value} if isinstance(value, Mapping) else value
    return merged


#: Members of a coil of flat strip.
STRIP = {
    "turns_count": 5,
    "wire_diameter_m": None,
    "strip_width_m": 3e-3,
    "strip_thickness_m": 1.2e-3,
    "pitch_m": 3.3e-3,
}

_SPARK_GAP = {"kind": "spark_gap", "forward_drop_v": 0.0, "spark_length_m": 0.01}
_IDEAL = {"kind": "ideal", "inductance_henry": 0.0, "resistance_ohm": 0.0, "forward_drop_v": 0.0}

#: All kinds of part, coil, switch and crowbar, odd and even turns, with and without burst, at `design`.
VARIED_SHOTS: dict[str, dict[str, Any]] = {
    "disc of brass, burst": TRADE_SHOT,
    "disc of copper": changed(TRADE_SHOT, workpiece=part("disc", 0.030, 2e-3, "copper")),
    "disc, odd turns": changed(TRADE_SHOT, coil={"turns_count": 7}),
    "disc, low voltage": changed(TRADE_SHOT, bank={"charge_voltage_v": 3000.0}),
    "disc, blocking switch": changed(TRADE_SHOT, bank={"charge_voltage_v": 4500.0}, switch={"conducts_reverse": False}),
    "disc, one turn": changed(TRADE_SHOT, coil={"turns_count": 1, "wire_diameter_m": 3e-3, "pitch_m": 3e-3}),
    "disc, ideal switch": changed(TRADE_SHOT, switch=_IDEAL, bank={"charge_voltage_v": 6000.0}),
    "disc of aluminium, small": changed(
        TRADE_SHOT,
        bank={"charge_voltage_v": 3500.0},
        coil={"turns_count": 5, "wire_diameter_m": 1.6e-3, "pitch_m": 1.8e-3},
        workpiece=part("disc", 0.012, 2.5e-3, "aluminium_6061_t6"),
    ),
    "washer of cupronickel": changed(
        TRADE_SHOT, workpiece=part("washer", 0.026, 1.5e-3, "cupronickel_75_25", inner_m=0.008)
    ),
    "washer, ideal switch, odd turns": changed(
        TRADE_SHOT,
        switch=_IDEAL,
        bank={"charge_voltage_v": 5000.0},
        coil={"turns_count": 5},
        workpiece=part("washer", 0.028, 3e-3, "copper", inner_m=0.010),
    ),
    "ring of copper": changed(
        TRADE_SHOT, bank={"charge_voltage_v": 4000.0}, workpiece=part("ring", 0.040, 4e-3, "copper", inner_m=0.032)
    ),
    "ring of aluminium, odd turns": changed(
        TRADE_SHOT,
        bank={"charge_voltage_v": 5000.0},
        coil={"turns_count": 3, "wire_diameter_m": 2.6e-3, "pitch_m": 2.9e-3},
        workpiece=part("ring", 0.050, 6e-3, "aluminium_6061_t6", inner_m=0.042),
    ),
    "tube of copper": changed(
        TRADE_SHOT, bank={"charge_voltage_v": 6000.0}, workpiece=part("tube", 0.024, 0.03, "copper", inner_m=0.0215)
    ),
    "clad disc": changed(
        TRADE_SHOT,
        workpiece={
            "layers": [
                {"material": "cupronickel_75_25", "fraction_ratio": 0.165},
                {"material": "copper", "fraction_ratio": 0.67},
                {"material": "cupronickel_75_25", "fraction_ratio": 0.165},
            ]
        },
    ),
    "two layers of wire": changed(TRADE_SHOT, coil={"turns_count": 11, "layers_count": 2}),
    "flat strip": changed(TRADE_SHOT, coil=STRIP),
    "crowbar across the bank": changed(
        TRADE_SHOT,
        bank={"charge_voltage_v": 4500.0},
        crowbar={"across": "bank", "inductance_henry": 3e-8, "resistance_ohm": 1e-3, "forward_drop_v": 5.0},
    ),
    "crowbar across the coil": changed(
        TRADE_SHOT,
        bank={"charge_voltage_v": 4500.0},
        crowbar={"across": "coil", "inductance_henry": 3e-8, "resistance_ohm": 1e-3, "forward_drop_v": 5.0},
    ),
    "crowbar across the bank, burst": changed(
        TRADE_SHOT, crowbar={"across": "bank", "inductance_henry": 3e-8, "resistance_ohm": 1e-3, "forward_drop_v": 5.0}
    ),
    "spark gap, damped bank": changed(TRADE_SHOT, switch=_SPARK_GAP, bank={"damping_resistance_ohm": 0.02}),
    "cold coil": changed(TRADE_SHOT, bank={"charge_voltage_v": 4500.0}, coil={"initial_temperature_k": 77.0}),
}
