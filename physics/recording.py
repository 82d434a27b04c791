"""What a run writes down after each step: one row of the series, voltages of the turns, the sizes it settles at."""

from __future__ import annotations

import numpy as np

from physics.deformation import elastic_energy, kinetic_energy
from physics.geometry import axial_field, centre_field
from physics.kernel_cache import kernel
from physics.motion import centre_linkage
from physics.state import (
    ARC_ENERGY,
    BANK_CURRENT,
    CENTRE_FIELD,
    COIL_HEAT,
    COIL_INNER,
    COIL_TEMPERATURE,
    COIL_VOLTAGE,
    CROWBAR_HEAT,
    CURRENT,
    DROP_HEAT,
    ENERGY_ARC,
    ENERGY_FIELD,
    FIELD,
    FINAL_CENTRE,
    FINAL_INNER,
    FINAL_OUTER,
    FINAL_RIM,
    FORCE,
    HEAT_COIL,
    HEAT_OUTSIDE,
    HEAT_PART,
    INNER,
    LAYER_VOLTAGE,
    MAGNETIC,
    MOTION_COIL,
    MOTION_PART,
    OUTER,
    PART_CURRENT,
    PART_HEAT,
    PART_TEMPERATURE,
    SPEED,
    STRAY_HEAT,
    TIME,
    TURN_VOLTAGE,
    VOLTAGE,
    WORK_PART,
)
from physics.turns import hoop_elastic_energy, turns_kinetic_energy, turns_plastic_work


@kernel
def _diameter(part, body, node):
    """Diameter (m) of rim (node -1) or bore (node 0) as it is reported."""
    total = 0.0
    for s in range(part.size_share.size):
        total += 2.0 * part.size_share[s] * body.radius[s, node]
    return total


@kernel
def update_voltages(model, fields, q, h):
    """Voltage (V) along every turn, meaned over the step of `h` s: what its flux changes by, and its resistance."""
    turns, unknowns = model.turns, model.unknowns
    for t in range(turns.radius.size):
        c = unknowns.centre[t]
        linkage = centre_linkage(model, fields, t, q)
        if h > 0.0:
            turns.voltage[t] = (linkage - turns.linkage[t]) / h + fields.resistance[c] * fields.current[c]
            turns.peak_voltage[t] = max(turns.peak_voltage[t], abs(turns.voltage[t]))
        turns.linkage[t] = linkage


@kernel
def _note_voltages(model, row):
    """Voltages along the coil, along its worst turn, and between the open ends of two layers wound there and back."""
    turns, layer = model.turns, model.coil.turn_layer
    sums = np.zeros(layer[-1] + 1)
    for t in range(turns.radius.size):
        sums[layer[t]] += turns.weight[t] * turns.voltage[t]
        row[TURN_VOLTAGE] = max(row[TURN_VOLTAGE], abs(turns.voltage[t]))
    for voltage in sums:
        row[COIL_VOLTAGE] += voltage
    for l in range(sums.size - 1):
        row[LAYER_VOLTAGE] = max(row[LAYER_VOLTAGE], abs(sums[l] + sums[l + 1]))


@kernel
def record(model, fields, heat, loads, totals, time, voltage, bank_current, row):
    """One row of the time series."""
    coil, body, turns = model.coil, model.body, model.turns
    inner_edge = turns.radius[0] - model.controls.half_width
    filaments = coil.radius_m.size
    part_current = 0.0
    for c in range(filaments, fields.current.size):
        part_current += 2.0 * fields.current[c]
    coil_current = 0.0
    for f in range(filaments):
        if coil.turn[f] == 0:
            coil_current += coil.multiplicity[f] * fields.current[f]
    row[TIME] = time
    row[CURRENT] = coil_current
    row[VOLTAGE] = voltage
    row[PART_CURRENT] = part_current
    row[FIELD] = axial_field(model.points, fields.current, 0.5 * (body.radius[0, -1] + inner_edge))
    row[FORCE] = loads.inward[0]
    row[OUTER] = _diameter(model.part, body, -1)
    row[INNER] = _diameter(model.part, body, 0)
    row[COIL_INNER] = 2.0 * inner_edge
    row[PART_TEMPERATURE] = heat.hottest[1]
    row[COIL_TEMPERATURE] = heat.hottest[0]
    row[SPEED] = body.speed[0, -1]
    row[BANK_CURRENT] = bank_current
    row[CENTRE_FIELD] = centre_field(model.points, fields.current)
    _note_voltages(model, row)
    row[HEAT_OUTSIDE] = totals[STRAY_HEAT] + totals[DROP_HEAT] + totals[CROWBAR_HEAT]
    row[HEAT_COIL] = totals[COIL_HEAT]
    row[HEAT_PART] = totals[PART_HEAT]
    row[ENERGY_ARC] = totals[ARC_ENERGY]
    row[ENERGY_FIELD] = totals[MAGNETIC]
    if model.controls.motion:
        row[WORK_PART] = body.work[0] + elastic_energy(body, model.tables.strength)
        row[MOTION_PART] = kinetic_energy(body)
        row[MOTION_COIL] = (
            turns_kinetic_energy(turns) + turns_plastic_work(turns) + hoop_elastic_energy(turns, model.coil_strength)
        )


@kernel
def settle(part, body, totals, settled, h):
    """Running mean of the sizes since anything last yielded, so that elastic ringing averages out."""
    share = h / (settled + h)
    totals[FINAL_OUTER] += share * (_diameter(part, body, -1) - totals[FINAL_OUTER])
    totals[FINAL_INNER] += share * (_diameter(part, body, 0) - totals[FINAL_INNER])
    totals[FINAL_RIM] += share * (2.0 * body.level[-1, -1] - totals[FINAL_RIM])
    totals[FINAL_CENTRE] += share * (2.0 * body.level[-1, 0] - totals[FINAL_CENTRE])
    return settled + h
