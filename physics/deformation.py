"""Motion of the workpiece: a staggered mesh of radial cells in slices along the axis.

The upper half of the workpiece is cut into slices; each has its own nodes along the radius, and
each radial cell has its own levels along the axis. Strain rates of a cell between nodes r1 < r2 of
speeds v1, v2 and between levels a height h apart that rise at w1, w2::

    radial (v2 - v1)/(r2 - r1),   hoop (v1 + v2)/(r1 + r2),   axial (w2 - w1)/h

whose sum is exactly the rate of the cell's volume. Between slices and cells, at the corners, sits
the shear rate dv/dz + dw/dr. A flat part has one slice: then there is no shear, and what is left is
the radial model whose thickness is a degree of freedom with its own inertia (m/12 h''). Axial mass is
consistent (z' linear in a slice), radial mass lumped. Explicit central differences; J2 plasticity with
radial return in three dimensions; linear and quadratic bulk viscosity (von Neumann & Richtmyer 1950).
Everything stands for the slice and its mirror image.
"""

from __future__ import annotations

from math import pi, sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from physics.kernel_cache import inlined_kernel, kernel
from physics.plasticity import plastic_increment, strength_of

_LINEAR_VISCOSITY = 0.1
_QUADRATIC_VISCOSITY = 1.5
_COURANT = 0.5
_LEAST_SHARE = 0.05

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Body(NamedTuple):
    """State of the mechanical mesh; S slices of N cells, N + 1 nodes. Masses and volumes are of mirror pairs."""

    radius: Floats  # (S, N + 1) m
    speed: Floats  # (S, N + 1) m/s, at half steps
    level: Floats  # (S + 1, N) m, from the mid-plane
    rise: Floats  # (S + 1, N) m/s
    node_mass: Floats  # (S, N + 1) kg
    cell_mass: Floats  # (S, N) kg
    level_pivot: Floats  # (S + 1, N) kg, axial mass factored
    level_ratio: Floats  # (S + 1, N) of it, to the level below
    first_volume: Floats  # (S, N) m^3
    metal: Ints  # (S,) row in the table of strengths
    deviator: Floats  # (S, N, 3) Pa: radial, hoop, axial
    shear: Floats  # (S + 1, N + 1) Pa, at corners; zero on all surfaces and the mid-plane
    pressure: Floats  # (S, N) Pa
    viscous: Floats  # (S, N) Pa, bulk viscosity of the last step
    strain: Floats  # (S, N) equivalent plastic strain
    increment: Floats  # (S, N) of it in the last step
    heat: Floats  # (S, N) J/kg from plastic work
    work: Floats  # (2,) J: plastic and viscous work so far; [1] largest plastic strain rate, 1/s
    last_step: Floats  # (1,) s
    push: Floats  # (S, N + 1) N, scratch of a step: forces on nodes
    lift: Floats  # (S + 1, N) N, likewise on levels
    scale: Floats  # (S, N), likewise of the radial return


def make_body(nodes: Floats, levels: Floats, density: Floats, metal: Ints) -> Body:
    """A body at rest, unstressed: node radii (m), levels (m, from 0), density (kg/m^3) and metal of each slice."""
    slices, cells = levels.size - 1, nodes.size - 1
    volume = 2.0 * pi * np.diff(nodes**2)[None, :] * np.diff(levels)[:, None]
    mass = density[:, None] * volume
    node_mass = np.zeros((slices, cells + 1))
    node_mass[:, :-1] += 0.5 * mass
    node_mass[:, 1:] += 0.5 * mass
    pivot, ratio = _factor_axial_mass(mass)
    return Body(
        radius=np.tile(nodes, (slices, 1)),
        speed=np.zeros((slices, cells + 1)),
        level=np.tile(levels[:, None], (1, cells)),
        rise=np.zeros((slices + 1, cells)),
        node_mass=node_mass,
        cell_mass=mass,
        level_pivot=pivot,
        level_ratio=ratio,
        first_volume=volume,
        metal=metal,
        deviator=np.zeros((slices, cells, 3)),
        shear=np.zeros((slices + 1, cells + 1)),
        pressure=np.zeros((slices, cells)),
        viscous=np.zeros((slices, cells)),
        strain=np.zeros((slices, cells)),
        increment=np.zeros((slices, cells)),
        heat=np.zeros((slices, cells)),
        work=np.zeros(2),
        last_step=np.zeros(1),
        push=np.zeros((slices, cells + 1)),
        lift=np.zeros((slices + 1, cells)),
        scale=np.zeros((slices, cells)),
    )


