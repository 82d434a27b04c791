"""The coupled run: circuit, eddy currents, motion of part and coil, heat, rupture.

One electrical step: (1) move part and turns through sub-steps under the Lorentz force, extrapolated
linearly over the step; (2) bring the inductance matrix to the new section; (3) step circuit and
eddy currents; (4) add the ohmic heat; (5) look for rupture, current zero and the end.
"""

from __future__ import annotations

from math import isfinite, pi, sqrt

import numpy as np
from numba import njit

from physics.circuit import GAMMA, currents, dot, factor, solve, step
from physics.geometry import axial_field, locate, lorentz, resistances, split
from physics.heating import add_ohmic_heat, hottest, update_heat
from physics.motion import crushed, follow_motion, longest_step, note_window, reassemble, update_inductance
from physics.state import (
    ACTION,
    ARC_ENERGY,
    ASSEMBLIES,
    BURST_CURRENT,
    BURST_TIME,
    CHARGE,
    COIL_HEAT,
    COIL_HEAT_TO_ZERO,
    COIL_INNER,
    COIL_TEMPERATURE,
    COMPLETED,
    CURRENT,
    DROP_HEAT,
    FIELD,
    FINAL_CENTRE,
    FINAL_INNER,
    FINAL_OUTER,
    FINAL_RIM,
    FORCE,
    IMPULSE,
    INNER,
    LOWEST_VOLTAGE,
    MAGNETIC,
    MATERIAL_LIMIT,
    NOT_CONVERGED,
    OUTER,
    OVER_CRUSHED,
    PART_CURRENT,
    PART_HEAT,
    PART_HEAT_TO_ZERO,
    PART_TEMPERATURE,
    SPEED,
    STEP,
    STOPPED_EARLY,
    STRAY_HEAT,
    TIME,
    VOLTAGE,
    ZERO_TIME,
    BodyRef,
    CoilRef,
    FieldsRef,
    HeatRef,
    LoadsRef,
    ModelRef,
    PartRef,
    PointsRef,
    TurnsRef,
    UnknownsRef,
    WorkRef,
)
from physics.turns import arc_voltage, rupture

# Energy left, as a share of the bank's, below which nothing more can happen.
_SPENT = 1e-3
# A run takes at most so many quarter periods.
_LONGEST = 200.0
# Plastic strain in one step below which a cell counts as at rest.


@njit(cache=True, nogil=True)
def _record(model, fields, heat, loads, time, voltage, row):
    """One row of the time series."""
    coil, body, turns = model.coil, model.body, model.turns
    inner_edge = turns.radius[0] - model.controls.wire_radius
    filaments = coil.radius_m.size
    part_current = 0.0
    for c in range(filaments, fields.current.size):
        part_current += 2.0 * fields.current[c]
    hot_part, hot_coil = hottest(model, heat)
    coil_current = 0.0
    for f in range(filaments):
        if coil.turn[f] == 0:
            coil_current += coil.multiplicity[f] * fields.current[f]
    row[TIME] = time
    row[CURRENT] = coil_current
    row[VOLTAGE] = voltage
    row[PART_CURRENT] = part_current
    row[FIELD] = axial_field(model.points, fields.current, 0.5 * (body.radius[-1] + inner_edge))
    row[FORCE] = loads.inward[0]
    row[OUTER] = 2.0 * body.radius[-1]
    row[INNER] = 2.0 * body.radius[0]
    row[COIL_INNER] = 2.0 * inner_edge
    row[PART_TEMPERATURE] = hot_part
    row[COIL_TEMPERATURE] = hot_coil
    row[SPEED] = body.speed[-1]


@njit(cache=True, nogil=True)
def _effective_inductance(model, fields):
    """Inductance (H) of the loop at the very start, when eddy currents shield completely; -1 if not definite.

    The bundle is solved with the workpiece: inverse of the first entry of the inverse of L.
    """
    split(model.coil.radius_m.size, model.part, model.body, model.points)
    locate(model.coil, model.turns, model.part, model.body, model.points)
    reassemble(model, fields)
    update_inductance(model, fields)
    fields.before[:, :] = fields.after
    if not factor(fields.before):
        return -1.0
    unit = np.zeros(fields.flux.size)
    unit[0] = 1.0
    solve(fields.before, unit)
    return 1.0 / unit[0]


