"""Slices along the axis: mass, momentum, energy, and that cutting or cladding with the same metal changes nothing."""

from __future__ import annotations

from math import pi
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from physics.deformation import kinetic_energy
from tests.physics.bodies import DENSITY, ELASTIC, Sample, clad_sample, ideal_metal, sample

Floats = NDArray[np.float64]

TUBE: dict[str, Any] = {"inner_m": 0.009, "outer_m": 0.010, "thickness_m": 0.03, "cells": 4}
METAL = ideal_metal(200e6)


def bend(tube: Sample, speed: float) -> None:
    """Throw a tube so that it bends, stretches and shears at once: the middle inward, the ends outward."""
    body = tube.body
    height = 0.5 * (body.level[1:, :1] + body.level[:-1, :1]) / body.level[-1, 0]
    body.speed[:] = -speed * np.cos(pi * height) * (1.0 + 0.1 * np.arange(body.speed.shape[1]))
    body.rise[1:] = 0.5 * speed * body.level[1:] / body.level[-1, 0] * np.cos(np.arange(body.rise.shape[1]))


def test_consistent_axial_mass_accelerates_as_a_bar_of_linear_elements() -> None:
    """Forces on the levels of a column accelerate them by the inverse of the consistent mass, the mid-plane held."""
    # m/3 at the ends of an element, m/6 between them (textbook, e.g. Hughes, The Finite Element Method, ch. 7).
    slices, cells = 5, 3
    tube = sample(0.009, 0.010, 0.03, cells, slices=slices)
    force = np.random.default_rng(3).normal(size=(slices + 1, cells))
    dt = 1e-12
    tube.step(dt, level_force=force)
    for k in range(cells):
        matrix = np.zeros((slices + 1, slices + 1))
        for s in range(slices):
            own = tube.body.cell_mass[s, k]
            matrix[s : s + 2, s : s + 2] += own / 6.0 * np.array([[2.0, 1.0], [1.0, 2.0]])
        exact = np.linalg.solve(matrix[1:, 1:], force[1:, k])
        # From rest the speed after the first step is that in its middle.
        assert tube.body.rise[1:, k] / (0.5 * dt) == pytest.approx(exact, rel=1e-9)
        assert tube.body.rise[0, k] == 0.0
    assert tube.body.cell_mass.sum() == pytest.approx(DENSITY * pi * (0.010**2 - 0.009**2) * 0.03, rel=1e-12)
    assert tube.body.node_mass.sum() == pytest.approx(tube.body.cell_mass.sum(), rel=1e-12)


@pytest.mark.parametrize("slices", [1, 2, 7])
def test_even_motion_has_the_energy_of_its_velocity_profile(slices: int) -> None:
    """A disc with v_r = v0 r/R and v_z = h' z/h has the kinetic energy of that profile, however it is sliced."""
    # Integral of rho v^2 / 2: rho V (v0^2 / 4 + h'^2 / 24).
    disc = sample(0.0, 0.012, 2e-3, 16, slices=slices)
    disc.body.speed[:] = -80.0 * disc.body.radius / 0.012
    disc.body.rise[:] = 60.0 * disc.body.level / 2e-3
    volume = pi * 0.012**2 * 2e-3
    assert disc.kinetic_energy == pytest.approx(DENSITY * volume * (80.0**2 / 4.0 + 60.0**2 / 24.0), rel=1e-3)


@pytest.mark.parametrize(
    ("inner_m", "cells", "slices"),
    [(0.0, 12, 1), (0.003, 8, 1), (0.003, 16, 1), (0.009, 8, 1), (0.0, 12, 3), (0.003, 8, 4), (0.009, 4, 6)],
)
def test_free_body_keeps_its_energy(inner_m: float, cells: int, slices: int) -> None:
    """A disc, ring or tube thrown about and left to itself keeps its energy: what motion loses, work gains."""
    body = sample(inner_m, 0.012, 2e-3 * slices, cells, METAL, slices=slices)
    state = body.body
    state.speed[:] = -100.0 * np.sin(200.0 * state.radius) * (1.0 + 0.2 * np.arange(slices)[:, None])
    state.rise[:] = 10.0 * np.cos(np.arange(cells) / cells) * np.arange(slices + 1)[:, None]
    before = body.kinetic_energy
    body.fly(30e-6)
    assert state.work[0] > 0.3 * before
    assert (slices > 1) == (np.abs(state.shear).max() > 0.0)
    assert body.energy == pytest.approx(before, rel=2e-3)


def rung_energy(share_of_step: float) -> Floats:
    """Energy of a bent tube that rings elastically, over the first, at every step of its ringing."""
    tube = sample(**TUBE, slices=6)
    bend(tube, 1.0)
    body, dt, energies = tube.body, share_of_step * tube.stable_step, []
    for _ in range(round(1200 / share_of_step)):
        speed, rise = body.speed.copy(), body.rise.copy()
        stored = tube.energy - tube.kinetic_energy
        tube.step(dt)
        # Speeds belong to half steps; the scheme's own energy has their product across the step.
        both = body._replace(speed=body.speed + speed, rise=body.rise + rise)
        change = body._replace(speed=body.speed - speed, rise=body.rise - rise)
        energies.append(0.25 * (kinetic_energy(both) - kinetic_energy(change)) + stored)
    assert np.abs(body.shear).max() > 1e5
    # The first step books viscosity whose force acts only in the second.
    return np.asarray(np.array(energies[1:]) / energies[1])


def test_bent_elastic_tube_keeps_its_energy() -> None:
    """A tube ringing in bending, stretch and shear keeps its energy to 0.05 %, at a quarter of the step to 0.01 %."""
    # Of the energy 2.4 % go into bulk viscosity, which is booked at the half step before its force acts. Nothing else
    # drifts: the leapfrog keeps this energy of a linear system exactly.
    whole, quarter = (float(np.abs(rung_energy(share) - 1.0).max()) for share in (1.0, 0.25))
    assert whole < 5e-4
    assert quarter < 1e-4


