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

from physics.kernel_cache import inlined_kernel, inner_kernel, kernel
from physics.plasticity import hardened_by, log_of_ratio, plastic_increment, strength_of

_LINEAR_VISCOSITY = 0.1
_QUADRATIC_VISCOSITY = 1.5
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
    deviator: Floats  # (3, S, N) Pa: radial, hoop, axial
    shear: Floats  # (S + 1, N + 1) Pa, at corners; zero on all surfaces and the mid-plane
    pressure: Floats  # (S, N) Pa
    strain: Floats  # (S, N) equivalent plastic strain
    hardening: Floats  # (S, N) Pa, B eps^n of that strain
    increment: Floats  # (S, N) of the strain in the last step
    heat: Floats  # (S, N) J/kg from plastic work
    work: Floats  # (2,) J: plastic and viscous work so far; [1] largest plastic strain rate, 1/s
    last_step: Floats  # (1,) s
    push: Floats  # (S, N + 1) N, forces of the stresses on nodes
    lift: Floats  # (S + 1, N) N, likewise on levels
    scale: Floats  # (S, N) of the radial return, scratch of a step


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
        radius=np.repeat(nodes[None, :], slices, axis=0),
        speed=np.zeros((slices, cells + 1)),
        level=np.repeat(levels[:, None], cells, axis=1),
        rise=np.zeros((slices + 1, cells)),
        node_mass=node_mass,
        cell_mass=mass,
        level_pivot=pivot,
        level_ratio=ratio,
        first_volume=volume,
        metal=metal,
        deviator=np.zeros((3, slices, cells)),
        shear=np.zeros((slices + 1, cells + 1)),
        pressure=np.zeros((slices, cells)),
        strain=np.zeros((slices, cells)),
        hardening=np.zeros((slices, cells)),
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
def stable_step(body, strengths, courant):
    """Time step (s), `courant` of the largest stable one: that of the fastest mode of any cell.

    In it neighbours move against each other along radius and axis, coupled by what a strain along one stresses the
    other with: the larger root of the two modes' frequencies squared.
    """
    slices, cells = body.pressure.shape
    # A single slice is held at the mid-plane and free at the face; between slices the mode is four times stiffer.
    stiffer = 3.0 if slices == 1 else 12.0
    highest = 0.0
    for s in range(slices):
        strength = strength_of(strengths, body.metal[s])
        modulus = strength.bulk_modulus + 4.0 / 3.0 * strength.shear_modulus
        coupling, square = 1.0 - 2.0 * strength.shear_modulus / modulus, modulus / strength.density
        for k in range(cells):
            width = body.radius[s, k + 1] - body.radius[s, k]
            height = body.level[s + 1, k] - body.level[s, k]
            radial, axial = 4.0 / width**2, stiffer / height**2
            root = sqrt(0.25 * (radial - axial) ** 2 + coupling**2 * radial * axial)
            highest = max(highest, square * (0.5 * (radial + axial) + root))
    return courant * 2.0 / sqrt(highest)


@inlined_kernel
def advance(body, strengths, node_force, level_force, softness, taylor_quinney, dt):
    """One explicit step of `dt` s under forces on nodes (N, outward, (S, N+1)) and on levels (N, up, (S+1, N)).

    `softness` (S, N) is each cell's thermal factor of the flow stress. False when a cell would lose nearly all its
    width or height: then only speeds have changed.
    """
    slices = body.pressure.shape[0]
    # From the middle of the last step to that of this one; at rest, from its start.
    _accelerate(body, node_force, level_force, 0.5 * (body.last_step[0] + dt))
    body.last_step[0] = dt
    for s in range(slices):
        if not _keeps_shape(s, dt, body.radius, body.speed, body.level, body.rise):
            return False
    if slices > 1:
        _shear_corners(body, strengths, dt)
    for s in range(slices):
        work, rate = _deform(body, s, strength_of(strengths, body.metal[s]), softness, taylor_quinney, dt)
        body.work[0] += work
        body.work[1] = max(body.work[1], rate)
    _coast_levels(dt, body.level, body.rise)
    if slices > 1:
        _pull_corners(body)
    return True


