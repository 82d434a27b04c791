"""Every figure of a shot, not only those whose error is stated, comes near that of the finest mesh and steps.

A figure that is worked out badly can be so at each fidelity by itself, while all that it is worked out from converges.
"""

from __future__ import annotations

import numpy as np

from physics import simulate_shot
from physics.result import Summary
from tests.physics.plausible import plausible_shots

#: Allowed relative difference between `design` and `reference` in nine of ten random shots.
USUAL = 0.05
#: What depends on the single hottest or fastest cell, or is a small rest of a large one.
LOOSE = {
    "peak_strain_rate_per_s": 0.35,
    "peak_workpiece_temperature_k": 0.1,
    "end_workpiece_temperature_k": 0.1,
    "peak_workpiece_speed_m_per_s": 0.15,
    "peak_coil_temperature_k": 0.1,
    "burst_field_energy_j": 0.1,
    "burst_bank_energy_j": 0.1,
}


def summaries(fidelity: str) -> list[Summary | None]:
    return [simulate_shot(shot).summary for shot in plausible_shots(777, 36, fidelity)]


def test_every_figure_at_design_is_near_that_at_reference() -> None:
    pairs = [(d, r) for d, r in zip(summaries("design"), summaries("reference"), strict=True) if d and r]
    assert len(pairs) >= 30
    off = {}
    for name in Summary.model_fields:
        values = [(getattr(design, name), getattr(reference, name)) for design, reference in pairs]
        differences = [abs(d / r - 1.0) for d, r in values if d is not None and r]
        if len(differences) >= 8:
            off[name] = float(np.quantile(differences, 0.9))
    assert len(off) > 30
    assert {name: value for name, value in off.items() if value > LOOSE.get(name, USUAL)} == {}
