"""Ohmic heat in coil and workpiece, and the temperatures, resistivities and softening that follow from it."""

from __future__ import annotations

from physics.circuit import GAMMA
from physics.kernel_cache import kernel
from physics.linear import dot
from physics.state import COIL_HEAT, PART_HEAT
from physics.thermal import look_up


@kernel
def temperature_at(tables, metal, enthalpy):
    """Temperature (K) of a metal of the tables at a specific enthalpy (J/kg)."""
    return look_up(enthalpy, tables.start[metal], tables.spacing[metal], tables.temperature[metal])


@kernel
def molten_at(tables, metal, enthalpy):
    """Molten share of a metal of the tables at a specific enthalpy (J/kg)."""
    return look_up(enthalpy, tables.start[metal], tables.spacing[metal], tables.molten[metal])


@kernel
def _softness_at(tables, metal, enthalpy):
    """Thermal factor of the flow stress of a metal of the tables at a specific enthalpy (J/kg)."""
    return look_up(enthalpy, tables.start[metal], tables.spacing[metal], tables.softness[metal])


@kernel
def _enthalpy(model, heat, n):
    """Specific enthalpy (J/kg) of filament or cell n: ohmic heat and plastic work."""
    filaments = model.coil.radius_m.size
    if n < filaments:
        return heat.ohmic[n] + model.turns.heat[model.coil.turn[n]]
    part, c = model.part, n - filaments
    plastic = model.body.heat[part.cell_slice[c]]
    return heat.ohmic[n] + dot(part.motion_in_column[part.cell_column[c]], plastic, plastic.size)


@kernel
def update_heat(model, fields, heat):
    """Resistivities, highest temperatures, strengths and molten shares from the enthalpies; False beyond the data."""
    tables, filaments = model.tables, model.coil.radius_m.size
    valid = True
    heat.hottest[:] = 0.0
    heat.rise[0] = 0.0
    for n in range(heat.ohmic.size):
        metal, enthalpy = heat.metal[n], _enthalpy(model, heat, n)
        heat.rise[0] = max(heat.rise[0], heat.last[n] / (tables.limit[metal] - tables.start[metal]))
        valid = valid and enthalpy < tables.limit[metal]
        # Half of the last step's heat ahead: resistance at the middle of the coming step.
        resistivity = look_up(
            enthalpy + 0.5 * heat.last[n], tables.start[metal], tables.spacing[metal], tables.resistivity[metal]
        )
        body = 0 if n < filaments else 1
        heat.hottest[body] = max(heat.hottest[body], temperature_at(tables, metal, enthalpy))
        if n < filaments:
            fields.coil_resistivity[n] = resistivity
        else:
            fields.part_resistivity[n - filaments] = resistivity
    if model.controls.motion:
        _soften_turns(model, heat)
        _soften_part(model, heat)
    return valid


@kernel
def _soften_turns(model, heat):
    """Mean softness, molten share and temperature of every turn over its section."""
    coil = model.coil
    heat.turn_softness[:] = 0.0
    heat.turn_molten[:] = 0.0
    heat.turn_temperature[:] = 0.0
    for f in range(coil.radius_m.size):
        t, enthalpy = coil.turn[f], _enthalpy(model, heat, f)
        share = coil.multiplicity[f] * heat.mass[f] / model.turns.mass[t]
        heat.turn_softness[t] += share * _softness_at(model.tables, 0, enthalpy)
        heat.turn_molten[t] += share * molten_at(model.tables, 0, enthalpy)
        heat.turn_temperature[t] += share * temperature_at(model.tables, 0, enthalpy)


@kernel
def _soften_part(model, heat):
    """Softness of every mechanical cell: the mean over the current cells in it, so that a molten skin bears nothing."""
    part, filaments = model.part, model.coil.radius_m.size
    heat.softness[:, :] = 0.0
    for c in range(part.cell_column.size):
        n, i, s = filaments + c, part.cell_column[c], part.cell_slice[c]
        height = part.cell_top[c] - part.cell_bottom[c]
        for k in range(heat.softness.shape[1]):
            share = height * part.column_in_motion[k, i]
            if share > 0.0:
                enthalpy = heat.ohmic[n] + model.body.heat[s, k]
                heat.softness[s, k] += share * _softness_at(model.tables, heat.metal[n], enthalpy)


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