@inlined_kernel
def coast(time, radius, speed, level, rise):
    """Let nodes and levels go on for `time` s at their present speed."""
    for s in range(radius.shape[0]):
        for k in range(radius.shape[1]):
            radius[s, k] += time * speed[s, k]
    _coast_levels(time, level, rise)


@inlined_kernel
def _coast_levels(time, level, rise):
    """The same of levels alone; the mid-plane stays."""
    for s in range(1, level.shape[0]):
        for k in range(level.shape[1]):
            level[s, k] += time * rise[s, k]


@inlined_kernel
def _keeps_shape(s, dt, radius, speed, level, rise):
    """False where a cell of slice s would lose nearly all its width or height in one step."""
    lost = 0
    for k in range(level.shape[1]):
        width, height = radius[s, k + 1] - radius[s, k], level[s + 1, k] - level[s, k]
        narrower = width + dt * (speed[s, k + 1] - speed[s, k]) < _LEAST_SHARE * width
        lower = height + dt * (rise[s + 1, k] - rise[s, k]) < _LEAST_SHARE * height
        lost += 1 if narrower or lower else 0
    return lost == 0


@inner_kernel
def _volume(radius, level, s, k):
    """Volume (m^3) of a cell and its mirror image."""
    return 2.0 * pi * (radius[s, k + 1] ** 2 - radius[s, k] ** 2) * (level[s + 1, k] - level[s, k])


@inner_kernel
def _corner(radius, level, s, k):
    """Height and width (m) between the middles of the cells round a corner, and the volume (m^3) it stands for."""
    height = 0.25 * (level[s + 1, k] - level[s - 1, k] + level[s + 1, k - 1] - level[s - 1, k - 1])
    width = 0.25 * (radius[s, k + 1] - radius[s, k - 1] + radius[s - 1, k + 1] - radius[s - 1, k - 1])
    volume = 0.25 * (
        _volume(radius, level, s, k) + _volume(radius, level, s, k - 1)
        + _volume(radius, level, s - 1, k) + _volume(radius, level, s - 1, k - 1)
    )  # fmt: skip
    return height, width, volume


@inlined_kernel
def _accelerate(body, node_force, level_force, dt):
    """Change all speeds by loads and stresses; what the stresses push and lift by is used up."""
    push, lift = body.push, body.lift
    for s in range(push.shape[0]):
        for k in range(push.shape[1]):
            push[s, k] += node_force[s, k]
        for k in range(lift.shape[1]):
            lift[s + 1, k] += level_force[s + 1, k]
    kick(body, push, lift, dt)


@inlined_kernel
def kick(body, push, lift, dt):
    """Change all speeds by forces (N) on nodes and levels that act for `dt` s; what lifts levels is used up."""
    radius, speed, mass = body.radius, body.speed, body.node_mass
    for s in range(speed.shape[0]):
        for k in range(speed.shape[1]):
            speed[s, k] += dt * push[s, k] / mass[s, k]
        if radius[s, 0] == 0.0:
            speed[s, 0] = 0.0
    _raise(body.level_ratio, body.level_pivot, lift, body.rise, dt)


@inner_kernel
def _pull_corners(body):
    """Return the shear stresses at all corners as their cells were, and add their forces (N) on nodes and levels."""
    slices, cells = body.pressure.shape
    radius, level, shear, scale, push, lift = body.radius, body.level, body.shear, body.scale, body.push, body.lift
    for s in range(1, slices):
        for k in range(1, cells):
            shear[s, k] *= 0.25 * (scale[s, k] + scale[s, k - 1] + scale[s - 1, k] + scale[s - 1, k - 1])
            height, width, volume = _corner(radius, level, s, k)
            across, along = volume * shear[s, k] / height, volume * shear[s, k] / width
            push[s, k] -= across
            push[s - 1, k] += across
            lift[s, k] -= along
            lift[s, k - 1] += along


