"""The coupled run: circuit, eddy currents, motion of part and coil, heat, rupture.

One electrical step: (1) move part and turns through sub-steps under the Lorentz force, extrapolated
linearly over the step; (2) bring the inductance matrix to the new section; (3) step circuit and
eddy currents; (4) add the ohmic heat; (5) look for rupture, current zero and the end.

The matrix is assembled afresh only once in a window of motion, for the section expected in the
middle of it; in between it follows by its own gradient. About the middle the first-order terms
left out in force cancel over the window, and the matrix does not jump from window to window.
"""

from __future__ import annotations

from math import isfinite, pi
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from physics.circuit import (
    GAMMA,
    Discharge,
    StepWork,
    Unknowns,
    currents,
    dot,
    factor,
    generalise,
    solve,
    step,
)
from physics.geometry import Loads, Points, axial_field, locate, lorentz, resistances, split
from physics.inductance import assemble, follow
from physics.mesh import CoilMesh, PartMesh
from physics.plasticity import Strength
from physics.radial import Body, advance, stable_step
from physics.thermal import look_up
from physics.turns import Turns, advance_turns, arc_voltage, rupture

Floats = NDArray[np.float64]

# How a run ends.
COMPLETED, STOPPED_EARLY, OVER_CRUSHED, BORE_CLOSED, RIM_EXTRUDED, MATERIAL_LIMIT, NOT_CONVERGED = range(7)

# Columns of the recorded rows.
(
    TIME,
    CURRENT,
    VOLTAGE,
    PART_CURRENT,
    FIELD,
    FORCE,
    OUTER,
    INNER,
    COIL_INNER,
    PART_TEMPERATURE,
    COIL_TEMPERATURE,
    SPEED,
) = range(12)
COLUMNS = 12

# Entries of the totals.
(
    STRAY_HEAT,
    DROP_HEAT,
    COIL_HEAT,
    PART_HEAT,
    ARC_ENERGY,
    CHARGE,
    ACTION,
    IMPULSE,
    COIL_HEAT_TO_ZERO,
    PART_HEAT_TO_ZERO,
    ZERO_TIME,
    BURST_TIME,
    BURST_CURRENT,
    FINAL_OUTER,
    FINAL_INNER,
    FINAL_RIM,
    FINAL_CENTRE,
    MAGNETIC,
    LOWEST_VOLTAGE,
    ASSEMBLIES,
) = range(20)
TOTALS = 20

# A run is called off where the radial model has lost its meaning.
_SMALLEST_SHRINK = 0.3
_CLOSED_BORE = 0.03
_THINNEST_RIM = 0.4
# Energy left, as a share of the bank's, below which nothing more can happen.
_SPENT = 1e-3
# Plastic strain in one step below which a cell counts as at rest.
_YIELDING = 1e-7


class Table(NamedTuple):
    """A metal's thermal properties over a uniform grid of specific enthalpy, as plain arrays."""

    start: float
    spacing: float
    temperature: Floats
    resistivity: Floats
    molten: Floats
    limit: float


class Controls(NamedTuple):
    """Numerical and model constants of a run, SI."""

    step: float
    motion: bool
    stop_time: float
    quiet_time: float
    window: float
    wire_radius: float
    rupture_strain: float
    fracture_energy: float
    arc_fall: float
    arc_gradient: float
    taylor_quinney: float
    coil_density: float
    part_mass: float


class Model(NamedTuple):
    """Everything a run works on."""

    coil: CoilMesh
    part: PartMesh
    turns: Turns
    body: Body
    points: Points
    unknowns: Unknowns
    discharge: Discharge
    coil_strength: Strength
    part_strength: Strength
    coil_table: Table
    part_table: Table
    controls: Controls


class Fields(NamedTuple):
    """Matrices and vectors of the electrical side."""

    base: Floats
    matrix: Floats
    by_radius: Floats
    by_height: Floats
    base_radius: Floats
    base_height: Floats
    base_mean_distance: Floats
    half: Floats
    before: Floats
    after: Floats
    flux: Floats
    current: Floats
    first_current: Floats
    resistance: Floats
    coil_resistivity: Floats
    part_resistivity: Floats


