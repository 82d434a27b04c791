"""One shot with no more than has to be stated, for the command's help and its pictures."""

from __future__ import annotations

from typing import Any

EXAMPLE: dict[str, Any] = {
    "bank": {
        "capacitance_farad": 1.5e-4,
        "charge_voltage_v": 7000,
        "inductance_henry": 6e-8,
        "resistance_ohm": 2e-3,
    },
    "switch": {"kind": "ignitron", "inductance_henry": 4e-8, "resistance_ohm": 1e-3, "forward_drop_v": 30},
    "leads": {"inductance_henry": 1e-7, "resistance_ohm": 2e-3},
    "coil": {"turns_count": 8, "wire_diameter_m": 2.05e-3, "pitch_m": 2.3e-3, "material": "copper"},
    "gap_m": 1.0e-3,
    "workpiece": {
        "shape": "disc",
        "outer_diameter_m": 0.030,
        "thickness_m": 2e-3,
        "layers": [{"material": "copper"}],
    },
}