@inlined_kernel
def _raise(ratio, pivot, lift, rise, dt):
    """Change the speeds of all levels: solve with the factored axial mass, `lift` in place; the mid-plane stays."""
    slices, cells = rise.shape[0] - 1, rise.shape[1]
    for s in range(2, slices + 1):
        for k in range(cells):
            lift[s, k] -= ratio[s, k] * lift[s - 1, k]
    for k in range(cells):
        lift[slices, k] /= pivot[slices, k]
    for s in range(slices - 1, 0, -1):
        for k in range(cells):
            lift[s, k] = lift[s, k] / pivot[s, k] - ratio[s + 1, k] * lift[s + 1, k]
    for s in range(1, slices + 1):
        for k in range(cells):
            rise[s, k] += dt * lift[s, k]


@inner_kernel
def _shear_corners(body, strengths, dt):
    """Elastic trial shear stress at every corner inside the body."""
    slices, cells = body.pressure.shape
    radius, speed, level, rise, shear = body.radius, body.speed, body.level, body.rise, body.shear
    for s in range(1, slices):
        below = strength_of(strengths, body.metal[s - 1]).shear_modulus
        above = strength_of(strengths, body.metal[s]).shear_modulus
        for k in range(1, cells):
            height, width, _ = _corner(radius, level, s, k)
            rate = (speed[s, k] - speed[s - 1, k]) / height + (rise[s, k] - rise[s, k - 1]) / width
            shear[s, k] += dt * 0.5 * (below + above) * rate


@inlined_kernel
def _bulk_viscosity(density, linear, length, growth):
    """Bulk viscosity (Pa) of a cell of this `length` (m) whose volume grows at `growth` (1/s); `linear` is in m/s."""
    closing = min(growth, 0.0)
    return density * length * (_QUADRATIC_VISCOSITY**2 * length * closing * closing - linear * growth)


@inlined_kernel
def _sheared(shear, s, k):
    """Sum of the squares of the shear stresses (Pa^2) at the corners of a cell."""
    return shear[s, k] ** 2 + shear[s + 1, k] ** 2 + shear[s, k + 1] ** 2 + shear[s + 1, k + 1] ** 2


