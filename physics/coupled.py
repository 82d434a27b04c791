"""The coupled run: circuit, eddy currents, motion of part and coil, heat, rupture.

One electrical step: (1) move part and turns through sub-steps under the Lorentz force, extrapolated
linearly over the step; (2) bring the inductance matrix to the new section; (3) step circuit and
eddy currents; (4) add the ohmic heat; (5) look for rupture, current zero and the end.
"""

from __future__ import annotations

from math import isfinite, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from physics.circuit import (
    BANK,
    BOTH,
    FREEWHEEL,
    OPEN,
    RINGING,
    StepWork,
    carry_over,
    currents,
    loop_of,
    step,
)
from physics.deformation import elastic_energy, kinetic_energy
from physics.geometry import Loads, inward_force, locate, lorentz, resistances, split
from physics.heating import add_ohmic_heat, update_heat
from physics.kernel_cache import inner_kernel, kernel
from physics.linear import copy, copy_lower, dot, factor, solve
from physics.motion import crushed, longest_flight, longest_step, make_good, move
from physics.recording import highest_mean_field, mean_field, record, settle, update_voltages
from physics.state import (
    ASSEMBLIES,
    BURST_CURRENT,
    BURST_FIELD,
    BURST_TIME,
    BURST_VOLTAGE,
    COIL_ELASTIC,
    COIL_HEAT,
    COIL_HEAT_TO_ZERO,
    COIL_MOTION,
    COIL_TEMPERATURE,
    COIL_VOLTAGE,
    COMPLETED,
    FIELD,
    HIGHEST_BANK_CURRENT,
    IMPULSE,
    LAYER_VOLTAGE,
    LOWEST_VOLTAGE,
    MAGNETIC,
    MATERIAL_LIMIT,
    NOT_CONVERGED,
    OVER_CRUSHED,
    PART_ELASTIC,
    PART_HEAT,
    PART_HEAT_TO_ZERO,
    PART_MOTION,
    SPARK_ACTION,
    STEP,
    STOPPED_EARLY,
    TURN_VOLTAGE,
    ZERO_TIME,
    Fields,
    Heat,
    Model,
)
from physics.switching import book_losses, drops, next_state, time_to_event
from physics.turns import (
    arc_voltage,
    coast_pieces,
    hoop_elastic_energy,
    rupture,
    time_to_melt,
    turns_kinetic_energy,
    voltage_to_relight,
)
from physics.windows import follow_fields, note_window, open_window, reassemble, see, travelled, update_inductance

Floats = NDArray[np.float64]

# Energy left, as a share of the bank's, below which nothing more can happen, and below which no force is left.
_SPENT, _GONE = 1e-3, 1e-6
# Steps in the time of quiet that ends a run, once things only fly on.
_STEPS_OF_FLIGHT = 16.0
# A current that only decays is followed in steps of at most this share of the time so far.
_SHARE_OF_TIME = 0.05
# Eddy currents that are left without a current lose about this share of their energy in a step.
_FADING = 0.2
# A loop that also holds the bank takes this share of the allowed change, of its present current.
_OF_ITSELF = 0.5
# A run takes at most so many quarter periods.
_LONGEST = 200.0
# A spark gap's resistance starts at so many times the loop's impedance: what goes before is formation delay.
_SPARK_START = 10.0
# Resistance counts as taking this share of the energy in a period at least.
_LEAST_LOST = 1e-4
# After the first current zero this share of the steps does, and fewer as the energy is spent.
_LATER = 0.45
# So many steps of the tail share their resistances.
_HELD = 8
# The coil's temperature may rise so many times as fast, over the energy spent, as it did.
_FASTER = 2.0
# The field on the axis has been highest where what is further out is no more than so many times that, or so small a
# share of the highest in the gap.
_HARDLY_MORE, _LITTLE_FIELD = 1.02, 0.05
# Before the peak of the current is known it is taken as this share of the undamped one.
_USUAL_PEAK = 0.5
# Ohmic heat of one step goes through no more than this share of the range of a metal's data.
_LARGEST_RISE = 0.02
# The first step is this share of the usual one, so that a part that moves long before the peak is seen to move.
_FIRST = 0.125
# Forces and motion that go by each other are followed as closely as the last steps show to be needed, each at least so
# many times as long as the one before. A thin layer in a strong field shakes itself apart otherwise.
_QUICKEST_CUT = 0.3
# A step is cut to end this little after an event, and never below this share of its length.
_PAST_EVENT, _SHORTEST = 1.02, 1e-2
# What the slopes of a much shorter step tell of an event is good for part of the way to it.
_NEAR_EVENT, _TOWARDS_EVENT = 2.0, 0.5
# The slope of a voltage is told by steps longer than this share of the one before.
_TELLING = 0.1


