"""Trials as a long search makes them, without the model: every number random, reasons and wires as they come."""

from __future__ import annotations

import random

from physics.wires import wire
from tests.worker.samples import candidate
from worker.records import Candidate

_WIRES = [wire(name) for name in ("awg_10", "awg_12")]


def realistic_candidate(number: int, dice: random.Random) -> Candidate:
    """A made-up trial, feasible three times in five, with all figures that a searched one has."""
    feasible, chosen = dice.random() < 0.6, dice.choice(_WIRES)
    volts, farad = dice.uniform(4000.0, 9000.0), dice.uniform(6e-5, 3e-4)
    words = f"at {volts / 1e3:.2f} kV the part stops at {dice.uniform(24.0, 29.0):.2f} mm, the most that the voltage "
    return candidate(
        number,
        energy_j=0.5 * farad * volts**2,
        voltage_v=volts,
        parameters={
            "turns_count": dice.randint(4, 12),
            "wire": chosen.name,
            "wire_diameter_m": chosen.diameter_m,
            "pitch_m": chosen.pitch_m * dice.uniform(1.0, 1.2),
            "enamel_thickness_m": 0.5 * chosen.enamel_increase_m,
            "enamel_pair_breakdown_v": chosen.pair_breakdown_v,
            "gap_m": dice.uniform(8e-4, 2.5e-3),
            "capacitance_farad": farad,
        },
        feasible=feasible,
        reason=None if feasible else dice.choice(("voltage_limit", "current_limit", "coil_bursts_first")),
        explanation=None if feasible else words + "limit of 10.00 kV allows",
        violation_ratio=0.0 if feasible else dice.random(),
        final_outer_diameter_m=0.024 + dice.uniform(-2e-5, 2e-5),
        peak_current_a=dice.uniform(3e4, 6e4),
        shrink_slope_ratio=dice.uniform(1.0, 3.0),
        shots_count=dice.randint(2, 7),
    )