def test_momentum_is_kept_to_rounding() -> None:
    """Waves, shear and plastic flow in the upper end of a long tube leave its axial momentum as it was."""
    # Newton's third law: until a wave reaches the mid-plane, nothing outside pushes. The consistent mass lets each
    # slice feel its neighbour's push at 0.27 of it, so the mid-plane feels 1e-30 of what happens at the end.
    slices, cells = 80, 4
    tube = sample(0.009, 0.010, 0.16, cells, METAL, slices=slices)
    body = tube.body
    body.rise[-10:] = -50.0 * np.cos(np.arange(cells))
    body.speed[-10:] = 20.0 * np.sin(np.arange(10))[:, None]

    def momentum() -> float:
        return float((0.5 * body.cell_mass * (body.rise[1:] + body.rise[:-1])).sum())

    first = momentum()
    size = float((0.5 * body.cell_mass * np.abs(body.rise[1:] + body.rise[:-1])).sum())
    for _ in range(30):
        tube.step(tube.stable_step)
    assert body.work[0] > 0.0
    assert np.abs(body.shear).max() > 1e7
    assert momentum() == pytest.approx(first, abs=1e-13 * size)


@pytest.mark.parametrize("slices", [1, 4])
def test_work_of_the_forces_is_found_again(slices: int) -> None:
    """What forces on nodes and levels do along their way is the body's energy afterwards."""
    disc, work = sample(0.0, 0.012, 2e-3, 12, METAL, slices=slices), 0.0
    force = -4e5 * (disc.body.radius / 0.012) ** 4 / slices
    squeeze = np.zeros_like(disc.body.level)
    squeeze[-1] = np.linspace(0.0, -16e4, 12)
    for _ in range(400 if slices == 1 else 800):
        dt = disc.stable_step
        disc.step(dt, force, squeeze)
        work += dt * float((force * disc.body.speed).sum() + (squeeze * disc.body.rise).sum())
    assert disc.body.work[0] > 0.05 * work
    assert disc.energy == pytest.approx(work, rel=4e-3)


def squeezed(part: Sample, pressure_pa: float, time_s: float) -> Sample:
    """The part after a dead body load near its rim, worth this pressure there, and as long again without."""
    now, body = 0.0, part.body
    share = body.node_mass * (body.radius / body.radius[0, -1]) ** 6
    force = share / share.sum() * part.rim_force(pressure_pa).sum()
    while now < 2.0 * time_s:
        dt = part.stable_step
        part.step(dt, force if now < time_s else None)
        now += dt
    return part


@pytest.mark.parametrize(
    ("inner_m", "thickness_m", "pressure_pa"),
    [(0.0, 3e-3, 350e6), (0.006, 4e-3, 180e6), (0.009, 0.02, 60e6)],
    ids=["disc", "washer", "tube"],
)
def test_slices_under_an_even_load_move_like_one(inner_m: float, thickness_m: float, pressure_pa: float) -> None:
    """A part cut into four slices under a load even along its axis shrinks, in the mean, like one within 2 %."""
    one, four = (
        squeezed(sample(inner_m, 0.010, thickness_m, 8, METAL, slices=slices), pressure_pa, 11e-6) for slices in (1, 4)
    )
    rim = one.body.radius[0, -1]
    way = 0.010 - rim
    assert way > 0.4e-3
    assert four.body.radius[:, -1].mean() == pytest.approx(rim, abs=0.02 * way)
    # Shear lets the end lag a little behind the middle or run ahead of it, which one slice cannot.
    assert four.body.radius[:, -1] == pytest.approx(np.full(4, rim), abs=0.08 * way)
    assert four.thickness == pytest.approx(one.thickness, rel=1e-2)


def test_cladding_with_the_same_metal_changes_nothing() -> None:
    """Slices of two metals with the same constants move exactly as slices of one."""
    metals = np.array([0, 1, 1, 0, 1])
    plain = sample(0.003, 0.012, 0.01, 6, METAL, slices=5)
    clad = clad_sample(0.003, 0.012, 0.01, 6, (METAL, METAL), metals)
    for part in (plain, clad):
        bend(part, 150.0)
        part.fly(10e-6)
    assert plain.body.work[0] > 0.0
    for name in ("radius", "level", "speed", "rise", "shear", "deviator", "strain", "heat"):
        assert np.array_equal(getattr(plain.body, name), getattr(clad.body, name)), name


def test_clad_disc_shares_the_load_by_stiffness() -> None:
    """A clad disc pressed evenly in its plane shrinks as one of the mean stiffness of its layers."""
    # Both layers have the same Poisson's ratio and are tied together: u / r = -p (1 - nu) / mean E (rule of mixtures).
    pressure, stiff = (
        50e6,
        ELASTIC._replace(
            bulk_modulus=3.0 * ELASTIC.bulk_modulus,
            shear_modulus=3.0 * ELASTIC.shear_modulus,
            youngs_modulus=3.0 * ELASTIC.youngs_modulus,
        ),
    )
    disc = clad_sample(0.0, 0.012, 2e-3, 12, (ELASTIC, stiff), np.array([0, 1]))
    disc.press(pressure, 0.0, steps=5000, damping=0.98)
    shrinking = pressure * (1.0 - 0.34) / (2.0 * ELASTIC.youngs_modulus)
    middle = 1.0 - disc.body.radius[:, 1:7] / (0.012 * np.arange(1, 7) / 12)
    assert middle == pytest.approx(np.full((2, 6), shrinking), rel=1e-3)