def _factor_axial_mass(mass: Floats) -> tuple[Floats, Floats]:
    """Factors of the consistent axial mass of each column: m/3 at both ends of a slice, m/6 between them."""
    slices, cells = mass.shape
    pivot, ratio = np.zeros((slices + 1, cells)), np.zeros((slices + 1, cells))
    for s in range(1, slices + 1):
        above = mass[s] / 3.0 if s < slices else 0.0
        pivot[s] = mass[s - 1] / 3.0 + above
        if s > 1:
            ratio[s] = mass[s - 1] / 6.0 / pivot[s - 1]
            pivot[s] -= ratio[s] * mass[s - 1] / 6.0
    return pivot, ratio


@kernel
def stable_step(body, strengths):
    """Largest safe time step (s): radial waves and axial ones together."""
    slices, cells = body.pressure.shape
    # A single slice is held at the mid-plane and free at the face; between slices the mode is four times stiffer.
    axial = 3.0 if slices == 1 else 12.0
    highest = 0.0
    for s in range(slices):
        strength = strength_of(strengths, body.metal[s])
        speed = sqrt((strength.bulk_modulus + 4.0 / 3.0 * strength.shear_modulus) / strength.density)
        for k in range(cells):
            width = body.radius[s, k + 1] - body.radius[s, k]
            height = body.level[s + 1, k] - body.level[s, k]
            highest = max(highest, speed * sqrt(4.0 / width**2 + axial / height**2))
    return _COURANT * 2.0 / highest


@kernel
def advance(body, strengths, node_force, level_force, softness, taylor_quinney, dt):
    """One explicit step of `dt` s under forces on nodes (N, outward, (S, N+1)) and on levels (N, up, (S+1, N)).

    `softness` (S, N) is each cell's thermal factor of the flow stress. False when a cell has lost its width.
    """
    slices, cells = body.pressure.shape
    # From the middle of the last step to that of this one; at rest, from its start.
    _accelerate(body, node_force, level_force, 0.5 * (body.last_step[0] + dt))
    body.last_step[0] = dt
    if not _keeps_shape(body, dt):
        return False
    _shear_corners(body, strengths, dt)
    scale = body.scale
    for s in range(slices):
        _strain_slice(body, strength_of(strengths, body.metal[s]), s, softness, taylor_quinney, dt)
    for s in range(1, slices):
        for k in range(1, cells):
            body.shear[s, k] *= 0.25 * (scale[s, k] + scale[s, k - 1] + scale[s - 1, k] + scale[s - 1, k - 1])
    coast(body, dt)
    for s in range(slices):
        bulk = strength_of(strengths, body.metal[s]).bulk_modulus
        pressure, first_volume = body.pressure[s], body.first_volume[s]
        radius, low, high = body.radius[s], body.level[s], body.level[s + 1]
        for k in range(cells):
            volume = 2.0 * pi * (radius[k + 1] ** 2 - radius[k] ** 2) * (high[k] - low[k])
            pressure[k] = -bulk * _log_near_one(volume / first_volume[k])
    return True


@inlined_kernel
def _log_near_one(x: float) -> float:
    """Natural logarithm by its series in (x - 1)/(x + 1): within 2e-12 for 0.9 < x < 1.1, where metal stays."""
    y = (x - 1.0) / (x + 1.0)
    s = y * y
    return 2.0 * y * (1.0 + s * (1.0 / 3.0 + s * (0.2 + s * (1.0 / 7.0))))


@kernel
def coast(body, time):
    """Let everything go on for `time` s at its present speed."""
    slices, cells = body.pressure.shape
    for s in range(slices):
        for k in range(cells + 1):
            body.radius[s, k] += time * body.speed[s, k]
        for k in range(cells):
            body.level[s + 1, k] += time * body.rise[s + 1, k]


@kernel
def _keeps_shape(body, dt):
    """False where a cell would lose nearly all its width or height in one step."""
    slices, cells = body.pressure.shape
    for s in range(slices):
        for k in range(cells):
            width = body.radius[s, k + 1] - body.radius[s, k]
            height = body.level[s + 1, k] - body.level[s, k]
            if width + dt * (body.speed[s, k + 1] - body.speed[s, k]) < _LEAST_SHARE * width:
                return False
            if height + dt * (body.rise[s + 1, k] - body.rise[s, k]) < _LEAST_SHARE * height:
                return False
    return True


