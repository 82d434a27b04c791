"""Elastic bodies against closed forms: pressed discs, rings and tubes, vibration, waves along radius and axis."""

from __future__ import annotations

from math import pi, sqrt

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import jv

from physics.turns import advance_turns, make_turns
from tests.physics.bodies import DENSITY, ELASTIC, POISSON, UNBREAKABLE_PA, YOUNG_PA, ideal_metal, sample, upward_zeros

Floats = NDArray[np.float64]

# At rest under load.


@pytest.mark.parametrize(
    ("outer_over_bore", "outer_pa", "inner_pa", "bore_hoop_pa"),
    [
        # Lame (Timoshenko), evaluated: hoop stress at the bore under 100 MPa inside, then outside.
        (1.5, 0.0, 100e6, 260e6),
        (2.0, 0.0, 100e6, 166.667e6),
        (3.0, 0.0, 100e6, 125e6),
        (1.5, 100e6, 0.0, -360e6),
        (2.0, 100e6, 0.0, -266.667e6),
        (3.0, 100e6, 0.0, -225e6),
    ],
)
def test_thick_ring_under_pressure(
    outer_over_bore: float, outer_pa: float, inner_pa: float, bore_hoop_pa: float
) -> None:
    """A thick elastic ring under pressure has Lame's stresses at every radius, and none along its axis."""
    bore, rim, cells = 0.01, 0.01 * outer_over_bore, 24
    # Stiff enough that the ring keeps its size.
    ring = sample(bore, rim, 0.01, cells, ideal_metal(UNBREAKABLE_PA, 100.0 * YOUNG_PA))
    ring.press(outer_pa, inner_pa, steps=3000, damping=0.985)
    even = (inner_pa * bore**2 - outer_pa * rim**2) / (rim**2 - bore**2)
    curved = (inner_pa - outer_pa) * bore**2 * rim**2 / (rim**2 - bore**2)
    assert even + curved / bore**2 == pytest.approx(bore_hoop_pa, rel=2e-6)
    body = ring.body
    middle = 0.5 * (body.radius[0, :-1] + body.radius[0, 1:])
    radial, hoop, axial = body.deviator[:, 0] - body.pressure[0]
    # The error is the mesh's, (width / bore)^2; it is largest at the bore of the thickest ring.
    tolerance = 2e-3 * abs(bore_hoop_pa)
    assert radial == pytest.approx(even - curved / middle**2, abs=tolerance)
    assert hoop == pytest.approx(even + curved / middle**2, abs=tolerance)
    assert axial == pytest.approx(np.zeros(cells), abs=tolerance)


def test_disc_under_edge_pressure() -> None:
    """An elastic disc pressed all round its edge shrinks by p (1 - nu) / E everywhere and thickens by 2 nu p / E."""
    # Plane stress, sigma_r = sigma_theta = -p (Timoshenko & Goodier, Theory of Elasticity, Lame without a bore).
    pressure = 60e6
    disc = sample(0.0, 0.012, 2e-3, 12)
    at_rest = disc.body.radius[0, 1:].copy()
    disc.press(pressure, 0.0, steps=4000, damping=0.98)
    shrinking = pressure * (1.0 - POISSON) / YOUNG_PA
    assert 1.0 - disc.body.radius[0, 1:] / at_rest == pytest.approx(np.full(12, shrinking), rel=2e-3)
    assert disc.thickness / 2e-3 - 1.0 == pytest.approx(np.full(12, 2.0 * POISSON * pressure / YOUNG_PA), rel=2e-3)
    radial, hoop, axial = disc.body.deviator[:, 0] - disc.body.pressure[0]
    assert radial == pytest.approx(np.full(12, -pressure), rel=2e-3)
    assert hoop == pytest.approx(np.full(12, -pressure), rel=2e-3)
    assert axial == pytest.approx(np.zeros(12), abs=1e-3 * pressure)


@pytest.mark.parametrize(
    ("cells", "softer"),
    # Ours over the shell theory's less one. n cells through the wall bend like 1 - 1/n^2 of a plate, and the dent goes
    # with the fourth root: 3.0, 0.7, 0.2 %. The rest is what the theory of thin shells leaves out: shear gives
    # b^2 D / (5/6 G h) = 2.5 % here, and the wall is 1/20 of the radius.
    [(3, 0.072), (6, 0.049), (12, 0.044)],
)
def test_tube_is_dented_by_a_ring_load(cells: int, softer: float) -> None:
    """A long tube gives way under a ring load by a few per cent more than a thin shell, less so with more cells."""
    # w = P / (8 b^3 D) exp(-b z) (cos b z + sin b z), b^4 = 3 (1 - nu^2) / (a^2 h^2), D = E h^3 / (12 (1 - nu^2)):
    # Timoshenko & Woinowsky-Krieger, Theory of Plates and Shells, art. 114 (memory, high).
    radius, wall, load = 0.02, 1e-3, 1e3
    decay = (3.0 * (1.0 - POISSON**2)) ** 0.25 / sqrt(radius * wall)
    deepest = load / (8.0 * decay**3 * YOUNG_PA * wall**3 / (12.0 * (1.0 - POISSON**2)))
    tube = sample(radius - 0.5 * wall, radius + 0.5 * wall, 8.0 / decay, cells, slices=12)
    force = np.zeros_like(tube.body.radius)
    force[0, :] = -load * 2.0 * pi * radius / (cells + 1)
    period = 2.0 * pi * radius / sqrt(YOUNG_PA / DENSITY) / tube.stable_step
    tube.settle(lambda share: share * force, steps=round(5.0 * period), damping=1.0 - pi / period)
    dent = radius - tube.body.radius.mean(axis=1)
    z = 0.5 * (tube.body.level[1:, 0] + tube.body.level[:-1, 0])

    def shell(distance: Floats) -> Floats:
        y = decay * np.abs(distance)
        return np.asarray(deepest * np.exp(-y) * (np.cos(y) + np.sin(y)))

    # Half the load stands at the middle of the first slice, half at its mirror image.
    theory = 0.5 * (shell(z - z[0]) + shell(z + z[0]))
    assert dent[0] / theory[0] - 1.0 == pytest.approx(softer, abs=0.006)
    assert dent == pytest.approx(theory, abs=1.05 * softer * deepest)


