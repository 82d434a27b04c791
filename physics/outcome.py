"""The outcome of a run in figures and words: summary, energy balance, ratings, series, status."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from physics import state as c
from physics.hazards import assess
from physics.materials import MATERIAL_DATA_VERSION
from physics.radial import elastic_energy, kinetic_energy
from physics.result import EnergyBalance, Provenance, Rating, Series, ShotResult, Status, Summary
from physics.schema import unit_of
from physics.shot import Shot
from physics.thermal import look_up
from physics.turns import hoop_elastic_energy, turns_kinetic_energy

Floats = NDArray[np.float64]

#: Version of the model; any change of its numbers changes it.
MODEL_VERSION = "1.0"

#: Points a series is thinned to, extremes aside.
_SERIES_POINTS = 300

_STATUS: dict[int, tuple[Status, str]] = {
    c.COMPLETED: ("completed", "The shot ran until nothing more could change."),
    c.STOPPED_EARLY: (
        "stopped_early",
        "The run ended at its stop time while something could still change; give a later stop_time_s or null.",
    ),
    c.OVER_CRUSHED: (
        "over_crushed",
        "The part was crushed or thrown back into the coil, beyond what the model describes; lower the voltage.",
    ),
    c.BORE_CLOSED: (
        "bore_closed",
        "The bore closed; sizes are those at that moment. Lower the voltage to keep it open.",
    ),
    c.RIM_EXTRUDED: (
        "rim_extruded",
        "The axial force squeezed the rim to less than 0.4 of its thickness; lower the voltage or lengthen the coil.",
    ),
    c.MATERIAL_LIMIT: (
        "material_limit",
        "Coil or part got hotter than the material data reach (it would boil); lower the voltage or use thicker wire.",
    ),
    c.NOT_CONVERGED: (
        "not_converged",
        "The numbers diverged and are withheld; try another fidelity and check gap, wire and thickness for extremes.",
    ),
}


@dataclass(frozen=True)
class Run:
    """A finished run as the kernels left it; `rows` are the recorded steps, shape (steps, columns)."""

    model: c.Model
    heat: c.Heat
    code: int
    totals: Floats
    rows: Floats


def put_together(shot: Shot, run: Run) -> ShotResult:
    """The result of a run. Whatever is not finite turns the whole into `not_converged`."""
    status, advice = _STATUS[run.code]
    summary = energy = series = None
    if status != "not_converged":
        if np.isfinite(run.rows).all() and np.isfinite(run.totals).all():
            summary, energy, series = _summary(run), _energy(run), _series(run.rows)
        else:
            status, advice = _STATUS[c.NOT_CONVERGED]
    voltage = shot.bank.charge_voltage_v
    stored = 0.5 * shot.bank.capacitance_farad * voltage**2
    return ShotResult(
        status=status,
        advice=advice,
        summary=summary,
        energy=energy,
        ratings=_ratings(shot, stored, summary),
        hazards=assess(voltage, stored, summary, energy.left_in_bank_j if energy else 0.0),
        series=series,
        provenance=Provenance(
            model_version=MODEL_VERSION,
            material_data_version=MATERIAL_DATA_VERSION,
            step_s=float(run.totals[c.STEP]),
            steps_count=max(len(run.rows) - 1, 0),
            field_cells_count=run.model.part.cell_column.size,
            motion_cells_count=run.model.body.thickness.size,
        ),
        shot=shot,
    )


def peak_of(time: Floats, value: Floats) -> tuple[float, float]:
    """Largest value and its time (s), by the parabola through the highest sample and its neighbours."""
    k = int(np.argmax(value))
    if k == 0 or k == len(value) - 1:
        return float(value[k]), float(time[k])
    left, right = time[k] - time[k - 1], time[k + 1] - time[k]
    slope_left, slope_right = (value[k] - value[k - 1]) / left, (value[k + 1] - value[k]) / right
    bend = (slope_right - slope_left) / (left + right)
    if bend >= 0.0:
        return float(value[k]), float(time[k])
    # Slope of the parabola at the middle sample.
    slope = (slope_left * right + slope_right * left) / (left + right)
    shift = -0.5 * slope / bend
    return float(value[k] + 0.5 * slope * shift), float(time[k] + shift)


def _summary(run: Run) -> Summary:
    rows, totals, turns = run.rows, run.totals, run.model.turns
    time = rows[:, c.TIME]
    peak, peak_time = peak_of(time, np.abs(rows[:, c.CURRENT]))
    ruptured = turns.rupture_time >= 0.0
    weight = run.model.coil.turn_weight
    burst = totals[c.BURST_TIME] >= 0.0
    final, first = totals[c.FINAL_OUTER], 2.0 * run.model.part.node_radius_m[-1]
    return Summary(
        peak_current_a=peak,
        time_to_peak_s=peak_time,
        first_current_zero_s=_or_none(totals[c.ZERO_TIME]),
        voltage_reversal_ratio=float(max(-totals[c.LOWEST_VOLTAGE], 0.0) / run.model.discharge.voltage),
        charge_coulomb=float(totals[c.CHARGE]),
        action_a2_s=float(totals[c.ACTION]),
        peak_gap_field_tesla=peak_of(time, np.abs(rows[:, c.FIELD]))[0],
        peak_force_n=peak_of(time, rows[:, c.FORCE])[0],
        impulse_n_s=float(totals[c.IMPULSE]),
        coil_heat_j=float(totals[c.COIL_HEAT_TO_ZERO]),
        workpiece_heat_j=float(totals[c.PART_HEAT_TO_ZERO]),
        final_outer_diameter_m=float(final),
        final_inner_diameter_m=float(totals[c.FINAL_INNER]),
        shrink_ratio=float(final / first),
        final_rim_thickness_m=float(totals[c.FINAL_RIM]),
        final_centre_thickness_m=float(totals[c.FINAL_CENTRE]),
        peak_workpiece_speed_m_per_s=float(max(-rows[:, c.SPEED].min(), 0.0)),
        peak_strain_rate_per_s=float(run.model.body.work[1]),
        peak_workpiece_temperature_k=float(rows[:, c.PART_TEMPERATURE].max()),
        mean_workpiece_temperature_k=_settled_temperature(run),
        peak_coil_temperature_k=float(rows[:, c.COIL_TEMPERATURE].max()),
        burst_time_s=_or_none(totals[c.BURST_TIME]),
        burst_current_a=float(totals[c.BURST_CURRENT]) if burst else None,
        ruptured_turns_count=int(weight[ruptured].sum()),
        debris_velocity_m_per_s=float(np.abs(turns.speed[ruptured]).max()) if burst else 0.0,
        debris_energy_j=float((0.5 * weight * turns.mass * turns.speed**2)[ruptured].sum()),
        arc_energy_j=float(totals[c.ARC_ENERGY]),
    )


def _or_none(value: float) -> float | None:
    return float(value) if value >= 0.0 else None


def _settled_temperature(run: Run) -> float:
    """Temperature (K) of the workpiece once its heat has spread evenly."""
    part, body, table = run.model.part, run.model.body, run.model.part_table
    ohmic = run.heat.ohmic[run.model.coil.radius_m.size :]
    enthalpy = (ohmic * part.cell_mass_ratio).sum() + (body.heat * body.cell_mass).sum() / body.cell_mass.sum()
    return float(look_up(enthalpy, table.start, table.spacing, table.temperature))


def _energy(run: Run) -> EnergyBalance:
    model, totals = run.model, run.totals
    turns, body, weight = model.turns, model.body, model.coil.turn_weight
    bank = 0.5 * model.discharge.capacitance * model.discharge.voltage**2
    spent = {
        "stray_resistance_j": totals[c.STRAY_HEAT],
        "switch_drop_j": totals[c.DROP_HEAT],
        "coil_heat_j": totals[c.COIL_HEAT],
        "workpiece_heat_j": totals[c.PART_HEAT],
        "workpiece_plastic_work_j": body.work[0],
        "workpiece_elastic_j": elastic_energy(body, model.part_strength),
        "workpiece_motion_j": kinetic_energy(body),
        "coil_plastic_work_j": (weight * turns.work).sum(),
        "coil_elastic_j": hoop_elastic_energy(turns, weight, model.coil_strength),
        "coil_motion_j": turns_kinetic_energy(turns, weight),
        "arc_j": totals[c.ARC_ENERGY],
        "magnetic_j": totals[c.MAGNETIC],
        "left_in_bank_j": 0.5 * model.discharge.capacitance * run.rows[-1, c.VOLTAGE] ** 2,
    }
    residual = bank - sum(spent.values())
    return EnergyBalance(
        bank_j=bank,
        residual_j=float(residual),
        residual_ratio=float(residual / bank),
        **{name: float(value) for name, value in spent.items()},
    )


def _ratings(shot: Shot, stored: float, summary: Summary | None) -> list[Rating]:
    values = {
        "charge_voltage_v": shot.bank.charge_voltage_v,
        "stored_energy_j": stored,
        "peak_current_a": summary.peak_current_a if summary else None,
    }
    ratings = []
    for name, value in values.items():
        limit = getattr(shot.limits, name)
        if limit is not None and value is not None:
            margin = 1.0 - value / limit
            ratings.append(
                Rating(
                    name=name,
                    unit=unit_of(name) or "1",
                    value=value,
                    limit=limit,
                    margin_ratio=margin,
                    # A limit may be used up to the last digit of a double.
                    exceeded=margin < -1e-12,
                )
            )
    return ratings


def _series(rows: Floats) -> Series:
    kept = {0, len(rows) - 1}
    for column in rows.T:
        kept |= {int(np.argmax(column)), int(np.argmin(column))}
    times = np.linspace(rows[0, c.TIME], rows[-1, c.TIME], _SERIES_POINTS)
    kept |= set(np.clip(np.searchsorted(rows[:, c.TIME], times), 0, len(rows) - 1).tolist())
    chosen = rows[sorted(kept)]

    def column_of(index: int) -> list[float]:
        return [float(value) for value in chosen[:, index]]

    return Series(
        time_s=column_of(c.TIME),
        current_a=column_of(c.CURRENT),
        bank_voltage_v=column_of(c.VOLTAGE),
        workpiece_current_a=column_of(c.PART_CURRENT),
        gap_field_tesla=column_of(c.FIELD),
        force_n=column_of(c.FORCE),
        outer_diameter_m=column_of(c.OUTER),
        inner_diameter_m=column_of(c.INNER),
        coil_inner_diameter_m=column_of(c.COIL_INNER),
        workpiece_temperature_k=column_of(c.PART_TEMPERATURE),
        coil_temperature_k=column_of(c.COIL_TEMPERATURE),
    )
