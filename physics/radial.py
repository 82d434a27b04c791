"""Motion of the workpiece: radial cells whose thickness is a degree of freedom with its own inertia.

Strain rates of a cell between nodes r1 < r2 with speeds v1, v2 and thickness h::

    radial (v2 - v1)/(r2 - r1),   hoop (v1 + v2)/(r1 + r2),   axial h'/h

whose sum is exactly the rate of the cell's volume. Through the thickness z' = h' z/h, so a cell of
mass m has the kinetic energy m/24 h'^2. Explicit central differences; J2 plasticity with radial
return in three dimensions; linear and quadratic bulk viscosity (von Neumann & Richtmyer 1950).
"""

from __future__ import annotations

from math import log, pi, sqrt
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from physics.plasticity import plastic_increment

_LINEAR_VISCOSITY = 0.1
_QUADRATIC_VISCOSITY = 1.5
_COURANT = 0.5

Floats = NDArray[np.float64]


class Body(NamedTuple):
    """State of the workpiece's mechanical mesh; N cells, N + 1 nodes."""

    radius: Floats  # (N + 1,) m
    speed: Floats  # (N + 1,) m/s, at half steps
    thickness: Floats  # (N,) m
    spread: Floats  # (N,) m/s, rate of thickness
    node_mass: Floats  # (N + 1,) kg
    cell_mass: Floats  # (N,) kg
    first_volume: Floats  # (N,) m^3
    deviator: Floats  # (N, 3) Pa: radial, hoop, axial
    pressure: Floats  # (N,) Pa
    viscous: Floats  # (N,) Pa, bulk viscosity of the last step
    strain: Floats  # (N,) equivalent plastic strain
    heat: Floats  # (N,) J/kg from plastic work
    work: Floats  # (2,) J: plastic and viscous work so far; [1] largest plastic strain rate, 1/s


def make_body(nodes: Floats, thickness: float, density: float) -> Body:
    """A body at rest, unstressed, with the given node radii (m), thickness (m) and density (kg/m^3)."""
    cells = nodes.size - 1
    volume = pi * np.diff(nodes**2) * thickness
    mass = density * volume
    node_mass = np.zeros(cells + 1)
    node_mass[:-1] += 0.5 * mass
    node_mass[1:] += 0.5 * mass
    return Body(
        radius=nodes.copy(),
        speed=np.zeros(cells + 1),
        thickness=np.full(cells, thickness),
        spread=np.zeros(cells),
        node_mass=node_mass,
        cell_mass=mass,
        first_volume=volume,
        deviator=np.zeros((cells, 3)),
        pressure=np.zeros(cells),
        viscous=np.zeros(cells),
        strain=np.zeros(cells),
        heat=np.zeros(cells),
        work=np.zeros(2),
    )


@njit(cache=True, nogil=True)
def stable_step(body, strength):
    """Largest safe time step (s): radial waves and the thickness mode together."""
    speed = sqrt((strength.bulk_modulus + 4.0 / 3.0 * strength.shear_modulus) / strength.density)
    highest = 0.0
    for k in range(body.thickness.size):
        width = body.radius[k + 1] - body.radius[k]
        highest = max(highest, speed * sqrt(4.0 / width**2 + 12.0 / body.thickness[k] ** 2))
    return _COURANT * 2.0 / highest


@njit(cache=True, nogil=True)
def advance(body, strength, node_force, spread_force, temperature, taylor_quinney, dt):
    """One explicit step of `dt` s under forces on nodes (N, outward) and on thicknesses (N).

    `temperature` (K) is each cell's mean before the step. False when a cell has lost its width.
    """
    _accelerate(body, node_force, spread_force, dt)
    for k in range(body.thickness.size):
        r1, r2 = body.radius[k], body.radius[k + 1]
        n1, n2 = r1 + dt * body.speed[k], r2 + dt * body.speed[k + 1]
        thickness = body.thickness[k] + dt * body.spread[k]
        if n2 - n1 < 0.05 * (r2 - r1) or thickness <= 0.0:
            return False
        _strain_cell(body, strength, k, 0.5 * (r1 + n1), 0.5 * (r2 + n2), temperature[k], taylor_quinney, dt)
    for k in range(body.radius.size):
        body.radius[k] += dt * body.speed[k]
    for k in range(body.thickness.size):
        body.thickness[k] += dt * body.spread[k]
        volume = pi * (body.radius[k + 1] ** 2 - body.radius[k] ** 2) * body.thickness[k]
        body.pressure[k] = -strength.bulk_modulus * log(volume / body.first_volume[k])
    return True