@inlined_kernel
def _deform(body, s, strength, softness, taylor_quinney, dt):
    """Strain the cells of slice s through a step, move its nodes on, and find the forces of the stresses at its end.

    The slice below has been through it already. Returns plastic and viscous work (J) and the largest plastic strain
    rate (1/s). Each cell is done with before the next: for a handful of cells that is faster than many loops over them
    in vector registers, each waiting for what the one before has just written, one place further on.
    """
    radius, speed, level, rise = body.radius, body.speed, body.level, body.rise
    deviator, pressure, strain, hardening = body.deviator, body.pressure, body.strain, body.hardening
    increments, heat, mass, first_volume = body.increment, body.heat, body.cell_mass, body.first_volume
    push, lift, shear, scale = body.push, body.lift, body.shear, body.scale
    density, bulk, stiffness = strength.density, strength.bulk_modulus, 3.0 * strength.shear_modulus
    linear, half, corners = _LINEAR_VISCOSITY * sqrt(bulk / density), 0.5 * dt, pressure.shape[0] > 1
    twice_shear, work, largest = 2.0 * strength.shear_modulus * dt, 0.0, 0.0
    r1, v1, outward = radius[s, 0], speed[s, 0], 0.0
    for k in range(pressure.shape[1]):
        r2, v2 = radius[s, k + 1], speed[s, k + 1]
        height, rising = level[s + 1, k] - level[s, k], rise[s + 1, k] - rise[s, k]
        # Strain rates and volume in the middle of the step.
        width, around, tall = r2 - r1 + half * (v2 - v1), r1 + r2 + half * (v1 + v2), height + half * rising
        section = width * around
        by_volume = 1.0 / (section * tall)
        radial, hoop = (v2 - v1) * around * tall * by_volume, (v1 + v2) * width * tall * by_volume
        axial, volume = rising * section * by_volume, 2.0 * pi * section * tall
        growth = radial + hoop + axial
        third = growth * (1.0 / 3.0)
        d_radial = deviator[0, s, k] + twice_shear * (radial - third)
        d_hoop = deviator[1, s, k] + twice_shear * (hoop - third)
        d_axial = deviator[2, s, k] + twice_shear * (axial - third)
        viscous = _bulk_viscosity(density, linear, min(r2 - r1, 2.0 * height), growth)
        lost = -viscous * growth * volume * dt
        # Radial return.
        squares = d_radial * d_radial + d_hoop * d_hoop + d_axial * d_axial
        trial_squared = 1.5 * (squares + 0.5 * _sheared(shear, s, k) if corners else squares)
        factor, increment, done = 1.0, 0.0, 0.0
        if trial_squared > ((strength.a + hardening[s, k]) * softness[s, k]) ** 2:
            trial = sqrt(trial_squared)
            increment = plastic_increment(
                strength, trial, stiffness, strain[s, k], hardening[s, k], softness[s, k], dt, increments[s, k]
            )  # fmt: skip
            factor = 1.0 - stiffness * increment / trial
            d_radial, d_hoop, d_axial = factor * d_radial, factor * d_hoop, factor * d_axial
            done = factor * trial * increment * volume
            hardening[s, k] = hardened_by(strength, hardening[s, k], strain[s, k], increment)
            strain[s, k] += increment
            largest = max(largest, increment)
        work += lost + done
        heat[s, k] += (lost + taylor_quinney * done) / mass[s, k]
        deviator[0, s, k], deviator[1, s, k], deviator[2, s, k] = d_radial, d_hoop, d_axial
        increments[s, k], scale[s, k] = increment, factor
        # Forces at the end of the step. A cell pulls its outer node inwards and the level above it down.
        radius[s, k] = r1 + dt * v1
        width, around, tall = r2 - r1 + dt * (v2 - v1), r1 + r2 + dt * (v1 + v2), height + dt * rising
        section = width * around
        pressed = -bulk * log_of_ratio(2.0 * pi * section * tall, first_volume[s, k])
        mean = pressed + viscous
        across, along = 2.0 * pi * around * tall * (d_radial - mean), 2.0 * pi * width * tall * (d_hoop - mean)
        upright = 2.0 * pi * section * (d_axial - mean)
        pressure[s, k], push[s, k], outward = pressed, across - along - outward, across + along
        lift[s, k], lift[s + 1, k] = lift[s, k] + upright if s > 0 else 0.0, -upright
        r1, v1 = r2, v2
    radius[s, pressure.shape[1]], push[s, pressure.shape[1]] = r1 + dt * v1, -outward
    return work, largest / dt


@inner_kernel
def mean_strain(body):
    """Plastic strain of the part, meaned by mass."""
    total, mass = 0.0, 0.0
    for s in range(body.strain.shape[0]):
        for k in range(body.strain.shape[1]):
            total += body.cell_mass[s, k] * body.strain[s, k]
            mass += body.cell_mass[s, k]
    return total / mass


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
            squares = body.deviator[0, s, k] ** 2 + body.deviator[1, s, k] ** 2 + body.deviator[2, s, k] ** 2
            total += _volume(body.radius, body.level, s, k) * (
                0.25 * squares / strength.shear_modulus + 0.5 * body.pressure[s, k] ** 2 / strength.bulk_modulus
            )
    for s in range(1, slices):
        shear = 0.5 * (
            strength_of(strengths, body.metal[s - 1]).shear_modulus
            + strength_of(strengths, body.metal[s]).shear_modulus
        )
        for k in range(1, cells):
            total += 0.5 * _corner(body.radius, body.level, s, k)[2] * body.shear[s, k] ** 2 / shear
    return total
