"""Layers of a coil that run into each other: who touches whom, momentum, and the energy that an impact takes."""

from __future__ import annotations

from math import pi, sqrt

import numpy as np
import pytest
from numpy.typing import NDArray

from physics.bundle import USUAL
from physics.mesh import mesh_coil
from physics.motion import pieces_of_turns
from physics.turns import Contacts, Turns, advance_turns, find_contacts, kick_turns, make_turns, turns_kinetic_energy
from physics.winding import Winding
from tests.physics.bodies import DENSITY, ideal_metal

Floats = NDArray[np.float64]

#: So soft that hoop stress counts for nothing beside the speeds here.
SOFT = ideal_metal(1.0, 1e6)


def pair(outer_area: float, gap: float, weights: tuple[float, float]) -> Turns:
    """Two turns that touch when their radii are 1 mm apart, `gap` (m) before they do."""
    contacts = Contacts(np.zeros(1, dtype=np.int64), np.ones(1, dtype=np.int64), np.array([1e-3]))
    turns = make_turns(np.array([0.02, 0.021 + gap]), 1e-6, DENSITY, np.array(weights), contacts)
    turns.mass[1] *= outer_area / 1e-6
    return turns


def advance(turns: Turns, steps: int, force: Floats | None = None, dt: float = 1e-8) -> None:
    for _ in range(steps):
        advance_turns(turns, SOFT, np.zeros(2) if force is None else force, np.ones(2), 0.9, dt)


def momentum(turns: Turns) -> float:
    return float((turns.weight * turns.mass * turns.speed).sum())


@pytest.mark.parametrize("weights", [(1.0, 1.0), (2.0, 2.0), (1.0, 2.0)])
@pytest.mark.parametrize("outer_area", [1e-6, 3e-6])
def test_colliding_turns_share_their_momentum(outer_area: float, weights: tuple[float, float]) -> None:
    """A turn that runs into the next layer's goes on with it at m1 v1 / (m1 + m2); what is lost is booked as work."""
    # Perfectly inelastic impact (textbook): loss = m1 m2 / (2 (m1 + m2)) v1^2.
    turns = pair(outer_area, 1e-6, weights)
    turns.speed[0] = 100.0
    inner, outer = turns.weight * turns.mass
    before = turns_kinetic_energy(turns)
    advance(turns, 10)
    common = 100.0 * inner / (inner + outer)
    # A hoop stress of one pascal slows them by a millionth at most.
    assert turns.speed == pytest.approx(np.full(2, common), rel=1e-6)
    lost = 0.5 * inner * outer / (inner + outer) * 100.0**2
    assert float((turns.weight * turns.work).sum()) == pytest.approx(lost, rel=1e-6)
    assert turns_kinetic_energy(turns) + (turns.weight * turns.work).sum() == pytest.approx(before, rel=1e-6)


def test_turns_apart_do_not_feel_each_other() -> None:
    """Nothing happens before they touch, nor when they move apart."""
    turns = pair(1e-6, 1e-3, (2.0, 2.0))
    turns.speed[0] = 100.0
    advance(turns, 500)
    assert turns.speed == pytest.approx([100.0, 0.0], abs=1e-3)
    apart = pair(1e-6, 0.0, (2.0, 2.0))
    apart.speed[1] = 100.0
    advance(apart, 10)
    assert apart.speed == pytest.approx([0.0, 100.0], abs=1e-3)


@pytest.mark.parametrize("dt", [1e-8, 1e-7])
def test_turns_pushed_together_lose_nothing(dt: float) -> None:
    """Turns that lie on each other are pushed as one mass, and the force's work is all kinetic, at any step."""
    turns, force = pair(2e-6, -1e-9, (2.0, 2.0)), np.array([5e3, 0.0])
    steps = round(1e-5 / dt)
    advance(turns, steps, force, dt)
    # Speeds stand in the middle of the last step.
    expected = 5e3 * (steps - 0.5) * dt / turns.mass.sum()
    assert turns.speed == pytest.approx(np.full(2, expected), rel=1e-5)
    kinetic, lost = turns_kinetic_energy(turns), float((turns.weight * turns.work).sum())
    assert lost < 1e-5 * kinetic


def test_turns_kicked_together_lose_nothing() -> None:
    """A push between two steps moves turns that lie on each other as one mass; the next step finds no impact."""
    turns = pair(2e-6, -1e-9, (2.0, 2.0))
    # As an impact left it.
    turns.speed_before[0] = 100.0
    for _ in range(100):
        kick_turns(turns, np.array([5e3, 0.0]), 1e-7)
        advance(turns, 1, dt=1e-7)
    assert turns.speed == pytest.approx(np.full(2, 5e3 * 1e-5 / turns.mass.sum()), rel=1e-5)
    assert float((turns.weight * turns.work).sum()) < 1e-5 * turns_kinetic_energy(turns)


