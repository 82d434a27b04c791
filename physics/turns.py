"""The coil's turns as rings: outward motion, hoop stress, contact of layers, rupture, arcs between the pieces.

A turn of mass m, mean radius R and volume V obeys m R'' = F - V sigma / R with a one-dimensional
elastic-plastic hoop stress. A turn that reaches the one of the next layer takes it along: contact is
perfectly inelastic. It ruptures when its plastic hoop strain reaches the metal's rupture strain or
when it melts. The pieces fly on under the Lorentz force; the current goes on through one arc at each
break, of voltage (fall + gradient x opened length), until it is gone.
"""

from __future__ import annotations

from math import pi
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from physics.kernel_cache import inlined_kernel, inner_kernel, kernel
from physics.plasticity import hardened_by, log_of_ratio, plastic_increment

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Turns this much nearer along the axis than they are thick are taken to touch.
_OVERLAP = 0.99
# A turn has melted through: the shares of its filaments may add up to a little less than one.
_MOLTEN = 1.0 - 1e-9


class Contacts(NamedTuple):
    """Pairs of turns in neighbouring layers, and the difference of their radii (m) when they touch."""

    inner: Ints
    outer: Ints
    distance: Floats


class Turns(NamedTuple):
    """State of the turns kept (mirror pairs once); T of them."""

    first_radius: Floats  # (T,) m
    radius: Floats  # (T,) m
    speed: Floats  # (T,) m/s, at half steps
    speed_before: Floats  # (T,) m/s, before the last push
    last_step: Floats  # (1,) s
    mass: Floats  # (T,) kg of one turn
    volume: Floats  # (T,) m^3 of one turn
    weight: Floats  # (T,) 2 for a mirror pair, 1 on the mid-plane
    stress: Floats  # (T,) Pa hoop
    strain: Floats  # (T,) plastic hoop strain
    hardening: Floats  # (T,) Pa, B eps^n of that strain
    increment: Floats  # (T,) of the strain in the last step
    heat: Floats  # (T,) J/kg from plastic work
    work: Floats  # (T,) J plastic work of one turn, impacts included
    rupture_time: Floats  # (T,) s, negative while whole
    rupture_radius: Floats  # (T,) m
    melted: Floats  # (T,) 1 where melting broke the turn
    pieces: Floats  # (T,)
    arc: Floats  # (T,) V, voltage of the arcs of one turn now
    arc_energy: Floats  # (T,) J of one turn so far
    voltage: Floats  # (T,) V along one turn now
    linkage: Floats  # (T,) Wb of its centre filament
    peak_voltage: Floats  # (T,) V
    peak_force: Floats  # (T,) N outward
    inner: Ints  # (C,) turns that can push one of the next layer ...
    outer: Ints  # (C,) ... and that one
    distance: Floats  # (C,) m between their radii when they touch


def make_turns(
    radius: Floats,
    wire_area: float,
    density: float,
    weight: Floats | None = None,
    contacts: Contacts | None = None,
) -> Turns:
    """Turns at rest with mean radii (m) and conductor section (m^2); density in kg/m^3."""
    count = radius.size
    none = np.zeros(0, dtype=np.int64)
    inner, outer, distance = contacts or (none, none, np.zeros(0))
    volume = 2.0 * pi * radius * wire_area

    def zeros() -> Floats:
        return np.zeros(count)

    return Turns(
        first_radius=radius.copy(),
        radius=radius.copy(),
        speed=zeros(),
        speed_before=zeros(),
        last_step=np.zeros(1),
        mass=density * volume,
        volume=volume,
        weight=np.ones(count) if weight is None else weight,
        stress=zeros(),
        strain=zeros(),
        hardening=zeros(),
        increment=zeros(),
        heat=zeros(),
        work=zeros(),
        rupture_time=np.full(count, -1.0),
        rupture_radius=zeros(),
        melted=zeros(),
        pieces=zeros(),
        arc=zeros(),
        arc_energy=zeros(),
        voltage=zeros(),
        linkage=zeros(),
        peak_voltage=zeros(),
        peak_force=zeros(),
        inner=inner,
        outer=outer,
        distance=distance,
    )


