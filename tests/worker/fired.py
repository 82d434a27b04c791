"""Records of made-up shots on a bench that is not as it is described: the model itself with hidden quantities changed.

Whether the model is right is the business of the physics tests; here it is the truth that a fit has to come back to.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from physics import check_shot
from physics.shot import Shot
from physics.simulate import simulate_with_current
from tests.physics.shots import TRADE_SHOT, changed
from worker.fits.parameters import with_values

#: Standard deviation of the gauge, m, and of each point of the current over its peak.
GAUGE_M, NOISE_RATIO = 3e-5, 0.005

#: The bench that the shots below stand on, as it is described. Figures are this project's own.
BENCH: dict[str, Any] = {
    "name": "bay 3",
    "bank": {k: TRADE_SHOT["bank"][k] for k in ("inductance_henry", "resistance_ohm")},
    "switch": TRADE_SHOT["switch"],
    "leads": TRADE_SHOT["leads"],
    "capacitance": dict.fromkeys(("low_farad", "high_farad"), TRADE_SHOT["bank"]["capacitance_farad"]),
    "limits": {"charge_voltage_v": 8000.0, "stored_energy_j": 6000.0, "peak_current_a": 120_000.0},
    "wires": ["awg_12", "awg_10"],
}
#: What is true of it.
TRUTH = {
    "stray_inductance_henry": 2.6e-7,
    "stray_resistance_ohm": 6.5e-3,
    "capacitance_ratio": 0.975,
    "gap_offset_m": 4e-5,
    "flow_stress_ratio": 1.08,
}
#: Charge voltage and turns of the shots that are fired.
PLAN = ((6000.0, 8), (6500.0, 7), (5500.0, 9))


def planned(voltage_v: float, turns: int) -> Shot:
    """A shot as it is thought to be."""
    return check_shot(
        changed(
            TRADE_SHOT,
            bank={"charge_voltage_v": voltage_v},
            coil={"turns_count": turns},
            solver={"fidelity": "screen"},
        )
    )


def fired(
    shot: Shot, seed: int, bench: Mapping[str, Any], truth: Mapping[str, float] = TRUTH, **changes: Any
) -> dict[str, Any]:
    """The body of a record of the shot, fired on a bench that really is as `truth` says."""
    random = np.random.default_rng(seed)
    result, time, current = simulate_with_current(with_values(shot, truth))
    assert result.summary is not None
    clock = np.linspace(-1e-5, 9e-5, 1500)
    value = np.interp(clock, time, current, left=0.0)
    value += random.normal(0.0, NOISE_RATIO * current.max(), clock.size)
    gauge = random.normal(0.0, GAUGE_M, 2)
    return {
        "name": f"shot {seed}",
        "shot": shot.model_dump(mode="json"),
        "bench": bench,
        "fired_at": f"2026-03-01T{10 + seed // 60 % 12:02d}:{seed % 60:02d}:00Z",
        "sizes": {
            "final_outer_diameter_m": float(result.summary.final_outer_diameter_m + gauge[0]),
            "final_rim_thickness_m": float(result.summary.final_rim_thickness_m + gauge[1]),
            "size_error_m": GAUGE_M,
        },
        "trace": {"time": clock.tolist(), "value": value.tolist()},
        **changes,
    }