class Heat(NamedTuple):
    """Ohmic heat per kilogram of filaments and cells, the last step's share, and mean temperatures."""

    ohmic: Floats
    last: Floats
    motion_temperature: Floats
    turn_temperature: Floats
    turn_molten: Floats


def make_fields(unknowns: Unknowns, points: int) -> Fields:
    """Zeroed fields of the right sizes."""
    n = unknowns.filaments + unknowns.cells
    size = 1 + unknowns.mode_filament.size + unknowns.cells
    return Fields(
        base=np.zeros((n, n)),
        matrix=np.zeros((n, n)),
        by_radius=np.zeros((points, n)),
        by_height=np.zeros((points, n)),
        base_radius=np.zeros(points),
        base_height=np.zeros(points),
        base_mean_distance=np.zeros(points),
        half=np.zeros((n, size)),
        before=np.zeros((size, size)),
        after=np.zeros((size, size)),
        flux=np.zeros(size),
        current=np.zeros(n),
        first_current=np.zeros(n),
        resistance=np.zeros(n),
        coil_resistivity=np.zeros(unknowns.filaments),
        part_resistivity=np.zeros(unknowns.cells),
    )


def make_heat(unknowns: Unknowns, motion_cells: int, turns: int) -> Heat:
    """Heat of a cold start."""
    n = unknowns.filaments + unknowns.cells
    return Heat(np.zeros(n), np.zeros(n), np.zeros(motion_cells), np.zeros(turns), np.zeros(turns))


@njit(cache=True, nogil=True)
def reassemble(model, fields):
    """Assemble matrix and slopes for the section as `points` has it, and remember that section."""
    points = model.points
    assemble(
        points.count[0],
        points.radius,
        points.height,
        points.mean_distance,
        points.weight,
        points.share,
        points.cell,
        fields.base,
        fields.by_radius,
        fields.by_height,
    )
    fields.base_radius[:] = points.radius
    fields.base_height[:] = points.height
    fields.base_mean_distance[:] = points.mean_distance


@njit(cache=True, nogil=True)
def update_inductance(model, fields):
    """Generalised inductance of the section as `points` has it, into `fields.after`."""
    points = model.points
    n = points.count[0]
    follow(
        n,
        points.radius[:n] - fields.base_radius[:n],
        points.height[:n] - fields.base_height[:n],
        points.mean_distance[:n] / fields.base_mean_distance[:n] - 1.0,
        fields.base_radius,
        fields.base_mean_distance,
        points.weight,
        points.share,
        points.cell,
        fields.by_radius,
        fields.by_height,
        fields.base,
        fields.matrix,
    )
    generalise(model.unknowns, fields.matrix, model.discharge.inductance, fields.half, fields.after)


