"""Circuit and eddy currents in flux form, advanced by a second-order L-stable step.

Independent currents q: first the coil current I, then all filaments of a turn but its centre one,
then the workpiece cells. The centre filament of a turn carries the rest of I, so turns in series
and filaments in parallel hold exactly and the generalised inductance L stays positive definite.
With flux phi = L q (stray inductance included) and the bank's voltage v::

    phi' = -R q + e_I (v - drop),     v' = -I / C

Keeping flux as the state makes dL/dt work exact when the section moves. The step is the two-stage
singly diagonal implicit Runge-Kutta method with gamma = 1 - 1/sqrt(2) (Alexander 1977): L-stable
and stiffly accurate.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

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
    """Constants of the loop outside the coil, SI."""

    capacitance: float
    voltage: float
    inductance: float
    resistance: float
    drop: float
    conducts_reverse: bool


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


@njit(cache=True, nogil=True)
def count(unknowns):
    """Number of independent currents."""
    return 1 + unknowns.mode_filament.size + unknowns.cells


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def generalise(unknowns, matrix, stray, half, out):
    """Inductance of the independent currents from the filament matrix; `half` is (n, size) scratch."""
    for row in range(matrix.shape[0]):
        _gather(unknowns, matrix[row], half[row])
    modes = unknowns.mode_filament.size
    out[0, :] = 0.0
    for t in range(unknowns.centre.size):
        out[0, :] += half[unknowns.centre[t], :]
    for k in range(modes):
        f, c, mu = unknowns.mode_filament[k], unknowns.mode_centre[k], unknowns.mode_multiplicity[k]
        for d in range(out.shape[1]):
            out[1 + k, d] = half[f, d] - mu * half[c, d]
    for j in range(unknowns.cells):
        out[1 + modes + j, :] = half[unknowns.filaments + j, :]
    out[0, 0] += stray


@njit(cache=True, nogil=True)
def add_resistance(unknowns, resistance, stray, scale, matrix):
    """Add `scale` times the generalised resistance; `resistance` (ohm) is per filament and cell."""
    modes = unknowns.mode_filament.size
    w = unknowns.weight
    matrix[0, 0] += scale * stray
    for t in range(unknowns.centre.size):
        c = unknowns.centre[t]
        matrix[0, 0] += scale * w[c] * resistance[c]
    for k in range(modes):
        f, c, mu = unknowns.mode_filament[k], unknowns.mode_centre[k], unknowns.mode_multiplicity[k]
        matrix[1 + k, 1 + k] += scale * w[f] * resistance[f]
        matrix[0, 1 + k] -= scale * mu * w[c] * resistance[c]
        matrix[1 + k, 0] -= scale * mu * w[c] * resistance[c]
        for m in range(modes):
            if unknowns.mode_centre[m] == c:
                matrix[1 + k, 1 + m] += scale * mu * unknowns.mode_multiplicity[m] * w[c] * resistance[c]
    for j in range(unknowns.cells):
        n = unknowns.filaments + j
        matrix[1 + modes + j, 1 + modes + j] += scale * w[n] * resistance[n]


@njit(cache=True, nogil=True)
def voltages(unknowns, resistance, stray, q, filament, out):
    """Generalised ohmic voltage R q; `filament` (filaments + cells,) is scratch left holding w R i."""
    currents(unknowns, q, filament)
    for n in range(filament.size):
        filament[n] *= unknowns.weight[n] * resistance[n]
    _gather(unknowns, filament, out)
    out[0] += stray * q[0]


@njit(cache=True, nogil=True, fastmath={"reassoc", "contract"})
def dot(x, y, n):
    """Scalar product of the first n entries; reassociated so that it runs in vector registers."""
    total = 0.0
    for j in range(n):
        total += x[j] * y[j]
    return total


@njit(cache=True, nogil=True)
def factor(matrix):
    """Cholesky factor in place (lower triangle); False if the matrix is not positive definite."""
    n = matrix.shape[0]
    for i in range(n):
        for j in range(i):
            matrix[i, j] = (matrix[i, j] - dot(matrix[i], matrix[j], j)) / matrix[j, j]
        pivot = matrix[i, i] - dot(matrix[i], matrix[i], i)
        if not pivot > 0.0:
            return False
        matrix[i, i] = sqrt(pivot)
    return True


@njit(cache=True, nogil=True)
def solve(lower, x):
    """Solve in place with the factor of :func:`factor`."""
    n = x.size
    for i in range(n):
        x[i] = (x[i] - dot(lower[i], x, i)) / lower[i, i]
    for i in range(n - 1, -1, -1):
        x[i] /= lower[i, i]
        for j in range(i):
            x[j] -= lower[i, j] * x[i]


@njit(cache=True, nogil=True)
def _prepare(unknowns, discharge, resistance, inductance, closed, h, out):
    """Factor L + gamma h R + (gamma h)^2/C for one stage; an open circuit pins I to zero."""
    out[:, :] = inductance
    add_resistance(unknowns, resistance, discharge.resistance, GAMMA * h, out)
    out[0, 0] += (GAMMA * h) ** 2 / discharge.capacitance
    if not closed:
        out[0, :] = 0.0
        out[:, 0] = 0.0
        out[0, 0] = 1.0
    return factor(out)


@njit(cache=True, nogil=True)
def step(unknowns, discharge, resistance, before, after, moved, closed, drop, h, flux, voltage, work):
    """One step of `h` s from `flux` (Wb turns) and bank `voltage` (V); both stages' currents go to `work`.

    `before` and `after` are the generalised inductances at both ends; the first stage takes its own
    by linear interpolation. `drop` is the voltage of switch and arcs with its sign. Returns (ok,
    new voltage); `flux` is updated in place.
    """
    size = flux.size
    rhs, slope = work.rhs, work.slope
    if moved:
        for i in range(size):
            for j in range(size):
                work.between[i, j] = (1.0 - GAMMA) * before[i, j] + GAMMA * after[i, j]
        ok = _prepare(unknowns, discharge, resistance, work.between, closed, h, work.lower)
    else:
        ok = _prepare(unknowns, discharge, resistance, after, closed, h, work.lower)
    if not ok:
        return False, voltage
    rhs[:] = flux
    rhs[0] = flux[0] + GAMMA * h * (voltage - drop) if closed else 0.0
    solve(work.lower, rhs)
    work.first[:] = rhs
    stage_voltage = voltage - GAMMA * h * rhs[0] / discharge.capacitance
    voltages(unknowns, resistance, discharge.resistance, work.first, work.filament, slope)
    for i in range(size):
        slope[i] = -slope[i]
    slope[0] += stage_voltage - drop
    base_voltage = voltage - (1.0 - GAMMA) * h * work.first[0] / discharge.capacitance

    if moved and not _prepare(unknowns, discharge, resistance, after, closed, h, work.lower):
        return False, voltage
    for i in range(size):
        rhs[i] = flux[i] + (1.0 - GAMMA) * h * slope[i]
    rhs[0] = rhs[0] + GAMMA * h * (base_voltage - drop) if closed else 0.0
    solve(work.lower, rhs)
    work.second[:] = rhs
    for i in range(size):
        flux[i] = dot(after[i], rhs, size)
    return True, base_voltage - GAMMA * h * rhs[0] / discharge.capacitance


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
    size = 1 + unknowns.mode_filament.size + unknowns.cells
    return StepWork(
        between=np.zeros((size, size)),
        lower=np.zeros((size, size)),
        rhs=np.zeros(size),
        slope=np.zeros(size),
        first=np.zeros(size),
        second=np.zeros(size),
        filament=np.zeros(unknowns.filaments + unknowns.cells),
    )