@kernel
def _effective_inductance(coil, part, turns, body, points, unknowns, discharge, half_width, fields, work):
    """Inductance (H) of the loop at the very start, when eddy currents shield completely; -1 if not definite.

    The bundle is solved with the workpiece: inverse of the first entry of the inverse of L.
    """
    split(coil, part, body, points)
    locate(coil, turns, body, points)
    reassemble(turns, body, points, unknowns, fields, part_too=True)
    update_inductance(turns, body, points, unknowns, fields, fields.after)
    follow_fields(part, turns, body, points, half_width, fields)
    copy_lower(fields.after, work.lower)
    last = work.rhs.size - 1
    work.lower[0, 0] += discharge.bank_inductance + discharge.line_inductance
    work.lower[last, last] = 1.0
    if not factor(work.lower):
        return -1.0
    for i in range(work.rhs.size):
        work.rhs[i] = 0.0
    work.rhs[0] = 1.0
    solve(work.lower, work.rhs)
    return 1.0 / work.rhs[0]


@inner_kernel
def _steps_when_still(controls, left, quarters):
    """Steps in a quarter period once only ringing is left, of which the share `left` remains after so many quarters.

    In so many steps N the two-stage step takes 0.18 / N^3 of the energy in a period by itself (|R(i pi / 2N)|^2 over
    4 N steps); that is always the same small share of what resistance takes.
    """
    lost = max(1.0 - max(left, _SPENT) ** (4.0 / quarters), _LEAST_LOST)
    return min(controls.steps_when_still / lost ** (1.0 / 3.0), max(controls.steps_to_peak, controls.steps_when_still))


@inner_kernel
def _steps_now(controls, left):
    """Steps in a quarter period after the first half, when the share `left` of the energy can still move things."""
    least = min(controls.steps_when_still, controls.steps_to_peak)
    return max(_LATER * controls.steps_to_peak * left ** (1.0 / 3.0), least)


@inner_kernel
def _step_of_bank_ring(controls, discharge, bank_current, voltage, stored):
    """Longest step (s) that follows a bank ringing through its crowbar, with less care the less it still holds."""
    inductance = discharge.bank_inductance + discharge.crowbar_inductance
    held = 0.5 * (inductance * bank_current**2 + discharge.capacitance * voltage**2)
    quarter = 0.5 * pi * sqrt(inductance * discharge.capacitance)
    return quarter / (controls.steps_to_peak * max(held / stored, _GONE) ** 0.25)


def run(
    model: Model,
    fields: Fields,
    heat: Heat,
    work: StepWork,
    loads: tuple[Loads, Loads, Loads],
    totals: Floats,
    rows: Floats,
) -> tuple[int, int]:
    """Run until nothing more can change; returns (end code, rows used). `totals` and `rows` are filled.

    `loads` are those of now, of the step before and those expected, all zero. The parts are called one after the other
    from here: inside one compiled function each would be optimised once more.
    """
    code, used = NOT_CONVERGED, 0
    inductance = _effective_inductance(
        model.coil, model.part, model.turns, model.body, model.points, model.unknowns, model.discharge,
        model.controls.half_width, fields, work,
    )  # fmt: skip
    if inductance > 0.0:
        code, used = _discharge(*model, fields, heat, work, loads, totals, rows, inductance)
    _take_stock(
        model.coil, model.part, model.turns, model.body, model.tables, model.coil_strength, fields, heat,
        model.controls.motion and inductance > 0.0, totals,
    )  # fmt: skip
    return int(code), int(used)