@njit(cache=True, nogil=True)
def update_heat(model, fields, heat):
    """Temperatures and resistivities from the enthalpies; False outside the validity of the data."""
    coil, part, body, turns = model.coil, model.part, model.body, model.turns
    filaments = coil.radius_m.size
    valid = True
    heat.turn_temperature[:] = 0.0
    heat.turn_molten[:] = 0.0
    table = model.coil_table
    whole = np.zeros(turns.radius.size)
    for f in range(filaments):
        t = coil.turn[f]
        enthalpy = heat.ohmic[f] + turns.heat[t]
        valid = valid and enthalpy < table.limit
        # Half of the last step's heat ahead: resistance at the middle of the coming step.
        fields.coil_resistivity[f] = look_up(
            enthalpy + 0.5 * heat.last[f], table.start, table.spacing, table.resistivity
        )
        section = coil.multiplicity[f] * coil.area_m2[f]
        heat.turn_temperature[t] += section * look_up(enthalpy, table.start, table.spacing, table.temperature)
        heat.turn_molten[t] += section * look_up(enthalpy, table.start, table.spacing, table.molten)
        whole[t] += section
    heat.turn_temperature[:] /= whole
    heat.turn_molten[:] /= whole

    table = model.part_table
    columns = part.motion_in_column.shape[0]
    column_heat = np.zeros(columns)
    for c in range(part.cell_column.size):
        i = part.cell_column[c]
        n = filaments + c
        column_heat[i] += part.cell_z_share[c] * heat.ohmic[n]
        enthalpy = heat.ohmic[n] + dot(part.motion_in_column[i], body.heat, body.heat.size)
        valid = valid and enthalpy < table.limit
        fields.part_resistivity[c] = look_up(
            enthalpy + 0.5 * heat.last[n], table.start, table.spacing, table.resistivity
        )
    for k in range(body.heat.size):
        enthalpy = dot(part.column_in_motion[k], column_heat, columns) + body.heat[k]
        heat.motion_temperature[k] = look_up(enthalpy, table.start, table.spacing, table.temperature)
    return valid


@njit(cache=True, nogil=True)
def _hottest(model, heat):
    """Highest temperature (K) of any workpiece cell and of any coil filament."""
    coil, part, body = model.coil, model.part, model.body
    filaments = coil.radius_m.size
    hot_part, hot_coil = 0.0, 0.0
    for c in range(part.cell_column.size):
        enthalpy = heat.ohmic[filaments + c] + dot(
            part.motion_in_column[part.cell_column[c]], body.heat, body.heat.size
        )
        table = model.part_table
        hot_part = max(hot_part, look_up(enthalpy, table.start, table.spacing, table.temperature))
    for f in range(filaments):
        table = model.coil_table
        enthalpy = heat.ohmic[f] + model.turns.heat[coil.turn[f]]
        hot_coil = max(hot_coil, look_up(enthalpy, table.start, table.spacing, table.temperature))
    return hot_part, hot_coil


@njit(cache=True, nogil=True)
def _add_ohmic_heat(model, fields, heat, totals, h):
    """Heat of one step from the currents at its two stages, weighted as the step weights them."""
    filaments = model.coil.radius_m.size
    for n in range(fields.current.size):
        square = (1.0 - GAMMA) * fields.first_current[n] ** 2 + GAMMA * fields.current[n] ** 2
        energy = h * fields.resistance[n] * square
        if n < filaments:
            t = model.coil.turn[n]
            mass = model.controls.coil_density * model.coil.area_m2[n] * 2.0 * pi * model.turns.first_radius[t]
            totals[COIL_HEAT] += model.unknowns.weight[n] * energy
        else:
            mass = 0.5 * model.controls.part_mass * model.part.cell_mass_ratio[n - filaments]
            totals[PART_HEAT] += 2.0 * energy
        heat.last[n] = energy / mass
        heat.ohmic[n] += energy / mass


@njit(cache=True, nogil=True)
def _move(model, heat, loads, last_loads, h):
    """Part and turns through one electrical step; (ok, anything yielded)."""
    body, turns, strength = model.body, model.turns, model.part_strength
    pieces = int(np.ceil(h / stable_step(body, strength)))
    dt = h / pieces
    strain, coil_strain = body.strain.sum(), turns.strain.sum()
    for i in range(pieces):
        ahead = (i + 0.5) / pieces
        node = loads.node + ahead * (loads.node - last_loads.node)
        spread = loads.spread + ahead * (loads.spread - last_loads.spread)
        turn = loads.turn + ahead * (loads.turn - last_loads.turn)
        advance_turns(turns, model.coil_strength, turn, heat.turn_temperature, model.controls.taylor_quinney, dt)
        if not advance(body, strength, node, spread, heat.motion_temperature, model.controls.taylor_quinney, dt):
            return False, True
    yielded = body.strain.sum() - strain > _YIELDING or turns.strain.sum() - coil_strain > _YIELDING
    return True, yielded