@njit(cache=True, nogil=True)
def _book(model, work, totals, h, direction, switch_drop, arc):
    """Add one step's losses, charge and action, from the coil current at its two stages."""
    first, second = work.first[0], work.second[0]
    square = h * ((1.0 - GAMMA) * first**2 + GAMMA * second**2)
    passed = h * ((1.0 - GAMMA) * first + GAMMA * second)
    totals[STRAY_HEAT] += model.discharge.resistance * square
    totals[DROP_HEAT] += direction * switch_drop * passed
    totals[ARC_ENERGY] += direction * arc * passed
    totals[CHARGE] += abs(passed)
    totals[ACTION] += square


@njit(cache=True, nogil=True)
def _settle(body, totals, settled, h):
    """Running mean of the sizes since anything last yielded, so that elastic ringing averages out."""
    share = h / (settled + h)
    totals[FINAL_OUTER] += share * (2.0 * body.radius[-1] - totals[FINAL_OUTER])
    totals[FINAL_INNER] += share * (2.0 * body.radius[0] - totals[FINAL_INNER])
    totals[FINAL_RIM] += share * (body.thickness[-1] - totals[FINAL_RIM])
    totals[FINAL_CENTRE] += share * (body.thickness[0] - totals[FINAL_CENTRE])
    return settled + h


@njit(cache=True, nogil=True)
def run(model, fields, heat, work, loads, last_loads, totals, rows):
    """Run until nothing more can change; returns (end code, rows used). `totals` and `rows` are filled."""
    fields_ref = FieldsRef(*fields)
    model_ref = ModelRef(
        CoilRef(*model.coil),
        PartRef(*model.part),
        TurnsRef(*model.turns),
        BodyRef(*model.body),
        PointsRef(*model.points),
        UnknownsRef(*model.unknowns),
        model.discharge,
        model.coil_strength,
        model.part_strength,
        model.coil_table,
        model.part_table,
        model.controls,
    )
    inductance = _effective_inductance(model_ref, fields_ref)
    if not inductance > 0.0:
        return NOT_CONVERGED, 0
    quarter = 0.5 * pi * sqrt(inductance * model.discharge.capacitance)
    return _run(
        model_ref, fields_ref, HeatRef(*heat), WorkRef(*work), LoadsRef(*loads), LoadsRef(*last_loads),
        totals, rows, quarter,
    )  # fmt: skip


