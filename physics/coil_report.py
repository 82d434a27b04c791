"""What became of every turn, and what its insulation had to bear."""

from __future__ import annotations

from typing import Literal

import numpy as np

from physics import state as c
from physics.result import InsulationCheck, TurnReport
from physics.run import Run


def turn_reports(run: Run) -> list[TurnReport]:
    """One report for each turn kept in the symmetric half, layer by layer from the bore."""
    turns, coil = run.model.turns, run.model.coil
    reports = []
    for t in range(turns.radius.size):
        broken = bool(turns.rupture_time[t] >= 0.0)
        energy = 0.5 * turns.mass[t] * turns.speed[t] ** 2
        reports.append(
            TurnReport(
                layer_count=int(coil.turn_layer[t]) + 1,
                height_m=float(coil.turn_z_m[t]),
                alike_count=int(turns.weight[t]),
                peak_force_n=float(turns.peak_force[t]),
                peak_voltage_v=float(turns.peak_voltage[t]),
                hoop_strain_ratio=float(turns.strain[t]),
                temperature_k=float(run.heat.turn_temperature[t]),
                rupture=_cause(turns.melted[t]) if broken else None,
                rupture_time_s=float(turns.rupture_time[t]) if broken else None,
                pieces_count=int(turns.pieces[t]),
                speed_m_per_s=float(turns.speed[t]),
                debris_energy_j=float(energy) if broken else 0.0,
                arc_energy_j=float(turns.arc_energy[t]),
            )
        )
    return reports


def _cause(melted: float) -> Literal["strain", "melting"]:
    return "melting" if melted > 0.0 else "strain"


def insulation_checks(run: Run) -> list[InsulationCheck]:
    """Voltages between turns, layers, and coil and part, against what the stated insulation bears.

    Turns lie side by side, so between two there is one turn's voltage. Layers are taken as wound there and
    back: at the open end lies the sum of two. The part floats; it is taken as tied to one end of the coil.
    Solids in series add up, clearance counts as nothing: air breaks down first and leaves the rest to them.
    What a coil bears once it has burst no longer matters.
    """
    shot, turns, rows, burst = run.shot, run.model.turns, run.rows, run.totals[c.BURST_TIME]
    whole = rows if burst < 0.0 else rows[rows[:, c.TIME] <= burst]
    insulation = shot.insulation
    film = None if insulation.enamel_pair_breakdown_v is None else 0.5 * insulation.enamel_pair_breakdown_v
    checks = []
    if shot.coil.turns_count > 1:
        checks.append(
            _check(
                "turns",
                float(turns.peak_voltage.max()),
                _sum_of((film, 2.0)),
                "largest voltage of one turn, over two films of enamel",
            )
        )
    if shot.coil.layers_count > 1:
        sheet = _solid(insulation.layer_sheet_strength_v_per_m, insulation.layer_sheet_m)
        checks.append(
            _check(
                "layers",
                float(whole[:, c.LAYER_VOLTAGE].max()),
                _sum_of((film, 2.0), (sheet, 1.0)),
                "two layers' voltage at their open end, over two films of enamel and the sheet",
            )
        )
    wall = _solid(insulation.former_strength_v_per_m, insulation.former_wall_m)
    checks.append(
        _check(
            "gap",
            float(np.abs(whole[:, c.COIL_VOLTAGE]).max()),
            # Enamel alone is no gap: unless the former is stated, what lies there is not known.
            None if wall is None else _sum_of((film, 1.0), (wall, 1.0)),
            "the whole coil's voltage with the part tied to one end, over one film of enamel and the former",
        )
    )
    return checks


def _solid(strength: float | None, thickness: float) -> float | None:
    return None if strength is None or thickness == 0.0 else strength * thickness


def _sum_of(*parts: tuple[float | None, float]) -> float | None:
    """Breakdown voltage (V) of what is stated in series; None when nothing is."""
    known = [value * times for value, times in parts if value is not None]
    return sum(known) if known else None


def _check(
    between: Literal["turns", "layers", "gap"], peak: float, breakdown: float | None, statement: str
) -> InsulationCheck:
    return InsulationCheck(
        between=between,
        peak_voltage_v=peak,
        breakdown_voltage_v=breakdown,
        margin_ratio=None if breakdown is None else 1.0 - peak / breakdown,
        statement=statement,
    )
