"""Ohmic heat in coil and workpiece, and the temperatures, resistivities and softening that follow from it."""

from __future__ import annotations

from physics.circuit import GAMMA
from physics.kernel_cache import kernel
from physics.state import COIL_HEAT, PART_HEAT
from physics.thermal import look_up


@kernel
def _add_up(model, heat):
    """Specific enthalpy (J/kg) of every filament and cell: ohmic heat and plastic work."""
    coil, part, turns, body = model.coil, model.part, model.turns, model.body
    filaments, cells = coil.radius_m.size, body.heat.shape[1]
    for n in range(filaments):
        heat.enthalpy[n] = heat.ohmic[n] + turns.heat[coil.turn[n]]
    for c in range(part.cell_column.size):
        i, s = part.cell_column[c], part.cell_slice[c]
        total = heat.ohmic[filaments + c]
        for k in range(cells):
            total += part.motion_in_column[i, k] * body.heat[s, k]
        heat.enthalpy[filaments + c] = total


@kernel
def update_heat(model, fields, heat):
    """Resistivities, highest temperatures, strengths and molten shares from the enthalpies; False beyond the data."""
    tables, filaments = model.tables, model.coil.radius_m.size
    starts, spacings = tables.start, tables.spacing
    valid, rise = True, 0.0
    _add_up(model, heat)
    heat.hottest[:] = 0.0
    for n in range(heat.ohmic.size):
        metal, enthalpy = heat.metal[n], heat.enthalpy[n]
        start, spacing = starts[metal], spacings[metal]
        rise = max(rise, heat.last[n] / (tables.limit[metal] - start))
        valid = valid and enthalpy < tables.limit[metal]
        # Half of the last step's heat ahead: resistance at the middle of the coming step.
        resistivity = look_up(enthalpy + 0.5 * heat.last[n], start, spacing, tables.resistivity, metal)
        body = 0 if n < filaments else 1
        heat.temperature[n] = look_up(enthalpy, start, spacing, tables.temperature, metal)
        heat.hottest[body] = max(heat.hottest[body], heat.temperature[n])
        if n < filaments:
            fields.coil_resistivity[n] = resistivity
        else:
            fields.part_resistivity[n - filaments] = resistivity
    heat.rise[0] = rise
    if model.controls.motion:
        _soften_turns(model, heat)
        _soften_part(model, heat)
    return valid


@kernel
def _soften_turns(model, heat):
    """Mean softness, molten share and temperature of every turn over its section."""
    coil, tables = model.coil, model.tables
    start, spacing = tables.start[0], tables.spacing[0]
    heat.turn_softness[:] = 0.0
    heat.turn_molten[:] = 0.0
    heat.turn_temperature[:] = 0.0
    for f in range(coil.radius_m.size):
        t, enthalpy = coil.turn[f], heat.enthalpy[f]
        share = coil.multiplicity[f] * heat.mass[f] / model.turns.mass[t]
        heat.turn_softness[t] += share * look_up(enthalpy, start, spacing, tables.softness, 0)
        heat.turn_molten[t] += share * look_up(enthalpy, start, spacing, tables.molten, 0)
        heat.turn_temperature[t] += share * heat.temperature[f]


@kernel
def _soften_part(model, heat):
    """Softness of every mechanical cell: the mean over the current cells in it, so that a molten skin bears nothing."""
    part, tables, filaments = model.part, model.tables, model.coil.radius_m.size
    heat.softness[:, :] = 0.0
    for c in range(part.cell_column.size):
        n, i, s = filaments + c, part.cell_column[c], part.cell_slice[c]
        height, metal = part.cell_top[c] - part.cell_bottom[c], heat.metal[n]
        start, spacing = tables.start[metal], tables.spacing[metal]
        for k in range(heat.softness.shape[1]):
            share = height * part.column_in_motion[k, i]
            if share > 0.0:
                enthalpy = heat.ohmic[n] + model.body.heat[s, k]
                heat.softness[s, k] += share * look_up(enthalpy, start, spacing, tables.softness, metal)


@kernel
def add_ohmic_heat(model, fields, heat, totals, h):
    """Heat of one step from the currents at its two stages, weighted as the step weights them."""
    filaments = model.coil.radius_m.size
    for n in range(fields.current.size):
        square = (1.0 - GAMMA) * fields.first_current[n] ** 2 + GAMMA * fields.current[n] ** 2
        energy = h * fields.resistance[n] * square
        totals[COIL_HEAT if n < filaments else PART_HEAT] += model.unknowns.weight[n] * energy
        heat.last[n] = energy / heat.mass[n]
        heat.ohmic[n] += heat.last[n]