@njit(cache=True, nogil=True)
def _accelerate(body, node_force, spread_force, dt):
    cells = body.thickness.size
    push = node_force.copy()
    for k in range(cells):
        r1, r2, h = body.radius[k], body.radius[k + 1], body.thickness[k]
        volume = pi * (r2 * r2 - r1 * r1) * h
        mean = body.pressure[k] + body.viscous[k]
        radial = volume * (body.deviator[k, 0] - mean) / (r2 - r1)
        hoop = volume * (body.deviator[k, 1] - mean) / (r1 + r2)
        push[k] += radial - hoop
        push[k + 1] -= radial + hoop
        axial = volume * (body.deviator[k, 2] - mean) / h
        body.spread[k] += dt * (spread_force[k] - axial) * 12.0 / body.cell_mass[k]
    for k in range(cells + 1):
        body.speed[k] += dt * push[k] / body.node_mass[k]
    if body.radius[0] == 0.0:
        body.speed[0] = 0.0


@njit(cache=True, nogil=True)
def _strain_cell(body, strength, k, r1, r2, temperature, taylor_quinney, dt):
    """Update deviator, viscosity, plastic strain and heat of one cell; radii at mid-step."""
    h = body.thickness[k] + 0.5 * dt * body.spread[k]
    radial = (body.speed[k + 1] - body.speed[k]) / (r2 - r1)
    hoop = (body.speed[k] + body.speed[k + 1]) / (r1 + r2)
    axial = body.spread[k] / h
    growth = radial + hoop + axial
    volume = pi * (r2 * r2 - r1 * r1) * h

    twice_shear = 2.0 * strength.shear_modulus * dt
    s_r = body.deviator[k, 0] + twice_shear * (radial - growth / 3.0)
    s_t = body.deviator[k, 1] + twice_shear * (hoop - growth / 3.0)
    s_z = body.deviator[k, 2] + twice_shear * (axial - growth / 3.0)
    trial = sqrt(1.5 * (s_r * s_r + s_t * s_t + s_z * s_z))
    increment = plastic_increment(strength, trial, 3.0 * strength.shear_modulus, body.strain[k], temperature, dt)
    if increment > 0.0:
        stress = trial - 3.0 * strength.shear_modulus * increment
        scale = stress / trial
        s_r, s_t, s_z = s_r * scale, s_t * scale, s_z * scale
        work = stress * increment * volume
        body.strain[k] += increment
        body.work[0] += work
        body.work[1] = max(body.work[1], increment / dt)
        body.heat[k] += taylor_quinney * work / body.cell_mass[k]
    body.deviator[k, 0], body.deviator[k, 1], body.deviator[k, 2] = s_r, s_t, s_z

    length = min(r2 - r1, h)
    sound = sqrt(strength.bulk_modulus / strength.density)
    viscous = -_LINEAR_VISCOSITY * sound * growth
    if growth < 0.0:
        viscous += _QUADRATIC_VISCOSITY**2 * length * growth * growth
    body.viscous[k] = strength.density * length * viscous
    lost = -body.viscous[k] * growth * volume * dt
    body.work[0] += lost
    body.heat[k] += lost / body.cell_mass[k]


@njit(cache=True, nogil=True)
def kinetic_energy(body):
    """Kinetic energy (J) of radial motion and of thickening."""
    total = 0.0
    for k in range(body.radius.size):
        total += 0.5 * body.node_mass[k] * body.speed[k] ** 2
    for k in range(body.thickness.size):
        total += body.cell_mass[k] / 24.0 * body.spread[k] ** 2
    return total


@njit(cache=True, nogil=True)
def elastic_energy(body, strength):
    """Elastic energy (J): deviatoric and volumetric."""
    total = 0.0
    for k in range(body.thickness.size):
        volume = pi * (body.radius[k + 1] ** 2 - body.radius[k] ** 2) * body.thickness[k]
        shear = body.deviator[k, 0] ** 2 + body.deviator[k, 1] ** 2 + body.deviator[k, 2] ** 2
        total += volume * (0.25 * shear / strength.shear_modulus + 0.5 * body.pressure[k] ** 2 / strength.bulk_modulus)
    return total
