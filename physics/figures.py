"""Summary, energy balance and series of a run."""

from __future__ import annotations

from typing import cast

import numpy as np
from numpy.typing import NDArray

from physics import state as c
from physics.peak import peak_of
from physics.result import EnergyBalance, Series, Summary
from physics.run import Run

Floats = NDArray[np.float64]

#: Points a series is thinned to, extremes aside.
_SERIES_POINTS = 300


def summary(run: Run) -> Summary:
    """The figures of a run."""
    rows, totals, turns = run.rows, run.totals.tolist(), run.model.turns
    highest, lowest = rows.max(axis=0).tolist(), rows.min(axis=0).tolist()
    time, current = rows[:, c.TIME].copy(), rows[:, c.CURRENT].copy()
    peak, peak_time = peak_of(time, np.abs(current))
    ruptured = turns.rupture_time >= 0.0
    weight, capacitance = turns.weight, run.model.discharge.capacitance
    burst = totals[c.BURST_TIME] >= 0.0
    final, first = totals[c.FINAL_OUTER], 2.0 * run.model.part.node_radius_m[-1]
    return Summary(
        peak_current_a=peak,
        current_rise_a_per_s=_steepest(time, current),
        peak_capacitor_current_a=totals[c.HIGHEST_BANK_CURRENT] / run.shot.bank.capacitors_count,
        time_to_peak_s=peak_time,
        first_current_zero_s=_or_none(totals[c.ZERO_TIME]),
        voltage_reversal_ratio=max(-totals[c.LOWEST_VOLTAGE], 0.0) / run.model.discharge.voltage,
        charge_coulomb=totals[c.CHARGE],
        action_a2_s=totals[c.ACTION],
        peak_gap_field_tesla=peak_of(time, np.abs(rows[:, c.FIELD]))[0],
        peak_centre_field_tesla=peak_of(time, np.abs(rows[:, c.CENTRE_FIELD]))[0],
        peak_coil_voltage_v=max(highest[c.COIL_VOLTAGE], -lowest[c.COIL_VOLTAGE]),
        peak_force_n=peak_of(time, rows[:, c.FORCE])[0],
        impulse_n_s=totals[c.IMPULSE],
        coil_heat_j=totals[c.COIL_HEAT_TO_ZERO],
        workpiece_heat_j=totals[c.PART_HEAT_TO_ZERO],
        final_outer_diameter_m=final,
        final_inner_diameter_m=totals[c.FINAL_INNER],
        shrink_ratio=float(final / first),
        final_rim_thickness_m=totals[c.FINAL_RIM],
        final_centre_thickness_m=totals[c.FINAL_CENTRE],
        peak_workpiece_speed_m_per_s=max(-lowest[c.SPEED], 0.0),
        peak_strain_rate_per_s=float(run.model.body.work[1]),
        peak_workpiece_temperature_k=highest[c.PART_TEMPERATURE],
        end_workpiece_temperature_k=float(rows[-1, c.PART_TEMPERATURE]),
        mean_workpiece_temperature_k=_settled_temperature(run),
        peak_coil_temperature_k=highest[c.COIL_TEMPERATURE],
        burst_time_s=_or_none(totals[c.BURST_TIME]),
        burst_current_a=totals[c.BURST_CURRENT] if burst else None,
        burst_field_energy_j=totals[c.BURST_FIELD] if burst else None,
        burst_bank_energy_j=0.5 * capacitance * totals[c.BURST_VOLTAGE] ** 2 if burst else None,
        ruptured_turns_count=int(weight[ruptured].sum()),
        debris_velocity_m_per_s=float(np.abs(turns.speed[ruptured]).max()) if burst else 0.0,
        debris_energy_j=float((0.5 * weight * turns.mass * turns.speed**2)[ruptured].sum()),
        arc_energy_j=totals[c.ARC_ENERGY],
    )


def _steepest(time: Floats, value: Floats) -> float:
    """The steepest slope of a curve, whichever way, between samples."""
    return float(np.abs((value[1:] - value[:-1]) / (time[1:] - time[:-1])).max(initial=0.0))


def _or_none(value: float) -> float | None:
    return value if value >= 0.0 else None


