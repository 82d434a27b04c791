"""How long one shot takes at each fidelity: `make bench`.

Times differ from machine to machine; their ratios are what to compare between two versions.
"""

from __future__ import annotations

import statistics
import time
from typing import Any, get_args

import physics
from physics.shot import Fidelity

RUNS_COUNT = 5
SHOT: dict[str, Any] = {
    "bank": {"capacitance_farad": 1.5e-4, "charge_voltage_v": 6500.0, "inductance_henry": 6e-8, "resistance_ohm": 2e-3},
    "switch": {"kind": "ignitron", "inductance_henry": 4e-8, "resistance_ohm": 1e-3, "forward_drop_v": 30.0},
    "leads": {"inductance_henry": 1e-7, "resistance_ohm": 2e-3},
    "coil": {"turns_count": 8, "wire_diameter_m": 2.05e-3, "pitch_m": 2.3e-3},
    "gap_m": 1e-3,
    "workpiece": {
        "shape": "disc",
        "outer_diameter_m": 0.03,
        "thickness_m": 2e-3,
        "layers": [{"material": "copper"}],
    },
}


def seconds_of_one_shot(fidelity: str) -> float:
    """Median time of one shot; the first run, which compiles or loads the kernels, is not counted."""
    shot = {**SHOT, "solver": {"fidelity": fidelity}}
    physics.simulate_shot(shot)
    times = []
    for _ in range(RUNS_COUNT):
        start = time.perf_counter()
        physics.simulate_shot(shot)
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def main() -> None:
    """Print time and ratio to `design` for each fidelity."""
    seconds = {fidelity: seconds_of_one_shot(fidelity) for fidelity in get_args(Fidelity)}
    print(f"One shot, median of {RUNS_COUNT} runs")
    print(f"{'fidelity':<10} {'ms':>8} {'ratio to design':>16}")
    for fidelity, value in seconds.items():
        print(f"{fidelity:<10} {value * 1e3:8.1f} {value / seconds['design']:16.2f}")


if __name__ == "__main__":
    main()
