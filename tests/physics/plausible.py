"""Random shots that somebody at a bench could ask for; drawn from a seed, so every run sees the same ones."""

from __future__ import annotations

from typing import Any

import numpy as np

#: Bore over outer diameter, by shape.
_BORES: dict[str, tuple[float, float]] = {"disc": (0.0, 0.0), "washer": (0.2, 0.6), "ring": (0.7, 0.93)}
_PART_METALS = ("copper", "brass_260", "cupronickel_75_25", "aluminium_6061_t6")


def plausible_shots(seed: int, count: int, fidelity: str, **solver: bool) -> list[dict[str, Any]]:
    """So many shots: parts of 8 to 60 mm, 0.2 to 15 kJ, 1.5 to 15 kV, 1 to 14 turns, both kinds of switch."""
    rng = np.random.default_rng(seed)
    return [_plausible_shot(rng) | {"solver": {"fidelity": fidelity, **solver}} for _ in range(count)]


def _plausible_shot(rng: np.random.Generator) -> dict[str, Any]:
    voltage, energy = rng.uniform(1.5e3, 15e3), 10 ** rng.uniform(2.3, 4.2)
    wire = rng.uniform(0.8e-3, 3.2e-3)
    return {
        "bank": {
            "capacitance_farad": float(np.clip(2.0 * energy / voltage**2, 1e-6, 5e-3)),
            "charge_voltage_v": voltage,
            "inductance_henry": 10 ** rng.uniform(-7.5, -6.0),
            "resistance_ohm": 10 ** rng.uniform(-3.0, -1.3),
        },
        "switch": _switch(rng),
        "leads": {"inductance_henry": rng.uniform(0.0, 3e-7), "resistance_ohm": rng.uniform(0.0, 5e-3)},
        "coil": {
            "turns_count": int(rng.integers(1, 15)),
            "wire_diameter_m": wire,
            "pitch_m": wire * rng.uniform(1.03, 1.5),
        },
        "gap_m": rng.uniform(0.4e-3, 3e-3),
        "workpiece": _workpiece(rng),
    }


def _switch(rng: np.random.Generator) -> dict[str, Any]:
    if rng.random() < 0.5:
        return {"kind": "ideal"}
    return {
        "kind": "ignitron",
        "inductance_henry": 4e-8,
        "resistance_ohm": 1e-3,
        "forward_drop_v": rng.uniform(0.0, 100.0),
        "conducts_reverse": bool(rng.random() < 0.7),
    }


def _workpiece(rng: np.random.Generator) -> dict[str, Any]:
    shape, outer = str(rng.choice(list(_BORES))), rng.uniform(8e-3, 60e-3)
    return {
        "shape": shape,
        "outer_diameter_m": outer,
        "inner_diameter_m": outer * rng.uniform(*_BORES[shape]),
        "thickness_m": rng.uniform(0.8e-3, 6e-3),
        "layers": [{"material": str(rng.choice(_PART_METALS))}],
    }