def _settled_temperature(run: Run) -> float:
    """Temperature (K) of the workpiece once its heat has spread evenly over all its metals."""
    part, body, tables = run.model.part, run.model.body, run.model.tables
    cells = slice(run.model.coil.radius_m.size, None)
    heat = 2.0 * (run.heat.ohmic[cells] * run.heat.mass[cells]).sum() + (body.heat * body.cell_mass).sum()
    mass = np.bincount(part.slice_metal, weights=body.cell_mass.sum(axis=1), minlength=tables.start.size)
    metals = np.flatnonzero(mass)
    if metals.size == 1:
        return float(run.temperature_at(int(metals[0]), heat / mass[metals[0]]))
    # Enthalpy is linear between the points of the tables, that of all metals between those of any. The least rise from
    # point to point makes the melting plateau single-valued.
    points = np.arange(tables.temperature.shape[1])
    rising = {metal: tables.temperature[metal] + 1e-9 * points for metal in metals}
    temperature = np.unique(np.concatenate(list(rising.values())))
    held = sum(
        mass[metal] * np.interp(temperature, at, tables.start[metal] + tables.spacing[metal] * points)
        for metal, at in rising.items()
    )
    return float(np.interp(heat, held, temperature))


def energy_balance(run: Run) -> EnergyBalance:
    """Where the bank's energy went."""
    model, totals = run.model, run.totals
    turns, body = model.turns, model.body
    bank = 0.5 * model.discharge.capacitance * model.discharge.voltage**2
    damping = run.shot.bank.damping_resistance_ohm * totals[c.BANK_ACTION]
    spent = {
        "stray_resistance_j": totals[c.STRAY_HEAT] - damping,
        "damping_resistor_j": damping,
        "switch_drop_j": totals[c.DROP_HEAT],
        "crowbar_j": totals[c.CROWBAR_HEAT],
        "coil_heat_j": totals[c.COIL_HEAT],
        "workpiece_heat_j": totals[c.PART_HEAT],
        "workpiece_plastic_work_j": body.work[0],
        "workpiece_elastic_j": totals[c.PART_ELASTIC],
        "workpiece_motion_j": totals[c.PART_MOTION],
        "coil_plastic_work_j": (turns.weight * turns.work).sum(),
        "coil_elastic_j": totals[c.COIL_ELASTIC],
        "coil_motion_j": totals[c.COIL_MOTION],
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


def series(rows: Floats) -> Series:
    """Recorded rows; many are thinned to a few hundred, the extremes of every column kept."""
    if len(rows) <= _SERIES_POINTS:
        return _series_of(rows)
    kept = {0, len(rows) - 1, *np.argmax(rows, axis=0).tolist(), *np.argmin(rows, axis=0).tolist()}
    times = np.linspace(rows[0, c.TIME], rows[-1, c.TIME], _SERIES_POINTS)
    kept |= set(np.clip(np.searchsorted(rows[:, c.TIME], times), 0, len(rows) - 1).tolist())
    return _series_of(rows[sorted(kept)])


def whole_series(rows: Floats) -> Series:
    """Every recorded row."""
    return _series_of(rows)


def _series_of(rows: Floats) -> Series:
    columns = rows.T.tolist()

    def column_of(index: int) -> list[float]:
        return cast("list[float]", columns[index])

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
        bank_current_a=column_of(c.BANK_CURRENT),
        centre_field_tesla=column_of(c.CENTRE_FIELD),
        coil_voltage_v=column_of(c.COIL_VOLTAGE),
        turn_voltage_v=column_of(c.TURN_VOLTAGE),
        layer_voltage_v=column_of(c.LAYER_VOLTAGE),
        outside_heat_j=column_of(c.HEAT_OUTSIDE),
        coil_heat_j=column_of(c.HEAT_COIL),
        workpiece_heat_j=column_of(c.HEAT_PART),
        workpiece_work_j=column_of(c.WORK_PART),
        workpiece_motion_j=column_of(c.MOTION_PART),
        coil_motion_j=column_of(c.MOTION_COIL),
        arc_j=column_of(c.ENERGY_ARC),
        magnetic_j=column_of(c.ENERGY_FIELD),
    )