def find_contacts(layer: Ints, height: Floats, spacing: float, axial: float, *, is_round: bool) -> Contacts:
    """Pairs of turns in neighbouring layers that can touch, and at which difference of radius (m) they do.

    `height` (m) is that of the turns above the mid-plane, `spacing` the distance (m) of layers, `axial` the
    conductor's size (m). Round wires touch when their centres are `spacing` apart, strips when their faces are.
    """
    if not layer.any():
        none = np.zeros(0, dtype=np.int64)
        return Contacts(none, none, np.zeros(0))
    inner, outer = np.nonzero(layer[None, :] == layer[:, None] + 1)
    apart = np.abs(height[outer] - height[inner])
    near = apart < (spacing if is_round else axial) * _OVERLAP
    distance = np.sqrt(np.maximum(spacing**2 - apart**2, 0.0)) if is_round else np.full(apart.size, spacing)
    return Contacts(inner[near], outer[near], distance[near])


@inlined_kernel
def advance_turns(turns, strength, force, softness, taylor_quinney, dt):
    """One explicit step of `dt` s under radial force (N, on each single turn); `softness` as in plasticity."""
    # Speeds stand in the middle of steps.
    between = 0.5 * (turns.last_step[0] + dt)
    turns.last_step[0] = dt
    for t in range(turns.radius.size):
        turns.speed_before[t] = turns.speed[t]
        push = force[t] - turns.volume[t] * turns.stress[t] / turns.radius[t]
        turns.speed[t] += between * push / turns.mass[t]
        turns.peak_force[t] = max(turns.peak_force[t], force[t])
    if turns.inner.size > 0:
        _collide(turns)
    for t in range(turns.radius.size):
        radius = turns.radius[t] + dt * turns.speed[t]
        if turns.rupture_time[t] < 0.0:
            trial = turns.stress[t] + strength.youngs_modulus * log_of_ratio(radius, turns.radius[t])
            increment = 0.0
            if abs(trial) > (strength.a + turns.hardening[t]) * softness[t]:
                increment = plastic_increment(
                    strength, abs(trial), strength.youngs_modulus, turns.strain[t], turns.hardening[t], softness[t],
                    dt, turns.increment[t],
                )  # fmt: skip
                turns.hardening[t] = hardened_by(strength, turns.hardening[t], turns.strain[t], increment)
            turns.increment[t] = increment
            stress = abs(trial) - strength.youngs_modulus * increment
            turns.stress[t] = stress if trial > 0.0 else -stress
            turns.strain[t] += increment
            work = stress * increment * turns.volume[t]
            turns.work[t] += work
            turns.heat[t] += taylor_quinney * work / turns.mass[t]
        turns.radius[t] = radius


@inlined_kernel
def coast_pieces(turns, time):
    """Let the pieces of broken turns go on for `time` s at their present speed."""
    for t in range(turns.radius.size):
        if turns.rupture_time[t] >= 0.0:
            turns.radius[t] += time * turns.speed[t]


@inlined_kernel
def kick_turns(turns, force, dt):
    """Change the speeds of all turns by radial forces (N, on each single turn) that act for `dt` s."""
    for t in range(turns.radius.size):
        turns.speed_before[t] = turns.speed[t]
        turns.speed[t] += dt * force[t] / turns.mass[t]
    if turns.inner.size > 0:
        _collide(turns)


@inner_kernel
def _collide(turns):
    """Turns that touch and close in on the next layer's go on with it at their common speed.

    What is lost is half the impulse times the speed at which they closed in before the last forces: turns that
    rest on each other lose nothing, however hard they are pushed together. A turn that runs into two others at once has
    lost speed to the first when it meets the second.
    """
    # Pairs are in the order of the layers, so sweeps outwards and inwards settle a stack.
    pairs = turns.inner.size
    for sweep in range(4):
        for i in range(pairs):
            c = i if sweep % 2 == 0 else pairs - 1 - i
            t, u = turns.inner[c], turns.outer[c]
            if turns.radius[u] - turns.radius[t] > turns.distance[c] or turns.speed[t] <= turns.speed[u]:
                continue
            inner, outer = turns.weight[t] * turns.mass[t], turns.weight[u] * turns.mass[u]
            impulse = inner * outer / (inner + outer) * (turns.speed[t] - turns.speed[u])
            common = (inner * turns.speed[t] + outer * turns.speed[u]) / (inner + outer)
            turns.work[t] += 0.5 * impulse * (turns.speed_before[t] - turns.speed_before[u]) / turns.weight[t]
            turns.speed_before[t] -= impulse / inner
            turns.speed_before[u] += impulse / outer
            turns.speed[t] = turns.speed[u] = common