@kernel
def _volume(body, s, k):
    """Volume (m^3) of a cell and its mirror image."""
    height = body.level[s + 1, k] - body.level[s, k]
    return 2.0 * pi * (body.radius[s, k + 1] ** 2 - body.radius[s, k] ** 2) * height


@kernel
def _corner(body, s, k):
    """Height and width (m) between the middles of the cells round a corner, and the volume (m^3) it stands for."""
    height = 0.25 * (
        body.level[s + 1, k] - body.level[s - 1, k] + body.level[s + 1, k - 1] - body.level[s - 1, k - 1]
    )  # fmt: skip
    width = 0.25 * (
        body.radius[s, k + 1] - body.radius[s, k - 1] + body.radius[s - 1, k + 1] - body.radius[s - 1, k - 1]
    )  # fmt: skip
    volume = 0.25 * (
        _volume(body, s, k) + _volume(body, s, k - 1) + _volume(body, s - 1, k) + _volume(body, s - 1, k - 1)
    )  # fmt: skip
    return height, width, volume


@kernel
def _accelerate(body, node_force, level_force, dt):
    """Add the forces of stress to the loads and change all speeds."""
    slices, cells = body.pressure.shape
    push, lift, speed, mass = body.push, body.lift, body.speed, body.node_mass
    for s in range(slices):
        for k in range(cells + 1):
            push[s, k] = node_force[s, k]
    for s in range(slices + 1):
        for k in range(cells):
            lift[s, k] = level_force[s, k]
    _press(body, push, lift)
    _pull_corners(body, push, lift)
    for s in range(slices):
        for k in range(cells + 1):
            speed[s, k] += dt * push[s, k] / mass[s, k]
        if body.radius[s, 0] == 0.0:
            speed[s, 0] = 0.0
    _raise(body, lift, dt)


@kernel
def _press(body, push, lift):
    """Forces (N) of the normal stresses of all cells on their nodes and levels."""
    slices, cells = body.pressure.shape
    for s in range(slices):
        radius, low, high = body.radius[s], body.level[s], body.level[s + 1]
        pressure, viscous, deviator = body.pressure[s], body.viscous[s], body.deviator[s]
        out, down, up = push[s], lift[s], lift[s + 1]
        for k in range(cells):
            r1, r2 = radius[k], radius[k + 1]
            height = high[k] - low[k]
            volume = 2.0 * pi * (r2 * r2 - r1 * r1) * height
            mean = pressure[k] + viscous[k]
            radial = volume * (deviator[k, 0] - mean) / (r2 - r1)
            hoop = volume * (deviator[k, 1] - mean) / (r1 + r2)
            out[k] += radial - hoop
            out[k + 1] -= radial + hoop
            axial = volume * (deviator[k, 2] - mean) / height
            down[k] += axial
            up[k] -= axial


@kernel
def _pull_corners(body, push, lift):
    """Forces (N) of the shear stresses at all corners."""
    slices, cells = body.pressure.shape
    for s in range(1, slices):
        for k in range(1, cells):
            height, width, volume = _corner(body, s, k)
            across, along = volume * body.shear[s, k] / height, volume * body.shear[s, k] / width
            push[s, k] -= across
            push[s - 1, k] += across
            lift[s, k] -= along
            lift[s, k - 1] += along


@kernel
def _raise(body, lift, dt):
    """Change the speeds of all levels: solve with the factored axial mass; the mid-plane stays."""
    slices, cells = body.pressure.shape
    for k in range(cells):
        for s in range(2, slices + 1):
            lift[s, k] -= body.level_ratio[s, k] * lift[s - 1, k]
        gain = 0.0
        for s in range(slices, 0, -1):
            above = body.level_ratio[s + 1, k] * gain if s < slices else 0.0
            gain = lift[s, k] / body.level_pivot[s, k] - above
            body.rise[s, k] += dt * gain


@kernel
def _shear_corners(body, strengths, dt):
    """Elastic trial shear stress at every corner inside the body."""
    slices, cells = body.pressure.shape
    for s in range(1, slices):
        below = strength_of(strengths, body.metal[s - 1]).shear_modulus
        above = strength_of(strengths, body.metal[s]).shear_modulus
        for k in range(1, cells):
            height, width, _ = _corner(body, s, k)
            rate = (body.speed[s, k] - body.speed[s - 1, k]) / height + (body.rise[s, k] - body.rise[s, k - 1]) / width
            body.shear[s, k] += dt * 0.5 * (below + above) * rate