@njit(cache=True, nogil=True)
def _run(model, fields, heat, work, loads, last_loads, totals, rows, quarter):
    controls, discharge, unknowns = model.controls, model.discharge, model.unknowns
    coil, part, turns, body = model.coil, model.part, model.turns, model.body
    time, voltage, current, direction = 0.0, discharge.voltage, 0.0, 1.0
    stored = 0.5 * discharge.capacitance * voltage**2
    # A comparison, not a constant: numba would compile the step once more for a literal.
    closed, frozen = voltage > 0.0, not controls.motion
    usual_step = quarter / controls.steps_to_peak
    # At any ordinary damping less than a thousandth of the energy is left after so many quarter periods.
    stop_time = controls.stop_time if controls.stop_time > 0.0 else _LONGEST * quarter
    quiet_time = controls.quiet_time + 0.25 * quarter if controls.motion else 0.0
    totals[STEP] = usual_step
    first_outer, first_thickness = body.radius[-1], body.thickness[-1]
    last_yield = 0.0
    settled = _settle(body, totals, 0.0, 1e-12)
    window = np.empty(turns.radius.size + 2 + body.thickness.size)
    note_window(model, window)
    flux_before = np.zeros_like(fields.flux)
    totals[ZERO_TIME] = totals[BURST_TIME] = -1.0
    update_heat(model, fields, heat)
    _record(model, fields, heat, loads, time, voltage, rows[0])
    for used in range(1, rows.shape[0]):
        if time >= stop_time * (1.0 - 1e-12):
            # Where only the ringing was left at the run's own end, the rest of it changes nothing that counts.
            return COMPLETED if frozen and controls.stop_time <= 0.0 else STOPPED_EARLY, used
        # Nothing moves any more: only the ringing is left, and it needs fewer steps.
        coarser = 3.0 if frozen and totals[ZERO_TIME] > 0.0 else 1.0
        h = min(coarser * usual_step, stop_time - time)
        if not frozen:
            h = longest_step(model, h)

        fields.before[:, :] = fields.after
        yielded = False
        if not frozen:
            ok, yielded, assembled = follow_motion(model, fields, heat, loads, last_loads, window, h)
            totals[ASSEMBLIES] += assembled
            if not ok:
                return OVER_CRUSHED, used
        resistances(
            coil, turns, part, body, model.points, fields.coil_resistivity, fields.part_resistivity, fields.resistance
        )

        arc = arc_voltage(turns, coil.turn_weight, controls.arc_fall, controls.arc_gradient)
        drop = direction * (discharge.drop + arc)
        flux_before[:] = fields.flux
        voltage_before = voltage
        share, opens = 1.0, False
        while True:
            ok, voltage = step(
                unknowns, discharge, fields.resistance, fields.before, fields.after,
                not frozen, closed, drop, h, fields.flux, voltage_before, work,
            )  # fmt: skip
            if not ok or not isfinite(work.second[0]):
                return NOT_CONVERGED, used
            if opens or not closed or direction * work.second[0] >= 0.0:
                break
            share = abs(current) / (abs(current) + abs(work.second[0]))
            opens = totals[BURST_TIME] >= 0.0 or not discharge.conducts_reverse or abs(voltage) < discharge.drop
            if not opens:
                break
            # The arc goes out at current zero: repeat the step up to there and open the loop.
            h *= share
            share = 1.0
            fields.flux[:] = flux_before
        closed = closed and not opens
        crossed = opens or direction * work.second[0] < 0.0
        currents(unknowns, work.first, fields.first_current)
        currents(unknowns, work.second, fields.current)
        heat_before = totals[COIL_HEAT], totals[PART_HEAT]
        add_ohmic_heat(model, fields, heat, totals, h)
        _book(model, work, totals, h, direction, discharge.drop, arc)
        last_loads.turn[:] = loads.turn
        last_loads.node[:] = loads.node
        last_loads.spread[:] = loads.spread
        last_loads.inward[0] = loads.inward[0]
        lorentz(coil, part, body, model.points, fields.current, fields.by_radius, fields.by_height, loads)

        if totals[ZERO_TIME] < 0.0:
            totals[IMPULSE] += 0.5 * share * h * (loads.inward[0] + last_loads.inward[0])
            totals[COIL_HEAT_TO_ZERO] += share * (totals[COIL_HEAT] - heat_before[0])
            totals[PART_HEAT_TO_ZERO] += share * (totals[PART_HEAT] - heat_before[1])
            if crossed:
                totals[ZERO_TIME] = time + share * h
        if closed and direction * work.second[0] < 0.0:
            direction = -direction
        current = work.second[0]
        time += h
        totals[LOWEST_VOLTAGE] = min(totals[LOWEST_VOLTAGE], voltage)

        valid = update_heat(model, fields, heat)
        _record(model, fields, heat, loads, time, voltage, rows[used])
        totals[MAGNETIC] = 0.5 * dot(fields.flux, work.second, fields.flux.size)
        if not isfinite(totals[MAGNETIC]):
            return NOT_CONVERGED, used
        if not frozen:
            if yielded:
                last_yield = time
                settled = 0.0
            settled = _settle(body, totals, settled, h)
            code = crushed(model, first_outer, first_thickness)
            if code >= 0:
                return code, used + 1
        if not valid:
            return MATERIAL_LIMIT, used + 1
        if not frozen:
            broken = rupture(
                turns, model.coil_strength.density, controls.rupture_strain, heat.turn_molten,
                controls.fracture_energy, time,
            )  # fmt: skip
            if broken > 0 and totals[BURST_TIME] < 0.0:
                totals[BURST_TIME] = time
                totals[BURST_CURRENT] = current
        quiet = time - last_yield
        if not closed and quiet > quiet_time:
            return COMPLETED, used + 1
        spent = 0.5 * discharge.capacitance * voltage**2 + totals[MAGNETIC] < _SPENT * stored
        if closed and spent and (frozen or quiet > quiet_time):
            return COMPLETED, used + 1
        # A whole period without yielding, and the ringing only decays: no later one can make anything yield.
        if closed and totals[BURST_TIME] < 0.0 and quiet > 2.0 * totals[ZERO_TIME] > 0.0:
            frozen = True
    return STOPPED_EARLY, rows.shape[0]
