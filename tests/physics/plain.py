"""The same circuit and eddy currents in plain NumPy and SciPy: dense matrices, elliptic integrals, a general solver.

For a shot whose parts are held still and keep their resistivity. It shares the cut of the section with the model, and
nothing else: mutual inductances are built from scipy.special, currents by explicit incidence matrices, and the time
integration is scipy's Radau method. It is slow on purpose: it measures what the model's own kernels gain.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.constants import mu_0
from scipy.integrate import solve_ivp
from scipy.linalg import cho_factor, cho_solve
from scipy.special import ellipe, ellipkm1

from physics.shot import check_shot
from physics.simulate import build
from physics.state import Model
from tests.physics.sections import Section, section_of

Floats = NDArray[np.float64]


#: Instants at which the solution is asked for.
POINTS = 2000


@dataclass(frozen=True)
class Discharge:
    """Coil current (A) and bank voltage (V) over time (s)."""

    time_s: Floats
    current_a: Floats
    voltage_v: Floats


def loops_mutual(a: Floats, b: Floats, z: Floats) -> Floats:
    """Mutual inductance (H) of coaxial loops of radii a, b (m) at axial distance z (m): Maxwell's closed form."""
    k2 = 4.0 * a * b / ((a + b) ** 2 + z**2)
    k = np.sqrt(k2)
    complete = ellipkm1(((a - b) ** 2 + z**2) / ((a + b) ** 2 + z**2))
    return np.asarray(mu_0 * np.sqrt(a * b) * ((2.0 / k - k) * complete - 2.0 / k * ellipe(k2)))


def ring_self(radius: Floats, mean_distance: Floats) -> Floats:
    """Self inductance (H) of a ring whose round section has this geometric mean distance (Rayleigh and Niven)."""
    section = mean_distance * np.exp(0.25)
    x = (section / radius) ** 2
    return np.asarray(mu_0 * radius * ((1.0 + x / 8.0) * np.log(8.0 * radius / section) + x / 24.0 - 1.75))


def filament_inductance(section: Section) -> Floats:
    """Inductance (H) of filaments and cells with their mirror images, shape (n, n)."""
    p, used = section.points, section.points.used[0]
    radius, height, weight = p.radius[:used], p.height[:used], p.weight[:used]
    a, b = radius[:, None], radius[None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        direct = loops_mutual(a, b, height[:, None] - height[None, :])
        mirrored = loops_mutual(a, b, height[:, None] + height[None, :])
    np.fill_diagonal(direct, ring_self(radius, p.mean_distance[:used]))
    off = weight > 1.5
    both = off[:, None] & off[None, :]
    pairs = np.where(both, 2.0 * (direct + np.where(both, mirrored, 0.0)), weight[:, None] * weight[None, :] * direct)
    owner = np.zeros((used, section.matrix.shape[0]))
    owner[np.arange(used), p.cell[:used]] = p.share[:used]
    return np.asarray(owner.T @ pairs @ owner)


def incidence_of(model: Model) -> Floats:
    """Columns: the coil current in every turn's centre, then what each other filament and cell carries."""
    coil, unknowns = model.coil, model.unknowns
    n = unknowns.filaments + unknowns.cells
    free = np.setdiff1d(np.arange(n), unknowns.centre)
    incidence = np.zeros((n, 1 + free.size))
    incidence[unknowns.centre, 0] = 1.0
    incidence[free, 1 + np.arange(free.size)] = 1.0
    for column, filament in enumerate(free):
        if filament < unknowns.filaments:
            centre = unknowns.centre[coil.turn[filament]]
            incidence[centre, 1 + column] -= coil.multiplicity[filament]
    return incidence


def discharge(shot: dict[str, Any], end_s: float, tolerance: float = 1e-6) -> Discharge:
    """The shot's bank through an ideal switch into coil and part, both held still and cold, from 0 to `end_s`."""
    model = build(check_shot(shot))
    section, unknowns = section_of(model), model.unknowns
    incidence = incidence_of(model)
    metals = [model.tables.resistivity[0, 0]] * unknowns.filaments
    metals += [model.tables.resistivity[s, 0] for s in model.part.slice_metal[model.part.cell_slice]]
    resistance = unknowns.weight * section.resistance(1.0) * np.array(metals)
    loop = model.discharge
    inductance = incidence.T @ filament_inductance(section) @ incidence
    ohmic = incidence.T @ (resistance[:, None] * incidence)
    inductance[0, 0] += loop.bank_inductance + loop.line_inductance
    ohmic[0, 0] += loop.bank_resistance + loop.line_resistance
    factor = cho_factor(inductance)
    rate = -cho_solve(factor, ohmic)
    push = cho_solve(factor, np.eye(incidence.shape[1])[0])

    system = np.zeros((1 + incidence.shape[1], 1 + incidence.shape[1]))
    system[:-1, :-1], system[:-1, -1], system[-1, 0] = rate, push, -1.0 / loop.capacitance
    start = np.zeros(1 + incidence.shape[1])
    start[-1] = loop.voltage
    scale = loop.voltage / np.sqrt(inductance[0, 0] / loop.capacitance)
    found = solve_ivp(
        lambda _, y: system @ y,
        (0.0, end_s),
        start,
        method="Radau",
        t_eval=np.linspace(0.0, end_s, POINTS),
        jac=system,
        rtol=tolerance,
        atol=tolerance * scale,
    )
    assert found.success
    return Discharge(found.t, found.y[0], found.y[-1])
