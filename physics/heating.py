"""Ohmic heat in coil and workpiece, and the temperatures and resistivities that follow from it."""

from __future__ import annotations

from math import pi

import numpy as np
from numba import njit

from physics.circuit import GAMMA, dot
from physics.state import COIL_HEAT, PART_HEAT
from physics.thermal import look_up


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
def hottest(model, heat):
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
def add_ohmic_heat(model, fields, heat, totals, h):
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
