"""What a run writes down after each step: one row of the series, voltages of the turns, the sizes it settles at."""

from __future__ import annotations

from physics.deformation import elastic_energy, kinetic_energy
from physics.geometry import field_of
from physics.kernel_cache import inlined_kernel, inner_kernel
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
from physics.windows import turn_linkages


@inner_kernel
def _diameter(share, radius, node):
    """Diameter (m) of rim (last node) or bore (first) as it is reported: the slices' by their `share`."""
    total = 0.0
    for s in range(share.size):
        total += 2.0 * share[s] * radius[s, node]
    return total


@inner_kernel
def update_voltages(turns, unknowns, fields, arcs, whole, h):
    """Voltage (V) along every turn, meaned over the step of `h` s: what its flux changes by, its resistance, its arcs.

    `arcs` is the sign of what they take, 0 where none burn. The peaks are those of a `whole` coil.
    """
    voltage, last_linkage, peak, centre = turns.voltage, turns.linkage, turns.peak_voltage, unknowns.centre
    resistance, current, linkage = fields.resistance, fields.current, fields.linkage
    turn_linkages(unknowns, fields, linkage)
    for t in range(voltage.size):
        voltage[t] = (linkage[t] - last_linkage[t]) / h + resistance[centre[t]] * current[centre[t]]
        voltage[t] += arcs * turns.arc[t]
        if whole:
            peak[t] = max(peak[t], abs(voltage[t]))
        last_linkage[t] = linkage[t]


@inner_kernel
def _note_voltages(voltage, weight, layer, sums, row, rows):
    """Voltages along the coil, along its worst turn, and between the open ends of two layers wound there and back.

    `layer` numbers the layer of each turn, `sums` is scratch for the voltage of each.
    """
    for l in range(sums.size):
        sums[l] = 0.0
    for t in range(voltage.size):
        sums[layer[t]] += weight[t] * voltage[t]
        rows[row, TURN_VOLTAGE] = max(rows[row, TURN_VOLTAGE], abs(voltage[t]))
    for l in range(sums.size):
        rows[row, COIL_VOLTAGE] += sums[l]
        if l > 0:
            rows[row, LAYER_VOLTAGE] = max(rows[row, LAYER_VOLTAGE], abs(sums[l - 1] + sums[l]))


@inner_kernel
def mean_field(fields, column):
    """Mean axial field (T) within a column of cells, at the mid-plane: its linkage, mirror image apart, tells it."""
    columns, cells = fields.field_within.size, fields.part_resistivity.size
    return 0.5 * fields.field_within[column] * fields.flux[fields.flux.size - 1 - cells + column * (cells // columns)]


@inner_kernel
def highest_mean_field(fields):
    """The highest of them (T)."""
    highest = 0.0
    for i in range(fields.field_within.size):
        highest = max(highest, abs(mean_field(fields, i)))
    return highest


@inner_kernel
def _centre_field(part, points, fields):
    """Axial field (T) on the axis in the mid-plane.

    In a part without a bore currents cancel most of the coil's field there. What is left is told by the flux that has
    come in, not by the difference of the two: the mean field within a circle goes with the square of its radius.
    """
    if part.cell_left_m[0] > 0.0:
        return field_of(points, fields.field_by_current, 1, fields.current)
    inner, outer = mean_field(fields, 0), mean_field(fields, 1)
    return inner + (inner - outer) / (fields.field_within[0] / fields.field_within[1] - 1.0)


@inlined_kernel
def record(
    coil, part, turns, body, points, coil_strength, strengths, controls, fields, heat,
    force, totals, time, voltage, bank_current, row, rows,
):  # fmt: skip
    """One row of the time series, whatever it held before."""
    for column in range(rows.shape[1]):
        rows[row, column] = 0.0
    radius, speed, share, half_width = body.radius, body.speed, part.size_share, controls.half_width
    current, turn, multiplicity, hottest = fields.current, coil.turn, coil.multiplicity, heat.hottest
    _note_voltages(turns.voltage, turns.weight, coil.turn_layer, fields.layer_voltage, row, rows)
    if controls.motion:
        rows[row, WORK_PART] = body.work[0] + elastic_energy(body, strengths)
        rows[row, MOTION_PART] = kinetic_energy(body)
        rows[row, MOTION_COIL] = (
            turns_kinetic_energy(turns) + turns_plastic_work(turns) + hoop_elastic_energy(turns, coil_strength)
        )
    rim, filaments = radius.shape[1] - 1, turn.size
    rows[row, FIELD] = field_of(points, fields.field_by_current, 0, current)
    rows[row, CENTRE_FIELD] = _centre_field(part, points, fields)
    for c in range(filaments, current.size):
        rows[row, PART_CURRENT] += 2.0 * current[c]
    for f in range(filaments):
        if turn[f] == 0:
            rows[row, CURRENT] += multiplicity[f] * current[f]
    rows[row, TIME] = time
    rows[row, VOLTAGE] = voltage
    rows[row, FORCE] = force
    rows[row, OUTER] = _diameter(share, radius, rim)
    rows[row, INNER] = _diameter(share, radius, 0)
    rows[row, COIL_INNER] = 2.0 * (turns.radius[0] - half_width)
    rows[row, PART_TEMPERATURE] = hottest[1]
    rows[row, COIL_TEMPERATURE] = hottest[0]
    rows[row, SPEED] = speed[0, rim]
    rows[row, BANK_CURRENT] = bank_current
    rows[row, HEAT_OUTSIDE] = totals[STRAY_HEAT] + totals[DROP_HEAT] + totals[CROWBAR_HEAT]
    rows[row, HEAT_COIL] = totals[COIL_HEAT]
    rows[row, HEAT_PART] = totals[PART_HEAT]
    rows[row, ENERGY_ARC] = totals[ARC_ENERGY]
    rows[row, ENERGY_FIELD] = totals[MAGNETIC]


@inner_kernel
def settle(share, radius, level, totals, settled, h):
    """Running mean of the sizes since anything last yielded, so that elastic ringing averages out."""
    weight, rim, top = h / (settled + h), radius.shape[1] - 1, level.shape[0] - 1
    totals[FINAL_OUTER] += weight * (_diameter(share, radius, rim) - totals[FINAL_OUTER])
    totals[FINAL_INNER] += weight * (_diameter(share, radius, 0) - totals[FINAL_INNER])
    totals[FINAL_RIM] += weight * (2.0 * level[top, rim - 1] - totals[FINAL_RIM])
    totals[FINAL_CENTRE] += weight * (2.0 * level[top, 0] - totals[FINAL_CENTRE])
    return settled + h
