"""Circuit and eddy currents in flux form, advanced by a second-order L-stable step.

Independent currents q: first the coil current I, then all filaments of a turn but its centre one,
then the workpiece cells, last the current X of a crowbar diode. The centre filament of a turn carries
the rest of I, so turns in series and filaments in parallel hold exactly and the generalised
inductance L stays positive definite. With flux phi = L q (stray inductance included), the bank's
voltage v and its current I - X::

    phi' = -R q + (e_I - e_X) v - drops,     v' = -(I - X) / C

Keeping flux as the state makes dL/dt work exact when the section moves. The step is the two-stage
singly diagonal implicit Runge-Kutta method with gamma = 1 - 1/sqrt(2) (Alexander 1977): L-stable
and stiffly accurate.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from physics.kernel_cache import inner_kernel, kernel
from physics.linear import copy, copy_lower, factor, solve, symmetric_product
from physics.mesh import CoilMesh

GAMMA = 1.0 - 1.0 / sqrt(2.0)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Unknowns(NamedTuple):
    """How filament currents follow from the independent ones."""

    mode_filament: Ints  # filament of each independent one inside a turn
    mode_centre: Ints  # centre filament of its turn
    mode_multiplicity: Floats
    centre: Ints  # centre filament of each turn kept
    filaments: int  # coil filaments
    cells: int  # workpiece cells
    weight: Floats  # (filaments + cells,), 1 on the mid-plane, 2 off it


class Discharge(NamedTuple):
    """Constants of the loop outside the coil, SI: a branch with the bank, the line to the coil, a crowbar diode.

    The crowbar joins both where bank branch and line meet; without one the two are simply in series.
    """

    capacitance: float
    voltage: float
    bank_inductance: float
    bank_resistance: float
    line_inductance: float
    line_resistance: float
    drop: float
    conducts_reverse: bool
    switch_in_bank: bool  # else the switch is in the line
    spark: float  # V s^(1/2): resistance of a spark gap times the root of its action; 0 for any other switch
    crowbar: bool
    crowbar_inductance: float
    crowbar_resistance: float
    crowbar_drop: float


class Loop(NamedTuple):
    """The circuit in one of its states: what the coil's current and the crowbar's see, SI."""

    inductance: float
    resistance: float
    elastance: float  # 1/C, 0 without the bank
    shared_inductance: float  # between the two currents, with its sign
    shared_resistance: float
    crowbar_inductance: float
    crowbar_resistance: float
    both: bool  # the crowbar's current is free
    closed: bool  # the coil's current is free


# States of the circuit: the coil on the bank, on bank and crowbar, on the crowbar; no coil current but bank and
# crowbar ringing with each other; nothing.
BANK, BOTH, FREEWHEEL, RINGING, OPEN = range(5)


@kernel
def loop_of(discharge, state, spark_resistance):
    """The circuit in this state with the spark gap's present resistance (ohm)."""
    bank = discharge.bank_resistance + (spark_resistance if discharge.switch_in_bank else 0.0)
    line = discharge.line_resistance + (0.0 if discharge.switch_in_bank else spark_resistance)
    if state == FREEWHEEL:
        return Loop(
            discharge.line_inductance + discharge.crowbar_inductance, line + discharge.crowbar_resistance,
            0.0, 0.0, 0.0, 1.0, 1.0, state == BOTH, state == FREEWHEEL,
        )  # fmt: skip
    return Loop(
        discharge.bank_inductance + discharge.line_inductance, bank + line, 1.0 / discharge.capacitance,
        -discharge.bank_inductance, -bank,
        discharge.bank_inductance + discharge.crowbar_inductance, bank + discharge.crowbar_resistance,
        state in (BOTH, RINGING), state in (BANK, BOTH),
    )  # fmt: skip


def make_unknowns(coil: CoilMesh, cells: int) -> Unknowns:
    """Number the independent currents of a coil mesh and `cells` workpiece cells."""
    filaments = coil.radius_m.size
    is_centre = np.zeros(filaments, dtype=bool)
    is_centre[coil.centre] = True
    modes = np.flatnonzero(~is_centre).astype(np.int64)
    return Unknowns(
        mode_filament=modes,
        mode_centre=np.ascontiguousarray(coil.centre[coil.turn[modes]]),
        mode_multiplicity=np.ascontiguousarray(coil.multiplicity[modes]),
        centre=coil.centre,
        filaments=filaments,
        cells=cells,
        weight=np.concatenate([coil.weight, np.full(cells, 2.0)]),
    )