# Free vibration.


def test_thin_ring_breathes_at_the_wave_speed() -> None:
    """A thin elastic ring breathes once in the time a wave takes round it."""
    # Closed form: period 2 pi R / sqrt(E/rho) (Timoshenko, Vibration Problems in Engineering).
    period = 2.0 * pi * 0.02 / sqrt(YOUNG_PA / DENSITY)
    ring = sample(0.02 - 2e-4, 0.02 + 2e-4, 4e-4, 1)
    ring.body.speed[:] = -1.0
    flight = ring.fly(2.2 * period)
    found = np.diff(upward_zeros(flight.time_s, flight.mean_radius_m - 0.02))
    assert found == pytest.approx(period, rel=1e-3)
    turns, dt, rows = make_turns(np.array([0.02]), 1e-7, DENSITY), period / 400, []
    turns.speed[:] = -1.0
    for k in range(900):
        advance_turns(turns, ELASTIC, np.zeros(1), np.ones(1), 0.0, dt)
        rows.append((k * dt, turns.radius[0] - 0.02))
    found = np.diff(upward_zeros(*np.array(rows).T))
    assert found == pytest.approx(period, rel=1e-3)


def test_thin_disc_breathes_in_its_radial_mode() -> None:
    """A thin elastic disc vibrates radially at the root of its Bessel equation, the better the finer the mesh."""
    # Plane stress: x J0(x) = (1 - nu) J1(x), omega = x/R sqrt(E / rho (1 - nu^2)) (Love, Theory of Elasticity).
    root = brentq(lambda x: x * jv(0, x) - (1.0 - POISSON) * jv(1, x), 1.5, 2.4)
    period = 2.0 * pi * 0.02 / (root * sqrt(YOUNG_PA / (DENSITY * (1.0 - POISSON**2))))
    errors = []
    for cells in (8, 16):
        disc = sample(0.0, 0.02, 4e-4, cells)
        disc.body.speed[:] = -jv(1, root * disc.body.radius / 0.02)
        flight = disc.fly(1.3 * period)
        # It starts at its size and inward: the first passage outward is half a period later, the next a whole one.
        first = upward_zeros(flight.time_s, flight.outer_radius_m - 0.02)[0]
        errors.append(first / (0.5 * period) - 1.0)
    assert abs(errors[1]) < 2e-3
    assert abs(errors[1]) < 0.5 * abs(errors[0])


def test_wave_crosses_a_wall_at_the_dilatational_speed() -> None:
    """A wall held along its axis rings at sqrt((K + 4/3 G) / rho), 4540 m/s here, of second order in the cells."""
    # Thickness mode of a free plate: f = c / 2 w, c the dilatational speed (Love; Kolsky, Stress Waves in Solids).
    speed = sqrt((ELASTIC.bulk_modulus + 4.0 / 3.0 * ELASTIC.shear_modulus) / DENSITY)
    radius, wall, errors = 1.0, 2e-3, []
    period = 2.0 * wall / speed
    for cells in (8, 16):
        ring = sample(radius - 0.5 * wall, radius + 0.5 * wall, 1e-3, cells)
        ring.hold_heights()
        depth = (ring.body.radius - radius) / wall
        ring.body.speed[:] = -np.sin(pi * depth)
        flight = ring.fly(1.1 * period)
        grown = flight.outer_radius_m - flight.mean_radius_m - 0.5 * wall
        errors.append(upward_zeros(flight.time_s, grown)[0] / (0.5 * period) - 1.0)
    assert speed == pytest.approx(4540.0, rel=1e-3)
    assert abs(errors[1]) < 1e-3
    assert errors[0] / errors[1] == pytest.approx(4.0, rel=0.25)


def test_wave_runs_along_a_tube_at_the_bar_speed() -> None:
    """A thin tube rings along its axis as the membrane theory says, near the bar speed sqrt(E / rho), 3660 m/s here."""
    # Membrane shell, u = sin kz, w = cos kz, W^2 = rho (1 - nu^2) a^2 omega^2 / E:
    # (k^2 a^2 - W^2) (1 - W^2) = nu^2 k^2 a^2, free ends at k z = +-pi/2 (Love 1927; the algebra done again here).
    radius, wall, length = 0.01, 5e-4, 0.08
    wave = pi / length * radius
    square = wave**2 + 1.0
    frequency = sqrt(0.5 * (square - sqrt(square**2 - 4.0 * wave**2 * (1.0 - POISSON**2))))
    period = 2.0 * pi * radius / (frequency * sqrt(YOUNG_PA / (DENSITY * (1.0 - POISSON**2))))
    bar = 2.0 * length / sqrt(YOUNG_PA / DENSITY)
    assert period == pytest.approx(bar, rel=0.02)
    errors = []
    for slices in (4, 8):
        tube = sample(radius - 0.5 * wall, radius + 0.5 * wall, length, 3, slices=slices)
        tube.body.rise[:] = np.sin(pi * tube.body.level / length)
        flight = tube.fly(1.1 * period)
        errors.append(-upward_zeros(flight.time_s, 0.5 * length - flight.half_height_m)[0] / (0.5 * period) + 1.0)
    assert abs(errors[1]) < 1e-3
    assert abs(errors[1]) < 0.25 * abs(errors[0])
