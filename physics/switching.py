"""Bank, switch, arcs and crowbar diode: which of them conduct, what they take, and when that changes."""

from __future__ import annotations

from physics.circuit import BANK, BOTH, FREEWHEEL, GAMMA, OPEN, RINGING
from physics.kernel_cache import inner_kernel
from physics.state import (
    ACTION,
    ARC_ENERGY,
    BANK_ACTION,
    CHARGE,
    CROWBAR_HEAT,
    DROP_HEAT,
    SPARK_ACTION,
    STRAY_HEAT,
)


@inner_kernel
def drops(discharge, state, direction, bank_direction, arc):
    """Voltages (V, with sign) that switch, crowbar diode and arcs take from the coil's and the crowbar's equation."""
    if state == FREEWHEEL:
        in_line = 0.0 if discharge.switch_in_bank else discharge.drop
        return direction * (arc + in_line) + discharge.crowbar_drop, 0.0
    if state in (BOTH, RINGING) and discharge.switch_in_bank:
        switch = bank_direction * discharge.drop
        return switch + direction * arc, discharge.crowbar_drop - switch
    return direction * (discharge.drop + arc), discharge.crowbar_drop


@inner_kernel
def book_losses(discharge, turns, work, totals, h, state, spark_resistance):
    """Add one step's losses, charge and action, from the currents at its two stages."""
    last = work.first.size - 1
    for part in range(2):
        share = h * ((1.0 - GAMMA) if part == 0 else GAMMA)
        q = work.first if part == 0 else work.second
        crowbar = q[0] if state == FREEWHEEL else q[last]
        coil, bank = q[0], q[0] - crowbar
        switch = bank if discharge.switch_in_bank else coil
        totals[STRAY_HEAT] += share * (discharge.bank_resistance * bank**2 + discharge.line_resistance * coil**2)
        totals[DROP_HEAT] += share * (discharge.drop * abs(switch) + spark_resistance * switch**2)
        totals[CROWBAR_HEAT] += share * (discharge.crowbar_resistance * crowbar**2 + discharge.crowbar_drop * crowbar)
        totals[CHARGE] += share * abs(switch)
        totals[SPARK_ACTION] += share * switch**2
        totals[ACTION] += share * coil**2
        totals[BANK_ACTION] += share * bank**2
        for t in range(turns.arc.size):
            turns.arc_energy[t] += share * turns.arc[t] * abs(coil)
            totals[ARC_ENERGY] += share * turns.weight[t] * turns.arc[t] * abs(coil)


@inner_kernel
def next_state(discharge, state, q, bank_current, direction, voltage, node_voltage, relighting):
    """State of the circuit after a step from `bank_current` to currents `q`: a current crossed zero, a diode opened.

    A switch that cannot conduct backwards and a bank too low to strike again open at current zero; so do the arcs of
    broken turns unless the bank holds their `relighting` voltage (V), which is 0 while none is broken. A conducting
    crowbar leaves no voltage for that.
    """
    crowbar = q[q.size - 1]
    switch_blocks = not discharge.conducts_reverse or abs(voltage) < discharge.drop
    coil_opens = direction * q[0] < 0.0 and (relighting > 0.0 or (switch_blocks and not discharge.switch_in_bank))
    if state == BANK:
        diode_opens = discharge.crowbar and node_voltage < -discharge.crowbar_drop
        if direction * q[0] < 0.0 and (switch_blocks or abs(voltage) < relighting + discharge.drop):
            return RINGING if diode_opens and not discharge.switch_in_bank else OPEN
        if diode_opens:
            return BOTH
    elif state == BOTH:
        if crowbar < 0.0:
            # Both may come to zero in one step.
            return OPEN if coil_opens else BANK
        if coil_opens:
            return RINGING
        if discharge.switch_in_bank and bank_current * (q[0] - crowbar) < 0.0:
            # What would drive it backwards is what the bank holds beyond the voltage across the crowbar.
            driving = voltage + discharge.crowbar_drop + discharge.crowbar_resistance * crowbar
            if not discharge.conducts_reverse or abs(driving) < discharge.drop:
                return FREEWHEEL
    elif (state == FREEWHEEL and q[0] < 0.0) or (state == RINGING and crowbar < 0.0):
        return OPEN
    return state


@inner_kernel
def time_to_event(discharge, state, now, slope, burst):
    """Time (s) to the next zero of what can change the circuit's state, by its present slopes.

    `now` and `slope` hold coil current, bank current and the voltage across the crowbar. With `burst` the arcs of
    broken turns may go out at the next zero.
    """
    soonest = 1.0
    for k in range(4):
        value, rate = now[min(k, 2)], slope[min(k, 2)]
        if k < 2 and not (burst or discharge.crowbar or discharge.drop > 0.0 or not discharge.conducts_reverse):
            continue
        if k == 2:
            if state != BANK or not discharge.crowbar:
                continue
            value += discharge.crowbar_drop
        elif k == 3:
            value, rate = now[0] - now[1], slope[0] - slope[1]
            if state not in (BOTH, RINGING):
                continue
        if value * rate < 0.0:
            soonest = min(soonest, -value / rate)
    return soonest