def count(unknowns: Unknowns) -> int:
    """Number of independent currents."""
    return 2 + unknowns.mode_filament.size + unknowns.cells


@kernel
def currents(unknowns, q, out):
    """Current (A) of every filament and cell from the independent ones."""
    modes = unknowns.mode_filament.size
    for t in range(unknowns.centre.size):
        out[unknowns.centre[t]] = q[0]
    for k in range(modes):
        out[unknowns.mode_filament[k]] = q[1 + k]
        out[unknowns.mode_centre[k]] -= unknowns.mode_multiplicity[k] * q[1 + k]
    for j in range(unknowns.cells):
        out[unknowns.filaments + j] = q[1 + modes + j]


@inner_kernel
def _gather(unknowns, values, out):
    """Transpose of :func:`currents`: sum filament values into generalised ones."""
    modes = unknowns.mode_filament.size
    out[0] = 0.0
    for t in range(unknowns.centre.size):
        out[0] += values[unknowns.centre[t]]
    for k in range(modes):
        out[1 + k] = values[unknowns.mode_filament[k]] - unknowns.mode_multiplicity[k] * values[unknowns.mode_centre[k]]
    for j in range(unknowns.cells):
        out[1 + modes + j] = values[unknowns.filaments + j]
    out[out.size - 1] = 0.0


@inner_kernel
def gather_rows(unknowns, first, end, matrix, out):
    """Columns of the independent currents from those of filaments, rows `first` to `end` of `matrix` each by itself."""
    modes, last = unknowns.mode_filament.size, out.shape[1] - 1
    for row in range(first, end):
        total = 0.0
        for t in range(unknowns.centre.size):
            total += matrix[row, unknowns.centre[t]]
        out[row, 0], out[row, last] = total, 0.0
        for k in range(modes):
            f, c = unknowns.mode_filament[k], unknowns.mode_centre[k]
            out[row, 1 + k] = matrix[row, f] - unknowns.mode_multiplicity[k] * matrix[row, c]
        for j in range(unknowns.cells):
            out[row, 1 + modes + j] = matrix[row, unknowns.filaments + j]


@inner_kernel
def _gather_columns(unknowns, half, out):
    """Rows of the independent currents from those of filaments; columns stay as they are."""
    modes, columns = unknowns.mode_filament.size, out.shape[1]
    for d in range(columns):
        out[0, d] = out[out.shape[0] - 1, d] = 0.0
    for t in range(unknowns.centre.size):
        c = unknowns.centre[t]
        for d in range(columns):
            out[0, d] += half[c, d]
    for k in range(modes):
        f, c, mu = unknowns.mode_filament[k], unknowns.mode_centre[k], unknowns.mode_multiplicity[k]
        for d in range(columns):
            out[1 + k, d] = half[f, d] - mu * half[c, d]
    for j in range(unknowns.cells):
        n = unknowns.filaments + j
        for d in range(columns):
            out[1 + modes + j, d] = half[n, d]


@kernel
def generalise(unknowns, matrix, half, out):
    """Inductance of the independent currents from the filament matrix; `half` is (n, size) scratch.

    What lies outside the coil is left out: :func:`step` adds the loop as it then is.
    """
    gather_rows(unknowns, 0, matrix.shape[0], matrix, half)
    _gather_columns(unknowns, half, out)


@inner_kernel
def add_change(unknowns, rows, swelling, base, half, out):
    """Inductance of the independent currents after a change: `base`, and `rows` (n, size) with their transpose.

    `swelling` (n,) is what cells add to their own inductance; `half` is (size, size) scratch. Only the lower triangle
    of `out` is written.
    """
    _gather_columns(unknowns, rows, half)
    for i in range(out.shape[0]):
        for j in range(i + 1):
            out[i, j] = base[i, j] + half[i, j] + half[j, i]
    first = 1 + unknowns.mode_filament.size
    for j in range(unknowns.cells):
        out[first + j, first + j] += swelling[unknowns.filaments + j]