@kernel
def _strain_slice(body, strength, s, softness, taylor_quinney, dt):
    """Update deviator, viscosity, plastic strain and heat of a slice's cells, and the scale of their radial return."""
    half, work, fastest = 0.5 * dt, 0.0, body.work[1]
    radius, speed = body.radius[s], body.speed[s]
    low, high, sinking, rising = body.level[s], body.level[s + 1], body.rise[s], body.rise[s + 1]
    deviator, below, above = body.deviator[s], body.shear[s], body.shear[s + 1]
    strain, increments, heat, viscous, mass = (
        body.strain[s], body.increment[s], body.heat[s], body.viscous[s], body.cell_mass[s],
    )  # fmt: skip
    twice_shear, stiffness = 2.0 * strength.shear_modulus * dt, 3.0 * strength.shear_modulus
    linear = _LINEAR_VISCOSITY * sqrt(strength.bulk_modulus / strength.density)
    scale = body.scale[s]
    for k in range(scale.size):
        r1 = radius[k] + half * speed[k]
        r2 = radius[k + 1] + half * speed[k + 1]
        height = high[k] - low[k] + half * (rising[k] - sinking[k])
        radial = (speed[k + 1] - speed[k]) / (r2 - r1)
        hoop = (speed[k] + speed[k + 1]) / (r1 + r2)
        axial = (rising[k] - sinking[k]) / height
        growth = radial + hoop + axial
        volume = 2.0 * pi * (r2 * r2 - r1 * r1) * height

        s_r = deviator[k, 0] + twice_shear * (radial - growth / 3.0)
        s_t = deviator[k, 1] + twice_shear * (hoop - growth / 3.0)
        s_z = deviator[k, 2] + twice_shear * (axial - growth / 3.0)
        sheared = 0.25 * (below[k] ** 2 + above[k] ** 2 + below[k + 1] ** 2 + above[k + 1] ** 2)
        trial = sqrt(1.5 * (s_r * s_r + s_t * s_t + s_z * s_z + 2.0 * sheared))
        increment = plastic_increment(strength, trial, stiffness, strain[k], softness[s, k], dt, increments[k])
        increments[k] = increment
        scale[k] = 1.0
        if increment > 0.0:
            stress = trial - stiffness * increment
            scale[k] = stress / trial
            s_r, s_t, s_z = s_r * scale[k], s_t * scale[k], s_z * scale[k]
            done = stress * increment * volume
            strain[k] += increment
            work += done
            fastest = max(fastest, increment / dt)
            heat[k] += taylor_quinney * done / mass[k]
        deviator[k, 0], deviator[k, 1], deviator[k, 2] = s_r, s_t, s_z

        length = min(r2 - r1, 2.0 * height)
        resisting = -linear * growth
        if growth < 0.0:
            resisting += _QUADRATIC_VISCOSITY**2 * length * growth * growth
        viscous[k] = strength.density * length * resisting
        lost = -viscous[k] * growth * volume * dt
        work += lost
        heat[k] += lost / mass[k]
    body.work[0] += work
    body.work[1] = fastest


@kernel
def kinetic_energy(body):
    """Kinetic energy (J) of radial and axial motion."""
    slices, cells = body.pressure.shape
    total = 0.0
    for s in range(slices):
        for k in range(cells + 1):
            total += 0.5 * body.node_mass[s, k] * body.speed[s, k] ** 2
        for k in range(cells):
            low, high = body.rise[s, k], body.rise[s + 1, k]
            total += body.cell_mass[s, k] / 6.0 * (low * low + low * high + high * high)
    return total


@kernel
def elastic_energy(body, strengths):
    """Elastic energy (J): deviatoric, shear and volumetric."""
    slices, cells = body.pressure.shape
    total = 0.0
    for s in range(slices):
        strength = strength_of(strengths, body.metal[s])
        for k in range(cells):
            squares = body.deviator[s, k, 0] ** 2 + body.deviator[s, k, 1] ** 2 + body.deviator[s, k, 2] ** 2
            total += _volume(body, s, k) * (
                0.25 * squares / strength.shear_modulus + 0.5 * body.pressure[s, k] ** 2 / strength.bulk_modulus
            )
    for s in range(1, slices):
        shear = 0.5 * (
            strength_of(strengths, body.metal[s - 1]).shear_modulus
            + strength_of(strengths, body.metal[s]).shear_modulus
        )
        for k in range(1, cells):
            total += 0.5 * _corner(body, s, k)[2] * body.shear[s, k] ** 2 / shear
    return total
