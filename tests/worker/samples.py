"""Requests and candidates for the tests. The numbers are our own invention; only their order of magnitude matters."""

from __future__ import annotations

from typing import Any

import numpy as np

from worker.records import Candidate
from worker.request import DesignRequest

BODY: dict[str, Any] = {
    "workpiece": {
        "shape": "disc",
        "outer_diameter_m": 0.030,
        "thickness_m": 2e-3,
        "layers": [{"material": "copper"}],
    },
    "target": {"final_outer_diameter_m": 0.024, "tolerance_m": 1e-4},
    "limits": {"charge_voltage_v": 10_000.0, "stored_energy_j": 8_000.0, "peak_current_a": 120_000.0},
    "bench": {"bank": {"inductance_henry": 2e-7, "resistance_ohm": 8e-3}},
    "search": {
        "turns": {"low_count": 5, "high_count": 10},
        "gap": {"low_m": 8e-4, "high_m": 2e-3},
        "capacitance": {"low_farad": 8e-5, "high_farad": 3e-4},
        "wires": ["awg_12", "awg_10"],
    },
    "budget_trials_count": 61,
    "seed": 7,
}


def request(**changes: Any) -> DesignRequest:
    """The sample request with some of its members replaced; members that are mappings are merged one level deep."""
    body = {**BODY}
    for name, value in changes.items():
        body[name] = {**BODY.get(name, {}), **value} if isinstance(value, dict) else value
    return DesignRequest.model_validate(body)


def loose_request(**changes: Any) -> DesignRequest:
    """The same with a wide tolerance, which takes fewer shots a trial."""
    return request(**{"target": {"tolerance_m": 5e-4}, **changes})


def candidate(number: int, *, energy_j: float = 2000.0, voltage_v: float = 5000.0, **changes: Any) -> Candidate:
    """A feasible candidate with made-up figures."""
    body = {
        "number": number,
        "parameters": {
            "turns_count": 8,
            "wire": "awg_12",
            "wire_diameter_m": 2.05e-3,
            "pitch_m": 2.1e-3,
            "enamel_thickness_m": 4e-5,
            "enamel_pair_breakdown_v": 5000.0,
            "gap_m": 1e-3,
            "capacitance_farad": 1.5e-4,
        },
        "charge_voltage_v": voltage_v,
        "objectives": {"stored_energy_j": energy_j, "charge_voltage_v": voltage_v, "margin_ratio": 0.3},
        "feasible": True,
        "reason": None,
        "explanation": None,
        "violation_ratio": 0.0,
        "final_outer_diameter_m": 0.024,
        "peak_current_a": 50_000.0,
        "fidelity": "screen",
        "shots_count": 4,
    }
    return Candidate.model_validate({**body, **changes})


def miss(number: int, violation_ratio: float, reason: str = "voltage_limit") -> Candidate:
    """An infeasible candidate with made-up figures."""
    return candidate(number, feasible=False, reason=reason, explanation="is too weak", violation_ratio=violation_ratio)


def ringing_trace(points: int = 2000, **probe: Any) -> dict[str, Any]:
    """An inline trace of a loop of constant inductance and resistance, 47 kA at most, begun 5 us before the shot."""
    time = np.linspace(-5e-6, 1.2e-4, points)
    since = np.maximum(time, 0.0)
    current = 5.5e4 * np.exp(-9e3 * since) * np.sin(8e4 * since)
    noise = np.random.default_rng(1).normal(0.0, 150.0, points)
    return {"time": time.tolist(), "value": (current + noise).tolist(), "probe": probe}