@kernel
def add_resistance(unknowns, resistance, scale, matrix):
    """Add `scale` times the generalised resistance of coil and cells to the lower triangle.

    `resistance` (ohm) is per filament and cell.
    """
    modes = unknowns.mode_filament.size
    w = unknowns.weight
    for t in range(unknowns.centre.size):
        c = unknowns.centre[t]
        matrix[0, 0] += scale * w[c] * resistance[c]
    for k in range(modes):
        f, c, mu = unknowns.mode_filament[k], unknowns.mode_centre[k], unknowns.mode_multiplicity[k]
        matrix[1 + k, 1 + k] += scale * w[f] * resistance[f]
        matrix[1 + k, 0] -= scale * mu * w[c] * resistance[c]
        # Those of one turn follow each other.
        for m in range(k, modes):
            if unknowns.mode_centre[m] != c:
                break
            matrix[1 + m, 1 + k] += scale * mu * unknowns.mode_multiplicity[m] * w[c] * resistance[c]
    for j in range(unknowns.cells):
        n = unknowns.filaments + j
        matrix[1 + modes + j, 1 + modes + j] += scale * w[n] * resistance[n]


@kernel
def voltages(unknowns, resistance, loop, q, filament, out):
    """Generalised ohmic voltage R q; `filament` (filaments + cells,) is scratch left holding w R i."""
    currents(unknowns, q, filament)
    for n in range(filament.size):
        filament[n] *= unknowns.weight[n] * resistance[n]
    _gather(unknowns, filament, out)
    last = q.size - 1
    out[0] += loop.resistance * q[0] + loop.shared_resistance * q[last]
    out[last] = loop.shared_resistance * q[0] + loop.crowbar_resistance * q[last]


@kernel
def linkages(loop, inductance, q, out):
    """Flux (Wb turns) of the independent currents: coil and cells by `inductance`, the loop outside added."""
    last = q.size - 1
    symmetric_product(inductance, q, out)
    out[0] += loop.inductance * q[0] + loop.shared_inductance * q[last]
    out[last] += loop.shared_inductance * q[0] + loop.crowbar_inductance * q[last]


@inner_kernel
def _prepare(unknowns, loop, resistance, inductance, h, out):
    """Factor L + gamma h R + (gamma h)^2/C for one stage; currents of open branches are pinned to zero."""
    copy_lower(inductance, out)
    add_resistance(unknowns, resistance, GAMMA * h, out)
    last = out.shape[0] - 1
    by_charge = (GAMMA * h) ** 2 * loop.elastance
    out[0, 0] += loop.inductance + GAMMA * h * loop.resistance + by_charge
    if loop.both:
        out[last, 0] += loop.shared_inductance + GAMMA * h * loop.shared_resistance - by_charge
        out[last, last] += loop.crowbar_inductance + GAMMA * h * loop.crowbar_resistance + by_charge
    else:
        out[last, last] = 1.0
    if not loop.closed:
        for i in range(out.shape[0]):
            out[i, 0] = 0.0
        out[0, 0] = 1.0
    return factor(out)


@kernel
def carry_over(unknowns, discharge, state, resistance, inductance, flux, work):
    """Currents `work.second` (A) and `flux` (Wb turns) as the circuit comes into `state`; False if not definite.

    A branch that opens carries nothing from then on, however far the step has taken it past zero; the flux of every
    other loop stays as it is, so that cutting a current off gives no energy to anything. `resistance` is not felt.
    """
    loop, last = loop_of(discharge, state, 0.0), flux.size - 1
    copy(flux, work.second)
    if state == FREEWHEEL:
        # Coil and crowbar are one loop from now on.
        work.second[0] += flux[last]
    if not loop.closed:
        work.second[0] = 0.0
    if not loop.both:
        work.second[last] = 0.0
    if not _prepare(unknowns, loop, resistance, inductance, 0.0, work.lower):
        return False
    solve(work.lower, work.second)
    linkages(loop, inductance, work.second, flux)
    return True


# Corrections of the first stage until they no longer matter: their size, over the largest current, and how many. Each
# is some thousandths of the one before, as is what the last one leaves.
_CLOSE, _MOST_CORRECTIONS = 1e-3, 5


@inner_kernel
def _correct_first(loop, before, after, work):
    """Currents of the first stage, whose inductance lies between that of both ends, from the factor at the end.

    The change over a step is small, so a few corrections do; `work.first` holds a first guess. False if they do not
    converge.
    """
    size = work.first.size
    for i in range(size):
        for j in range(i + 1):
            work.between[i, j] = (1.0 - GAMMA) * (before[i, j] - after[i, j])
    for _ in range(_MOST_CORRECTIONS):
        largest, change = 0.0, 0.0
        symmetric_product(work.between, work.first, work.slope)
        for i in range(size):
            work.slope[i] = work.rhs[i] - work.slope[i]
        if not loop.closed:
            work.slope[0] = 0.0
        solve(work.lower, work.slope)
        for i in range(size):
            largest = max(largest, abs(work.slope[i]))
            change = max(change, abs(work.slope[i] - work.first[i]))
            work.first[i] = work.slope[i]
        if change <= _CLOSE * largest:
            return True
    return False


