"""Six design requests of different nature, for the measure of the search. Benches and parts are our own inventions."""

from __future__ import annotations

from typing import Any

from worker.request import DesignRequest

_BENCH: dict[str, Any] = {
    "bank": {"inductance_henry": 6e-8, "resistance_ohm": 3e-3},
    "switch": {
        "kind": "ignitron",
        "inductance_henry": 4e-8,
        "resistance_ohm": 1e-3,
        "forward_drop_v": 30.0,
        "conducts_reverse": True,
    },
    "leads": {"inductance_henry": 1e-7, "resistance_ohm": 4e-3},
}
_DISC: dict[str, Any] = {
    "shape": "disc",
    "outer_diameter_m": 0.030,
    "thickness_m": 2e-3,
    "layers": [{"material": "copper"}],
}
_WIRES = ["awg_08", "awg_10", "awg_12", "awg_14"]

BODIES: dict[str, dict[str, Any]] = {
    "energy_limited": {
        "workpiece": _DISC,
        "target": {"final_outer_diameter_m": 0.024, "tolerance_m": 1e-4},
        "limits": {"charge_voltage_v": 12_000.0, "stored_energy_j": 2_800.0},
        "search": {
            "turns": {"low_count": 3, "high_count": 14},
            "gap": {"low_m": 8e-4, "high_m": 2.5e-3},
            "capacitance": {"low_farad": 4e-5, "high_farad": 4e-4},
            "wires": _WIRES,
        },
    },
    "voltage_limited": {
        "workpiece": _DISC,
        "target": {"final_outer_diameter_m": 0.025, "tolerance_m": 1e-4},
        "limits": {"charge_voltage_v": 3_500.0, "stored_energy_j": 12_000.0, "peak_current_a": 120_000.0},
        "search": {
            "turns": {"low_count": 3, "high_count": 14},
            "gap": {"low_m": 8e-4, "high_m": 2.5e-3},
            "capacitance": {"low_farad": 1e-4, "high_farad": 2e-3},
            "wires": _WIRES,
        },
    },
    "current_limited": {
        "workpiece": _DISC,
        "target": {"final_outer_diameter_m": 0.025, "tolerance_m": 1e-4},
        "limits": {
            "charge_voltage_v": 20_000.0,
            "stored_energy_j": 10_000.0,
            "peak_current_a": 32_000.0,
            "charge_coulomb": 3.0,
        },
        "search": {
            "turns": {"low_count": 4, "high_count": 20},
            "layers": {"low_count": 1, "high_count": 3},
            "pitch": {"low_ratio": 1.0, "high_ratio": 1.3},
            "layer_sheet": {"thickness_m": 2e-4, "strength_v_per_m": 4e7},
            "gap": {"low_m": 8e-4, "high_m": 2.5e-3},
            "capacitance": {"low_farad": 4e-5, "high_farad": 4e-4},
            "wires": ["awg_10", "awg_12", "awg_14", "awg_16"],
        },
    },
    "ring": {
        "workpiece": {
            "shape": "ring",
            "outer_diameter_m": 0.040,
            "inner_diameter_m": 0.034,
            "thickness_m": 6e-3,
            "layers": [{"material": "brass_260"}],
        },
        "target": {"final_outer_diameter_m": 0.036, "tolerance_m": 1.5e-4},
        "limits": {"charge_voltage_v": 9_000.0, "stored_energy_j": 6_000.0, "voltage_reversal_ratio": 0.9},
        "search": {
            "turns": {"low_count": 3, "high_count": 12},
            "formers": {"walls_m": [6e-4, 8e-4, 1e-3, 1.5e-3, 2e-3], "clearance_m": 1.5e-4, "strength_v_per_m": 2e7},
            "capacitance": {"low_farad": 4e-5, "high_farad": 5e-4},
            "pitch": {"low_ratio": 1.0, "high_ratio": 1.5},
            "wires": _WIRES,
        },
    },
    "aluminium": {
        "workpiece": {
            "shape": "washer",
            "outer_diameter_m": 0.036,
            "inner_diameter_m": 0.012,
            "thickness_m": 3e-3,
            "layers": [{"material": "aluminium_6061_t6"}],
        },
        "target": {"shrink_ratio": 0.85, "tolerance_m": 1.5e-4},
        "limits": {
            "charge_voltage_v": 9_000.0,
            "stored_energy_j": 8_000.0,
            "peak_capacitor_current_a": 15_000.0,
            "debris_energy_j": 1_500.0,
        },
        "search": {
            "turns": {"low_count": 4, "high_count": 14},
            "gap": {"low_m": 8e-4, "high_m": 2.5e-3},
            "capacitors": {
                "each_farad": 2.5e-5,
                "each_inductance_henry": 1.5e-7,
                "each_resistance_ohm": 1e-2,
                "low_count": 2,
                "high_count": 16,
            },
            "wires": _WIRES,
        },
    },
    "clad_part": {
        "workpiece": {
            "shape": "disc",
            "outer_diameter_m": 0.0243,
            "thickness_m": 1.75e-3,
            "layers": [
                {"material": "cupronickel_75_25", "fraction_ratio": 0.17},
                {"material": "copper", "fraction_ratio": 0.66},
                {"material": "cupronickel_75_25", "fraction_ratio": 0.17},
            ],
        },
        "target": {"final_outer_diameter_m": 0.019, "tolerance_m": 1e-4},
        "limits": {"charge_voltage_v": 10_000.0, "stored_energy_j": 7_000.0, "gap_insulation_margin_ratio": 0.3},
        "search": {
            "turns": {"low_count": 4, "high_count": 14},
            "formers": {
                "walls_m": [5e-4, 7e-4, 1e-3, 1.5e-3],
                "clearance_m": 1e-4,
                "strength_v_per_m": 2.5e7,
            },
            "capacitors": {
                "each_farad": 2e-5,
                "each_inductance_henry": 1.5e-7,
                "each_resistance_ohm": 1e-2,
                "low_count": 2,
                "high_count": 20,
            },
            "wires": _WIRES,
        },
    },
}


def asked(name: str, seed: int) -> DesignRequest:
    """The request of that name."""
    return DesignRequest.model_validate({"bench": _BENCH, **BODIES[name], "name": name, "seed": seed})