@njit(cache=True, nogil=True)
def _travelled(model, window):
    """How far the section has moved since the window opened: motion over gap, or relative thickening."""
    turns, body = model.turns, model.body
    kept = turns.radius.size
    gap = np.min(turns.radius) - model.controls.wire_radius - body.radius[-1]
    travel = (np.max(np.abs(turns.radius - window[:kept])) + abs(body.radius[-1] - window[kept])) / gap
    return max(travel, np.max(np.abs(body.thickness / window[kept + 1 :] - 1.0)))


@njit(cache=True, nogil=True)
def _open_window(model, fields, window):
    """Assemble for the section expected halfway through the window that opens now; `window` notes where that is."""
    body, turns = model.body, model.turns
    kept = turns.radius.size
    gap = np.min(turns.radius) - model.controls.wire_radius - body.radius[-1]
    rate = (np.max(np.abs(turns.speed)) + abs(body.speed[-1])) / gap
    rate = max(rate, np.max(np.abs(body.spread) / body.thickness))
    ahead = 0.5 * model.controls.window / rate if rate * gap > 1.0 else 0.0
    # Never so far ahead that a cell could lose its width.
    for k in range(body.thickness.size):
        closing = body.speed[k] - body.speed[k + 1]
        if closing > 0.0:
            ahead = min(ahead, 0.2 * (body.radius[k + 1] - body.radius[k]) / closing)
    body.radius[:] += ahead * body.speed
    body.thickness[:] += ahead * body.spread
    turns.radius[:] += ahead * turns.speed
    split(model.coil.radius_m.size, model.part, body, model.points)
    locate(model.coil, turns, model.part, body, model.points)
    reassemble(model, fields)
    body.radius[:] -= ahead * body.speed
    body.thickness[:] -= ahead * body.spread
    turns.radius[:] -= ahead * turns.speed
    locate(model.coil, turns, model.part, body, model.points)
    window[:kept] = turns.radius
    window[kept] = body.radius[-1]
    window[kept + 1 :] = body.thickness


@njit(cache=True, nogil=True)
def _crushed(model, first_outer, first_thickness):
    """End code if the part has left the range of the radial model, else -1."""
    body = model.body
    if body.radius[-1] < _SMALLEST_SHRINK * first_outer:
        return OVER_CRUSHED
    if body.radius[0] > 0.0 and body.radius[0] < _CLOSED_BORE * body.radius[-1]:
        return BORE_CLOSED
    if body.thickness[-1] < _THINNEST_RIM * first_thickness:
        return RIM_EXTRUDED
    return -1


@njit(cache=True, nogil=True)
def _record(model, fields, heat, loads, time, voltage, row):
    """One row of the time series."""
    coil, body, turns = model.coil, model.body, model.turns
    inner_edge = turns.radius[0] - model.controls.wire_radius
    filaments = coil.radius_m.size
    part_current = 0.0
    for c in range(filaments, fields.current.size):
        part_current += 2.0 * fields.current[c]
    hot_part, hot_coil = _hottest(model, heat)
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
def effective_inductance(model, fields):
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
def _book(model, fields, work, totals, h, direction, switch_drop, arc):
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
def _follow_motion(model, fields, heat, loads, last_loads, window, h):
    """Motion of one step and the inductance after it; (ok, yielded, assembled). `window` holds where it opened."""
    ok, yielded = _move(model, heat, loads, last_loads, h)
    if not ok:
        return False, yielded, False
    locate(model.coil, model.turns, model.part, model.body, model.points)
    assembled = _travelled(model, window) > model.controls.window
    if assembled:
        _open_window(model, fields, window)
    update_inductance(model, fields)
    return True, yielded, assembled