@inner_kernel
def rupture(turns, density, rupture_strain, molten, fracture_energy, time):
    """Break every turn that has reached its rupture strain or melted; returns how many broke now.

    Piece length s = (24 G / (density rate^2))^(1/3) (Grady & Kipp), at least two pieces.
    """
    broken = 0
    for t in range(turns.radius.size):
        if turns.rupture_time[t] >= 0.0 or (turns.strain[t] < rupture_strain and molten[t] < _MOLTEN):
            continue
        rate = max(abs(turns.speed[t]) / turns.radius[t], 1.0)
        length = (24.0 * fracture_energy / (density * rate * rate)) ** (1.0 / 3.0)
        turns.pieces[t] = max(2.0, round(2.0 * pi * turns.radius[t] / length))
        turns.rupture_time[t] = time
        turns.rupture_radius[t] = turns.radius[t]
        turns.melted[t] = 1.0 if turns.strain[t] < rupture_strain else 0.0
        turns.stress[t] = 0.0
        broken += 1
    return broken


@inner_kernel
def time_to_melt(turns, molten, molten_before, h):
    """Time (s) until the next turn has melted through, at the pace of the last step, of `h` s."""
    soonest = 1.0
    for t in range(turns.radius.size):
        melted = molten[t] - molten_before[t]
        if turns.rupture_time[t] < 0.0 and melted > 0.0:
            soonest = min(soonest, (_MOLTEN - molten[t]) * h / melted)
    return soonest


@inner_kernel
def _opened(turns, t, ago):
    """Length (m) by which the gaps of a broken turn together had opened `ago` s back."""
    return max(2.0 * pi * (turns.radius[t] - ago * turns.speed[t] - turns.rupture_radius[t]), 0.0)


@kernel
def arc_voltage(turns, fall, gradient, ago):
    """Voltage (V) of all arcs in series `ago` s back: falls of every break plus the gradient over the opened length."""
    total = 0.0
    for t in range(turns.radius.size):
        if turns.rupture_time[t] >= 0.0:
            turns.arc[t] = turns.pieces[t] * fall + gradient * _opened(turns, t, ago)
            total += turns.weight[t] * turns.arc[t]
    return total


@kernel
def voltage_to_relight(turns, each, gradient):
    """Voltage (V) that strikes all arcs again after a current zero; 0 without any.

    `each` (V) for every break, and over the opened length the gradient (V/m) that the arcs need to burn.
    """
    total = 0.0
    for t in range(turns.radius.size):
        if turns.rupture_time[t] >= 0.0:
            total += turns.weight[t] * (turns.pieces[t] * each + gradient * _opened(turns, t, 0.0))
    return total


@kernel
def hoop_elastic_energy(turns, strength):
    """Elastic energy (J) of all turns."""
    total = 0.0
    for t in range(turns.radius.size):
        total += turns.weight[t] * turns.volume[t] * 0.5 * turns.stress[t] ** 2 / strength.youngs_modulus
    return total


@kernel
def turns_kinetic_energy(turns):
    """Kinetic energy (J) of all turns."""
    total = 0.0
    for t in range(turns.radius.size):
        total += turns.weight[t] * 0.5 * turns.mass[t] * turns.speed[t] ** 2
    return total


@inner_kernel
def summed_strain(turns):
    """Plastic strain of all turns together, so that one that yields is seen."""
    total = 0.0
    for t in range(turns.radius.size):
        total += turns.strain[t]
    return total


@inner_kernel
def turns_plastic_work(turns):
    """Plastic work (J) of all turns, impacts of layers included."""
    total = 0.0
    for t in range(turns.radius.size):
        total += turns.weight[t] * turns.work[t]
    return total