@inner_kernel
def _solve_between(unknowns, loop, resistance, before, after, h, work):
    """The same by a factor of its own, which replaces `work.lower`; False if the matrix is not definite."""
    for i in range(work.first.size):
        for j in range(i + 1):
            work.between[i, j] = (1.0 - GAMMA) * before[i, j] + GAMMA * after[i, j]
    if not _prepare(unknowns, loop, resistance, work.between, h, work.lower):
        return False
    copy(work.rhs, work.first)
    solve(work.lower, work.first)
    return True


@inner_kernel
def _first_stage(unknowns, loop, resistance, before, after, moved, factored, h, work):
    """Solve the first stage from `work.rhs` into `work.first`; `work.lower` holds the factor at the end afterwards.

    False if a matrix is not definite.
    """
    if not factored and not _prepare(unknowns, loop, resistance, after, h, work.lower):
        return False
    if not moved:
        copy(work.rhs, work.first)
        solve(work.lower, work.first)
        return True
    # The currents go on about as in the step before: from its first stage to its second.
    for i in range(work.first.size):
        work.first[i] = work.second[i] + GAMMA / (1.0 - GAMMA) * (work.second[i] - work.first[i])
    if _correct_first(loop, before, after, work):
        return True
    if not _solve_between(unknowns, loop, resistance, before, after, h, work):
        return False
    return _prepare(unknowns, loop, resistance, after, h, work.lower)


@kernel
def step(unknowns, loop, resistance, before, after, moved, factored, drop, crowbar_drop, h, flux, voltage, work):
    """One step of `h` s from `flux` (Wb turns) and bank `voltage` (V); both stages' currents go to `work`.

    `before` and `after` are the generalised inductances at both ends, of which the lower triangle counts; the first
    stage takes its own by linear interpolation. With `factored` the matrix is that of the step before and is not
    factored again. `drop` and `crowbar_drop` (V, with their signs) are what switch and arcs take from the coil's and
    the crowbar's equation. Returns (ok, new voltage); `flux` is updated in place.
    """
    size = flux.size
    last = size - 1
    rhs, slope = work.rhs, work.slope
    crowbar = 1.0 if loop.both else 0.0
    bank = 1.0 if (loop.closed or loop.both) and loop.elastance > 0.0 else 0.0
    copy(flux, rhs)
    rhs[0] = flux[0] + GAMMA * h * (bank * voltage - drop) if loop.closed else 0.0
    rhs[last] = crowbar * (flux[last] - GAMMA * h * (voltage + crowbar_drop))
    if not _first_stage(unknowns, loop, resistance, before, after, moved, factored, h, work):
        return False, voltage
    passed = bank * (work.first[0] - crowbar * work.first[last])
    stage_voltage = voltage - GAMMA * h * passed * loop.elastance
    voltages(unknowns, resistance, loop, work.first, work.filament, slope)
    for i in range(size):
        slope[i] = -slope[i]
    slope[0] += bank * stage_voltage - drop
    slope[last] -= stage_voltage + crowbar_drop
    base_voltage = voltage - (1.0 - GAMMA) * h * passed * loop.elastance

    for i in range(size):
        rhs[i] = flux[i] + (1.0 - GAMMA) * h * slope[i]
    rhs[0] = rhs[0] + GAMMA * h * (bank * base_voltage - drop) if loop.closed else 0.0
    rhs[last] = crowbar * (rhs[last] - GAMMA * h * (base_voltage + crowbar_drop))
    solve(work.lower, rhs)
    copy(rhs, work.second)
    linkages(loop, after, rhs, flux)
    return True, base_voltage - GAMMA * h * bank * (rhs[0] - crowbar * rhs[last]) * loop.elastance


class StepWork(NamedTuple):
    """Scratch of :func:`step`; `first` and `second` hold the stages' currents afterwards."""

    between: Floats
    lower: Floats
    rhs: Floats
    slope: Floats
    first: Floats
    second: Floats
    filament: Floats


def make_step_work(unknowns: Unknowns) -> StepWork:
    """Scratch of the right sizes."""
    size = count(unknowns)
    return StepWork(
        between=np.zeros((size, size)),
        lower=np.zeros((size, size)),
        rhs=np.zeros(size),
        slope=np.zeros(size),
        first=np.zeros(size),
        second=np.zeros(size),
        filament=np.zeros(unknowns.filaments + unknowns.cells),
    )