@njit(cache=True, nogil=True)
def run(model, fields, heat, work, loads, last_loads, totals, rows):
    """Run until nothing more can change; returns (end code, rows used). `totals` and `rows` are filled."""
    controls, discharge, unknowns = model.controls, model.discharge, model.unknowns
    coil, part, turns, body = model.coil, model.part, model.turns, model.body
    time, voltage, current, direction = 0.0, discharge.voltage, 0.0, 1.0
    stored = 0.5 * discharge.capacitance * voltage**2
    closed, frozen = True, not controls.motion
    first_outer, first_thickness = body.radius[-1], body.thickness[-1]
    last_yield = 0.0
    settled = _settle(body, totals, 0.0, 1e-12)
    window = np.concatenate((turns.radius, body.radius[-1:], body.thickness))
    flux_before = np.zeros_like(fields.flux)
    totals[ZERO_TIME] = totals[BURST_TIME] = -1.0
    update_heat(model, fields, heat)
    _record(model, fields, heat, loads, time, voltage, rows[0])
    for used in range(1, rows.shape[0]):
        if time >= controls.stop_time * (1.0 - 1e-12):
            return STOPPED_EARLY, used
        # Nothing moves any more: only the ringing is left, and it needs fewer steps.
        coarser = 3.0 if frozen and totals[ZERO_TIME] > 0.0 else 1.0
        h = min(coarser * controls.step, controls.stop_time - time)

        fields.before[:, :] = fields.after
        yielded = False
        if not frozen:
            ok, yielded, assembled = _follow_motion(model, fields, heat, loads, last_loads, window, h)
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
        ok, voltage = step(
            unknowns, discharge, fields.resistance, fields.before, fields.after,
            not frozen, closed, drop, h, fields.flux, voltage, work,
        )  # fmt: skip
        if not ok or not isfinite(work.second[0]):
            return NOT_CONVERGED, used
        share = 1.0
        if closed and direction * work.second[0] < 0.0:
            share = abs(current) / (abs(current) + abs(work.second[0]))
            if totals[BURST_TIME] >= 0.0 or not discharge.conducts_reverse or abs(voltage) < discharge.drop:
                # The arc goes out at current zero: repeat the step up to there and open the loop.
                h *= share
                share = 1.0
                fields.flux[:] = flux_before
                ok, voltage = step(
                    unknowns, discharge, fields.resistance, fields.before, fields.after,
                    not frozen, closed, drop, h, fields.flux, voltage_before, work,
                )  # fmt: skip
                if not ok:
                    return NOT_CONVERGED, used
                closed = False
        crossed = not closed and totals[ZERO_TIME] < 0.0 or direction * work.second[0] < 0.0
        currents(unknowns, work.first, fields.first_current)
        currents(unknowns, work.second, fields.current)
        heat_before = totals[COIL_HEAT], totals[PART_HEAT]
        _add_ohmic_heat(model, fields, heat, totals, h)
        _book(model, fields, work, totals, h, direction, discharge.drop, arc)
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
        if not valid:
            return MATERIAL_LIMIT, used + 1
        if not frozen:
            if yielded:
                last_yield = time
                settled = 0.0
            settled = _settle(body, totals, settled, h)
            code = _crushed(model, first_outer, first_thickness)
            if code >= 0:
                return code, used + 1
            broken = rupture(
                turns, model.coil_strength.density, controls.rupture_strain, heat.turn_molten,
                controls.fracture_energy, time,
            )  # fmt: skip
            if broken > 0 and totals[BURST_TIME] < 0.0:
                totals[BURST_TIME] = time
                totals[BURST_CURRENT] = current
        quiet = time - last_yield
        if not closed and quiet > controls.quiet_time:
            return COMPLETED, used + 1
        if closed and 0.5 * discharge.capacitance * voltage**2 + totals[MAGNETIC] < _SPENT * stored:
            if frozen or quiet > controls.quiet_time:
                return COMPLETED, used + 1
        # A whole period without yielding, and the ringing only decays: no later one can make anything yield.
        if closed and totals[BURST_TIME] < 0.0 and quiet > 2.0 * totals[ZERO_TIME] > 0.0:
            frozen = True
    return STOPPED_EARLY, rows.shape[0]