@kernel
def _take_stock(coil, part, turns, body, tables, coil_strength, fields, heat, moved, totals):
    """Softening, which what no longer moved was left without, and energies of motion and strain as the run ended."""
    update_heat(coil, part, turns, body, tables, fields, heat, moved)
    totals[PART_ELASTIC] = elastic_energy(body, tables.strength)
    totals[PART_MOTION] = kinetic_energy(body)
    totals[COIL_ELASTIC] = hoop_elastic_energy(turns, coil_strength)
    totals[COIL_MOTION] = turns_kinetic_energy(turns)


@kernel
def _discharge(
    coil, part, turns, body, points, unknowns, discharge, coil_strength, tables, controls,
    fields, heat, work, loads, totals, rows, inductance,
):  # fmt: skip
    strengths, before, after, half_width = tables.strength, fields.before, fields.after, controls.half_width
    flux, last_flux, now_loads = fields.flux, fields.last_flux, loads[0]
    quarter = 0.5 * pi * sqrt(inductance * discharge.capacitance)
    time, voltage, current, bank_current, direction = 0.0, discharge.voltage, 0.0, 0.0, 1.0
    stored = 0.5 * discharge.capacitance * voltage**2
    # A bank below the switch's drop does not strike its arc.
    state, frozen = BANK if voltage > discharge.drop else OPEN, not controls.motion
    first_step = usual_step = quarter / controls.steps_to_peak
    highest = _USUAL_PEAK * voltage * sqrt(discharge.capacitance / inductance)
    # At any ordinary damping less than a thousandth of the energy is left after so many quarter periods.
    stop_time = controls.stop_time if controls.stop_time > 0.0 else _LONGEST * quarter
    quiet_time = controls.quiet_time + 0.25 * quarter if controls.motion else 0.0
    totals[STEP] = usual_step
    totals[SPARK_ACTION] = discharge.spark**2 / (_SPARK_START**2 * inductance / discharge.capacitance)
    last_yield, highest_inmost, highest_field = 0.0, 0.0, 0.0
    now, slope = (0.0, 0.0, voltage), (0.0, 0.0, 0.0)
    still_step, last_h, last_state, warming = first_step, 0.0, state, 0.0
    settled = settle(part.size_share, body.radius, body.level, totals, 0.0, 1e-12)
    moved_h, waning, trusted_step = 0.0, False, first_step
    note_window(turns, body, fields.window)
    note_window(turns, body, fields.part_window)
    totals[ZERO_TIME] = totals[BURST_TIME] = -1.0
    update_heat(coil, part, turns, body, tables, fields, heat, controls.motion)
    record(
        coil, part, turns, body, points, coil_strength, strengths, controls, fields, heat, now_loads.inward[0],
        totals, time, voltage, 0.0, 0, rows,
    )  # fmt: skip
    for used in range(1, rows.shape[0]):
        if time >= stop_time * (1.0 - 1e-12):
            # Where only the ringing was left at the run's own end, the rest of it changes nothing that counts.
            return COMPLETED if frozen and controls.stop_time <= 0.0 else STOPPED_EARLY, used
        # Nothing moves any more: only the ringing is left, and it needs fewer steps.
        still = frozen and totals[ZERO_TIME] > 0.0 and state not in (FREEWHEEL, OPEN)
        h = min(still_step if still else usual_step, stop_time - time)
        spark_resistance = 0.0
        if discharge.spark > 0.0:
            action, through = totals[SPARK_ACTION], bank_current if discharge.switch_in_bank else current
            steepest = (abs(voltage) if waning else discharge.voltage) / inductance
            rise = (steepest * controls.spark_growth * action) ** (1.0 / 3.0)
            h = min(h, controls.spark_growth * action / (abs(through) + rise) ** 2)
            spark_resistance = discharge.spark / sqrt(action + 0.5 * h * through**2)
        if state in (BOTH, RINGING) or (state == BANK and waning and discharge.crowbar):
            h = min(h, _step_of_bank_ring(controls, discharge, bank_current, voltage, stored))
        # Without a current nothing depends on the inductances, while pieces and part may still fly on.
        coupled = state != OPEN or totals[MAGNETIC] > _GONE * stored
        if not frozen and not coupled:
            h = longest_flight(turns, body, controls.rupture_strain, max(quiet_time / _STEPS_OF_FLIGHT, h))
        elif not frozen:
            flight = longest_flight(turns, body, controls.rupture_strain, h)
            h = min(flight, longest_step(turns, body, half_width, controls.window, h), _FIRST * first_step + 0.5 * time)
            h = min(h, trusted_step)
            if slope[0] != 0.0:
                # It falls fast once a turn breaks.
                h = min(h, max(controls.current_change * highest / abs(slope[0]), _SHORTEST * h))
        melting = 1.0 if frozen else time_to_melt(turns, heat.turn_molten, heat.turn_molten_before, moved_h)
        h = min(h, max(_PAST_EVENT * melting, _SHORTEST * h))
        if warming > 0.0:
            h = min(h, max(_LARGEST_RISE / warming, _SHORTEST * h))
        event = time_to_event(discharge, state, now, slope, totals[BURST_TIME] >= 0.0)
        h = min(h, max(event * (_PAST_EVENT if event < _NEAR_EVENT * moved_h else _TOWARDS_EVENT), _SHORTEST * h))

        yielded = False
        if frozen:
            if state == OPEN:
                coast_pieces(turns, h)
        else:
            ok, yielded = move(
                body, turns, strengths, coil_strength, part.node_radius_m[0], 2.0 * quarter, controls,
                heat, loads, h, moved_h,
            )  # fmt: skip
            if not ok:
                return OVER_CRUSHED, used
            locate(coil, turns, body, points)
            if coupled:
                # The first window has its slopes at its beginning, not in its middle.
                width = controls.window * (0.5 if totals[ASSEMBLIES] == 0.0 else 1.0)
                if travelled(turns, body, half_width, fields.window) > width:
                    open_window(
                        coil, part, turns, body, points, unknowns, fields, half_width, controls.window, totals
                    )  # fmt: skip
                before, after = after, before
                update_inductance(turns, body, points, unknowns, fields, after)
            follow_fields(part, turns, body, points, half_width, fields)
        # The tail's resistances change slowly: they are held for some steps, and with them the factored matrix.
        held = still and used % _HELD != 0
        if not held:
            resistances(
                coil, turns, points,
                fields.coil_resistivity, fields.part_resistivity, fields.resistance,
            )  # fmt: skip
        factored = held and h == last_h and state == last_state
        last_h, last_state = h, state

        # Turns are at the end of the step by now; the arcs are taken in its middle.
        arc = arc_voltage(turns, controls.arc_fall, controls.arc_gradient, 0.5 * h)
        loop = loop_of(discharge, state, spark_resistance)
        drop, crowbar_drop = drops(discharge, state, direction, 1.0 if bank_current >= 0.0 else -1.0, arc)
        copy(flux, last_flux)
        voltage_before, redone = voltage, False
        while True:
            ok, voltage = step(
                unknowns, loop, fields.resistance, before, after,
                coupled and not frozen, factored, drop, crowbar_drop, h, flux, voltage_before, work,
            )  # fmt: skip
            if not ok or not isfinite(work.second[0]):
                return NOT_CONVERGED, used
            node_voltage = voltage - discharge.bank_inductance * (work.second[0] - current) / h
            node_voltage -= discharge.bank_resistance * work.second[0]
            if discharge.switch_in_bank:
                node_voltage -= direction * discharge.drop + spark_resistance * work.second[0]
            next_one = next_state(
                discharge, state, work.second, bank_current, direction, voltage, node_voltage,
                voltage_to_relight(turns, controls.arc_relighting, controls.arc_gradient),
            )  # fmt: skip
            if redone or not (state == BOTH and next_one == BANK and bank_current == current):
                break
            # The diode does not take over after all: the step is done again without it.
            state, redone, factored, last_h = BANK, True, False, 0.0
            loop = loop_of(discharge, state, spark_resistance)
            drop, crowbar_drop = drops(discharge, state, direction, 1.0, arc)
            copy(last_flux, flux)
        if redone and next_one == BOTH:
            next_one = BANK
        opened = state < RINGING <= next_one
        crossed = opened or direction * work.second[0] < 0.0
        share = abs(current) / (abs(current) + abs(work.second[0])) if crossed and not opened else 1.0
        currents(unknowns, work.first, fields.first_current)
        currents(unknowns, work.second, fields.current)
        heat_before = totals[COIL_HEAT], totals[PART_HEAT]
        add_ohmic_heat(unknowns, fields, heat, totals, h)
        book_losses(discharge, turns, work, totals, h, state, spark_resistance)
        copy(now_loads.forces, loads[1].forces)
        see(unknowns, fields, work.second)
        if frozen:
            now_loads.inward[0] = inward_force(points, fields.current, fields.seen_by_part, fields.by_radius)
        else:
            lorentz(
                coil, body, points, fields.current, fields.seen_by_coil, fields.seen_by_part,
                fields.by_radius, fields.by_height, fields.by_swelling, now_loads,
            )  # fmt: skip
            wrong = make_good(body, turns, now_loads, loads[2], h)
            trusted_step = h * max(wrong ** (-1.0 / 3.0), _QUICKEST_CUT) if wrong > 1.0 else 2.0 * trusted_step
        whole = totals[BURST_TIME] < 0.0
        update_voltages(turns, unknowns, fields, direction if loop.closed else 0.0, whole, h)

        if totals[ZERO_TIME] < 0.0:
            totals[IMPULSE] += 0.5 * share * h * (now_loads.inward[0] + loads[1].inward[0])
            totals[COIL_HEAT_TO_ZERO] += share * (totals[COIL_HEAT] - heat_before[0])
            totals[PART_HEAT_TO_ZERO] += share * (totals[PART_HEAT] - heat_before[1])
            if crossed:
                totals[ZERO_TIME] = time + share * h
        last_magnetic, totals[MAGNETIC] = totals[MAGNETIC], 0.5 * dot(flux, work.second, flux.size)
        if not isfinite(totals[MAGNETIC]):
            return NOT_CONVERGED, used
        if state != OPEN and direction * work.second[0] < 0.0:
            direction = -direction
        highest = max(highest, abs(work.second[0]))
        if next_one != state:
            state = next_one
            if not carry_over(unknowns, discharge, state, fields.resistance, after, flux, work):
                return NOT_CONVERGED, used
            currents(unknowns, work.second, fields.current)
            totals[MAGNETIC] = 0.5 * dot(flux, work.second, flux.size)
        last_current, current = current, work.second[0]
        bank_current = 0.0 if state == FREEWHEEL else current - work.second[work.second.size - 1]
        # The voltage between bank and line holds the current's mean slope, that of the middle of the step: from a long
        # step to a very short one its own slope cannot be told.
        node_slope = (node_voltage - now[2]) / h if h > _TELLING * moved_h else slope[2]
        slope = (current - last_current) / h, (bank_current - now[1]) / h, node_slope
        now = current, bank_current, node_voltage
        time += h
        moved_h = h
        totals[LOWEST_VOLTAGE] = min(totals[LOWEST_VOLTAGE], voltage)
        totals[HIGHEST_BANK_CURRENT] = max(totals[HIGHEST_BANK_CURRENT], abs(bank_current))

        valid = update_heat(coil, part, turns, body, tables, fields, heat, not frozen)
        warming = heat.rise[0] / h
        record(
            coil, part, turns, body, points, coil_strength, strengths, controls, fields, heat, now_loads.inward[0],
            totals, time, voltage, bank_current, used, rows,
        )  # fmt: skip
        highest_field = max(highest_field, abs(rows[used, FIELD]))
        highest_inmost = max(highest_inmost, abs(mean_field(fields, 0)))
        if used == 1:
            # Voltages jump up as the switch closes: the first step's mean holds from its start.
            for column in (COIL_VOLTAGE, TURN_VOLTAGE, LAYER_VOLTAGE):
                rows[0, column] = rows[1, column]
        if not frozen:
            if yielded:
                last_yield = time
                settled = 0.0
            settled = settle(part.size_share, body.radius, body.level, totals, settled, h)
            code = crushed(part, turns, body, half_width)
            if code >= 0:
                return code, used + 1
        if not valid:
            return MATERIAL_LIMIT, used + 1
        if not frozen:
            broken = rupture(
                turns, coil_strength.density, controls.rupture_strain, heat.turn_molten,
                controls.fracture_energy, time,
            )  # fmt: skip
            if broken > 0 and totals[BURST_TIME] < 0.0:
                totals[BURST_TIME] = time
                totals[BURST_CURRENT] = current
                totals[BURST_FIELD] = totals[MAGNETIC]
                totals[BURST_VOLTAGE] = voltage
        quiet = time - last_yield
        # Below the switch's drop its arc does not strike again: what the bank holds then stays there, unless a crowbar
        # at its terminals lets it go.
        lost = voltage < 0.0 and discharge.crowbar and not discharge.switch_in_bank
        staying = 0.0 if lost else min(voltage**2, discharge.drop**2)
        in_bank = 0.5 * discharge.capacitance * (voltage**2 - staying) if state in (BANK, BOTH, RINGING) else 0.0
        # On the axis of a thick part the field is highest long after the current, once it has come so far in: it never
        # gets above what there is further out. Where that is little it is not waited for.
        to_come = highest_mean_field(fields)
        risen = to_come < max(_HARDLY_MORE * highest_inmost, _LITTLE_FIELD * highest_field)
        if in_bank + totals[MAGNETIC] < _SPENT * stored and (frozen or quiet > quiet_time) and risen:
            return COMPLETED, used + 1
        # Half a period without yielding, and the ringing only decays: no later peak can make anything yield.
        # A current that never comes back to zero, behind a crowbar or much resistance, is long past its peak by then.
        past_peak = 1.05 * totals[ZERO_TIME] if totals[ZERO_TIME] > 0.0 else 4.0 * quarter
        # Without a current what eddy currents are left only decay, wherever pieces of the coil fly.
        if state == OPEN:
            waning = quiet > quiet_time
        else:
            waning = totals[BURST_TIME] < 0.0 and quiet > max(past_peak, quiet_time)
        left = (in_bank + totals[MAGNETIC]) / stored
        # What is still to come heats the coil on as what went before did, or faster.
        hottest = heat.hottest[0] + _FASTER * left / (1.0 - left) * (heat.hottest[0] - rows[0, COIL_TEMPERATURE])
        may_melt = state != OPEN and hottest > coil_strength.melting_temperature
        frozen = frozen or (waning and not may_melt)
        if frozen and still_step == first_step and totals[ZERO_TIME] > 0.0:
            still_step = quarter / _steps_when_still(controls, left, time / quarter)
        if totals[ZERO_TIME] > 0.0 or state == FREEWHEEL:
            usual_step = quarter / _steps_now(controls, left)
        elif waning:
            usual_step = first_step
        # The coil's current only decays: behind the crowbar, or when it has had no zero for so long.
        if (state == FREEWHEEL or (waning and totals[ZERO_TIME] < 0.0)) and slope[0] != 0.0:
            scale = highest if state == FREEWHEEL else _OF_ITSELF * abs(current)
            decaying = min(controls.current_change * scale / abs(slope[0]), _SHARE_OF_TIME * time)
            usual_step = max(usual_step, decaying)
        if waning and state == OPEN:
            usual_step = max(usual_step, _FADING * h / max(1.0 - totals[MAGNETIC] / last_magnetic, _FADING / 2.0))
    return STOPPED_EARLY, rows.shape[0]
