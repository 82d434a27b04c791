"""Random shots that somebody at a bench could ask for; drawn from a seed, so every run sees the same ones."""

from __future__ import annotations

from typing import Any

import numpy as np

#: Bore over outer diameter, by shape.
_BORES: dict[str, tuple[float, float]] = {
    "disc": (0.0, 0.0),
    "washer": (0.2, 0.6),
    "ring": (0.7, 0.93),
    "tube": (0.75, 0.93),
}
_PART_METALS = ("copper", "brass_260", "cupronickel_75_25", "aluminium_6061_t6")


def plausible_shots(seed: int, count: int, fidelity: str, **solver: bool) -> list[dict[str, Any]]:
    """So many shots of all kinds of part, coil, switch and crowbar, of 0.2 to 15 kJ and 1.5 to 15 kV."""
    rng = np.random.default_rng(seed)
    return [_plausible_shot(rng) | {"solver": {"fidelity": fidelity, **solver}} for _ in range(count)]


def _plausible_shot(rng: np.random.Generator) -> dict[str, Any]:
    return {
        "bank": _bank(rng),
        "switch": _switch(rng),
        "crowbar": _crowbar(rng),
        "leads": {"inductance_henry": rng.uniform(0.0, 3e-7), "resistance_ohm": rng.uniform(0.0, 5e-3)},
        "coil": _coil(rng),
        "gap_m": rng.uniform(0.4e-3, 3e-3),
        "workpiece": _workpiece(rng),
    }


def _bank(rng: np.random.Generator) -> dict[str, Any]:
    voltage, energy = rng.uniform(1.5e3, 15e3), 10 ** rng.uniform(2.3, 4.2)
    return {
        "capacitance_farad": float(np.clip(2.0 * energy / voltage**2, 1e-6, 5e-3)),
        "charge_voltage_v": voltage,
        "inductance_henry": 10 ** rng.uniform(-7.5, -6.0),
        "resistance_ohm": 10 ** rng.uniform(-3.0, -1.3),
    }


def _switch(rng: np.random.Generator) -> dict[str, Any]:
    kind = str(rng.choice(["ideal", "ignitron", "spark_gap"], p=[0.4, 0.4, 0.2]))
    if kind == "ideal":
        return {"kind": kind}
    losses = {"inductance_henry": 4e-8, "resistance_ohm": 1e-3, "conducts_reverse": bool(rng.random() < 0.7)}
    if kind == "spark_gap":
        return {"kind": kind, **losses, "spark_length_m": rng.uniform(2e-3, 3e-2)}
    return {"kind": kind, **losses, "forward_drop_v": rng.uniform(0.0, 100.0)}


def _crowbar(rng: np.random.Generator) -> dict[str, Any] | None:
    if rng.random() < 0.7:
        return None
    return {
        "across": str(rng.choice(["bank", "coil"])),
        "inductance_henry": 10 ** rng.uniform(-8.0, -6.5),
        "resistance_ohm": 10 ** rng.uniform(-3.5, -2.0),
        "forward_drop_v": rng.uniform(0.0, 20.0),
    }


def _coil(rng: np.random.Generator) -> dict[str, Any]:
    layers = int(rng.choice([1, 2, 3], p=[0.7, 0.2, 0.1]))
    wound = {"layers_count": layers, "turns_count": layers * int(rng.integers(1, 15)) - int(rng.integers(0, layers))}
    wound["turns_count"] = max(wound["turns_count"], layers)
    if rng.random() < 0.25:
        width = rng.uniform(1.5e-3, 6e-3)
        size = {"strip_width_m": width, "strip_thickness_m": rng.uniform(0.4e-3, 2e-3)}
    else:
        width = rng.uniform(0.8e-3, 3.2e-3)
        size = {"wire_diameter_m": width}
    return {**wound, **size, "pitch_m": width * rng.uniform(1.03, 1.5)}


def _workpiece(rng: np.random.Generator) -> dict[str, Any]:
    shape, outer = str(rng.choice(list(_BORES), p=[0.35, 0.25, 0.25, 0.15])), rng.uniform(8e-3, 60e-3)
    return {
        "shape": shape,
        "outer_diameter_m": outer,
        "inner_diameter_m": outer * rng.uniform(*_BORES[shape]),
        "thickness_m": outer * rng.uniform(0.5, 2.0) if shape == "tube" else rng.uniform(0.8e-3, 6e-3),
        "layers": _layers(rng),
    }


def _layers(rng: np.random.Generator) -> list[dict[str, Any]]:
    core, face = (str(metal) for metal in rng.choice(_PART_METALS, 2, replace=False))
    if rng.random() < 0.75:
        return [{"material": core}]
    share = rng.uniform(0.1, 0.3)
    cladding = {"material": face, "fraction_ratio": share}
    return [cladding, {"material": core, "fraction_ratio": 1.0 - 2.0 * share}, cladding]
