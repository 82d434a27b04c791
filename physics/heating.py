"""Ohmic heat in coil and workpiece, and the temperatures, resistivities and softening that follow from it."""

from __future__ import annotations

from physics.circuit import GAMMA
from physics.kernel_cache import inner_kernel, kernel
from physics.linear import clear
from physics.state import COIL_HEAT, PART_HEAT
from physics.thermal import look_up


@inner_kernel
def _add_up(coil, part, turns, body, heat):
    """Specific enthalpy (J/kg) of every filament and cell: ohmic heat and plastic work."""
    turn, turn_heat, body_heat, ohmic, enthalpy = coil.turn, turns.heat, body.heat, heat.ohmic, heat.enthalpy
    column, slice_of, share, filaments = part.cell_column, part.cell_slice, part.motion_in_column, coil.turn.size
    for n in range(filaments):
        enthalpy[n] = ohmic[n] + turn_heat[turn[n]]
    for c in range(column.size):
        i, s = column[c], slice_of[c]
        total = ohmic[filaments + c]
        for k in range(body_heat.shape[1]):
            total += share[i, k] * body_heat[s, k]
        enthalpy[filaments + c] = total


@kernel
def update_heat(coil, part, turns, body, tables, fields, heat, moves):
    """Resistivities, highest temperatures, strengths and molten shares from the enthalpies; False beyond the data.

    Strengths and molten shares only where something `moves`.
    """
    _add_up(coil, part, turns, body, heat)
    valid = _warm(tables, heat, fields.coil_resistivity, fields.part_resistivity)
    if moves:
        _soften_turns(coil, turns, tables, heat)
        _soften_part(part, body, tables, heat, coil.turn.size)
    return valid


@inner_kernel
def _warm(tables, heat, coil_resistivity, part_resistivity):
    """Temperatures and resistivities; False where a metal is beyond its data."""
    starts, spacings, limit, temperatures, resistivities = (
        tables.start, tables.spacing, tables.limit, tables.temperature, tables.resistivity,
    )  # fmt: skip
    metals, enthalpy, last, temperature, hottest = heat.metal, heat.enthalpy, heat.last, heat.temperature, heat.hottest
    highest, filaments, valid, rise = heat.rise, coil_resistivity.size, True, 0.0
    hottest[0] = hottest[1] = 0.0
    for n in range(enthalpy.size):
        metal = metals[n]
        start, spacing = starts[metal], spacings[metal]
        rise = max(rise, last[n] / (limit[metal] - start))
        valid = valid and enthalpy[n] < limit[metal]
        # Half of the last step's heat ahead: resistance at the middle of the coming step.
        resistivity = look_up(enthalpy[n] + 0.5 * last[n], start, spacing, resistivities, metal)
        place = 0 if n < filaments else 1
        temperature[n] = look_up(enthalpy[n], start, spacing, temperatures, metal)
        hottest[place] = max(hottest[place], temperature[n])
        if n < filaments:
            coil_resistivity[n] = resistivity
        else:
            part_resistivity[n - filaments] = resistivity
    highest[0] = rise
    return valid


@inner_kernel
def _soften_turns(coil, turns, tables, heat):
    """Mean softness, molten share and temperature of every turn over its section."""
    turn, multiplicity, mass, turn_mass = coil.turn, coil.multiplicity, heat.mass, turns.mass
    softness, molten, temperature = heat.turn_softness, heat.turn_molten, heat.turn_temperature
    enthalpies, temperatures, start, spacing = heat.enthalpy, heat.temperature, tables.start[0], tables.spacing[0]
    softnesses, molten_shares, molten_before = tables.softness, tables.molten, heat.turn_molten_before
    for t in range(softness.size):
        molten_before[t] = molten[t]
        softness[t] = molten[t] = temperature[t] = 0.0
    for f in range(turn.size):
        t, enthalpy = turn[f], enthalpies[f]
        share = multiplicity[f] * mass[f] / turn_mass[t]
        softness[t] += share * look_up(enthalpy, start, spacing, softnesses, 0)
        molten[t] += share * look_up(enthalpy, start, spacing, molten_shares, 0)
        temperature[t] += share * temperatures[f]


@inner_kernel
def _soften_part(part, body, tables, heat, filaments):
    """Softness of every mechanical cell: the mean over the current cells in it, so that a molten skin bears nothing."""
    column, slice_of, bottom, top, shares = (
        part.cell_column, part.cell_slice, part.cell_bottom, part.cell_top, part.column_in_motion,
    )  # fmt: skip
    softness, ohmic, metals, body_heat = heat.softness, heat.ohmic, heat.metal, body.heat
    starts, spacings, softnesses = tables.start, tables.spacing, tables.softness
    clear(softness.shape[0], softness)
    for c in range(column.size):
        n, i, s = filaments + c, column[c], slice_of[c]
        height, metal = top[c] - bottom[c], metals[n]
        for k in range(softness.shape[1]):
            share = height * shares[k, i]
            if share > 0.0:
                enthalpy = ohmic[n] + body_heat[s, k]
                softness[s, k] += share * look_up(enthalpy, starts[metal], spacings[metal], softnesses, metal)


@inner_kernel
def add_ohmic_heat(unknowns, fields, heat, totals, h):
    """Heat of one step from the currents at its two stages, weighted as the step weights them."""
    for n in range(fields.current.size):
        square = (1.0 - GAMMA) * fields.first_current[n] ** 2 + GAMMA * fields.current[n] ** 2
        energy = h * fields.resistance[n] * square
        totals[COIL_HEAT if n < unknowns.filaments else PART_HEAT] += unknowns.weight[n] * energy
        heat.last[n] = energy / heat.mass[n]
        heat.ohmic[n] += heat.last[n]
