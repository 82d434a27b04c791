"""The coil's turns as rings: outward motion, hoop stress, rupture, and arcs between the pieces.

A turn of mass m, mean radius R and volume V obeys m R'' = F - V sigma / R with a one-dimensional
elastic-plastic hoop stress. It ruptures when its plastic hoop strain reaches the metal's rupture
strain or when it melts. The pieces fly on under the Lorentz force; the current goes on through one
arc at each break, of voltage (fall + gradient x opened length), until it is gone.
"""

from __future__ import annotations

from math import log, pi
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from physics.plasticity import plastic_increment

Floats = NDArray[np.float64]


class Turns(NamedTuple):
    """State of the turns kept (mirror pairs once); T of them."""

    first_radius: Floats  # (T,) m
    radius: Floats  # (T,) m
    speed: Floats  # (T,) m/s, at half steps
    mass: Floats  # (T,) kg of one turn
    volume: Floats  # (T,) m^3 of one turn
    stress: Floats  # (T,) Pa hoop
    strain: Floats  # (T,) plastic hoop strain
    heat: Floats  # (T,) J/kg from plastic work
    work: Floats  # (T,) J plastic work of one turn
    rupture_time: Floats  # (T,) s, negative while whole
    rupture_radius: Floats  # (T,) m
    pieces: Floats  # (T,)


def make_turns(radius: Floats, wire_area: float, density: float) -> Turns:
    """Turns at rest with mean radii (m) and wire section (m^2); density in kg/m^3."""
    count = radius.size
    volume = 2.0 * pi * radius * wire_area
    return Turns(
        first_radius=radius.copy(),
        radius=radius.copy(),
        speed=np.zeros(count),
        mass=density * volume,
        volume=volume,
        stress=np.zeros(count),
        strain=np.zeros(count),
        heat=np.zeros(count),
        work=np.zeros(count),
        rupture_time=np.full(count, -1.0),
        rupture_radius=np.zeros(count),
        pieces=np.zeros(count),
    )


@njit(cache=True, nogil=True)
def advance_turns(turns, strength, force, temperature, taylor_quinney, dt):
    """One explicit step of `dt` s under radial force (N, on each single turn) at temperature (K)."""
    for t in range(turns.radius.size):
        push = force[t] - turns.volume[t] * turns.stress[t] / turns.radius[t]
        turns.speed[t] += dt * push / turns.mass[t]
        radius = turns.radius[t] + dt * turns.speed[t]
        if turns.rupture_time[t] < 0.0:
            trial = turns.stress[t] + strength.youngs_modulus * log(radius / turns.radius[t])
            increment = plastic_increment(
                strength, abs(trial), strength.youngs_modulus, turns.strain[t], temperature[t], dt
            )
            stress = abs(trial) - strength.youngs_modulus * increment
            turns.stress[t] = stress if trial > 0.0 else -stress
            turns.strain[t] += increment
            work = stress * increment * turns.volume[t]
            turns.work[t] += work
            turns.heat[t] += taylor_quinney * work / turns.mass[t]
        turns.radius[t] = radius


@njit(cache=True, nogil=True)
def rupture(turns, density, rupture_strain, molten, fracture_energy, time):
    """Break every turn that has reached its rupture strain or melted; returns how many broke now.

    Piece length s = (24 G / (density rate^2))^(1/3) (Grady & Kipp), at least two pieces.
    """
    broken = 0
    for t in range(turns.radius.size):
        if turns.rupture_time[t] >= 0.0 or (turns.strain[t] < rupture_strain and molten[t] < 1.0):
            continue
        rate = max(abs(turns.speed[t]) / turns.radius[t], 1.0)
        length = (24.0 * fracture_energy / (density * rate * rate)) ** (1.0 / 3.0)
        turns.pieces[t] = max(2.0, round(2.0 * pi * turns.radius[t] / length))
        turns.rupture_time[t] = time
        turns.rupture_radius[t] = turns.radius[t]
        turns.stress[t] = 0.0
        broken += 1
    return broken


@njit(cache=True, nogil=True)
def arc_voltage(turns, turn_weight, fall, gradient):
    """Voltage (V) of all arcs in series: falls of every break plus the gradient over the opened length."""
    total = 0.0
    for t in range(turns.radius.size):
        if turns.rupture_time[t] >= 0.0:
            opened = max(2.0 * pi * (turns.radius[t] - turns.rupture_radius[t]), 0.0)
            total += turn_weight[t] * (turns.pieces[t] * fall + gradient * opened)
    return total


@njit(cache=True, nogil=True)
def hoop_elastic_energy(turns, turn_weight, strength):
    """Elastic energy (J) of all turns."""
    total = 0.0
    for t in range(turns.radius.size):
        total += turn_weight[t] * turns.volume[t] * 0.5 * turns.stress[t] ** 2 / strength.youngs_modulus
    return total


@njit(cache=True, nogil=True)
def turns_kinetic_energy(turns, turn_weight):
    """Kinetic energy (J) of all turns."""
    total = 0.0
    for t in range(turns.radius.size):
        total += turn_weight[t] * 0.5 * turns.mass[t] * turns.speed[t] ** 2
    return total