@pytest.mark.parametrize("masses", [(1.0, 1.0, 1.0), (2.0, 1.0, 3.0)])
def test_a_turn_that_runs_into_two_at_once_keeps_the_energy(masses: tuple[float, float, float]) -> None:
    """Both of the next layer are met in one step: momentum stays, and what motion loses is booked, no more."""
    both = Contacts(np.zeros(2, dtype=np.int64), np.array([1, 2], dtype=np.int64), np.full(2, 1e-3))
    turns = make_turns(np.array([0.02, 0.021, 0.021]), 1e-6, DENSITY, None, both)
    turns.mass[:] *= np.array(masses)
    turns.speed[0] = 100.0
    before, carried = turns_kinetic_energy(turns), momentum(turns)
    for _ in range(20):
        advance_turns(turns, SOFT, np.zeros(3), np.ones(3), 0.9, 1e-8)
    assert (turns.speed > 20.0).all()
    assert momentum(turns) == pytest.approx(carried, rel=1e-6)
    assert turns_kinetic_energy(turns) + float(turns.work.sum()) == pytest.approx(before, rel=1e-6)


def test_a_stack_of_layers_moves_as_one() -> None:
    """The innermost turn of a stack of four that touch takes all along at a quarter of its speed; no energy is lost."""
    index = np.arange(3, dtype=np.int64)
    radius = np.linspace(0.02, 0.023, 4)
    turns = make_turns(radius, 1e-6, DENSITY, None, Contacts(index, index + 1, np.full(3, 1e-3)))
    turns.mass[:] = turns.mass[0]
    turns.speed[0] = 100.0
    before = turns_kinetic_energy(turns)
    for _ in range(20):
        advance_turns(turns, SOFT, np.zeros(4), np.ones(4), 0.9, 1e-8)
    assert turns_kinetic_energy(turns) + float(turns.work.sum()) == pytest.approx(before, rel=1e-6)
    assert momentum(turns) == pytest.approx(100.0 * turns.mass[0], rel=1e-6)
    assert turns.speed == pytest.approx(np.full(4, 25.0), rel=0.01)


@pytest.mark.parametrize(("turns", "pairs"), [(10, 3), (11, 5), (12, 3)])
def test_neighbours_of_round_wire_touch_at_its_diameter(turns: int, pairs: int) -> None:
    """Wires in two layers touch where their centres are a layer pitch apart: those above one another, or in between."""
    # Even layers lie turn over turn, an odd one between two of an even one.
    winding = Winding(turns, 2, 1e-3, 1e-3, 1e-3, 1e-3, is_round=True)
    coil = mesh_coil(winding, 9e-3, 1e-3, 3e-4, USUAL)
    found = find_contacts(coil.turn_layer, coil.turn_z_m, 1e-3, 1e-3, is_round=True)
    apart = coil.turn_z_m[found.outer] - coil.turn_z_m[found.inner]
    assert np.hypot(found.distance, apart) == pytest.approx(np.full(found.inner.size, 1e-3))
    assert (coil.turn_layer[found.outer] - coil.turn_layer[found.inner] == 1).all()
    assert found.inner.size == pairs


def test_strips_touch_face_to_face() -> None:
    """Strips that overlap along the axis touch at the layer pitch, whatever their offset; others do not."""
    layer, height = np.array([0, 0, 1, 1]), np.array([0.0, 3e-3, 1e-3, 6.5e-3])
    found = find_contacts(layer, height, 1.2e-3, 3e-3, is_round=False)
    assert list(zip(found.inner, found.outer, strict=True)) == [(0, 2), (1, 2)]
    assert found.distance == pytest.approx([1.2e-3, 1.2e-3])
    round_ones = find_contacts(layer, height, 1.2e-3, 1.2e-3, is_round=True)
    assert round_ones.distance == pytest.approx([sqrt(1.2**2 - 1.0) * 1e-3])


@pytest.mark.parametrize("dt", [1e-12, 1e-9, 1e-8, 1e-6])
def test_turns_that_ring_alone_are_stepped_sixty_times_a_period(dt: float) -> None:
    """A hoop rings at sqrt(E / density) / r (textbook). Many steps of the part make one of theirs."""
    apart = make_turns(np.array([0.03, 0.02]), 1e-6, DENSITY)
    period = 2.0 * pi * 0.02 * sqrt(DENSITY / SOFT.youngs_modulus)
    together = pieces_of_turns.py_func(apart, SOFT, dt)
    assert together == 1 or together * dt < period / 60.0
    assert together * dt > period / 70.0
    # Turns that may run into each other move with the part, or one would pass through the next.
    assert pieces_of_turns.py_func(pair(1e-6, 1e-3, (1.0, 1.0)), SOFT, dt) == 1
