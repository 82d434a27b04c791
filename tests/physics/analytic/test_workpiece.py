"""Motion of workpiece and turns against closed forms of plasticity: thrown, squeezed, collapsing."""

from __future__ import annotations

from math import exp, log, pi, sqrt

import numpy as np
import pytest

from physics.deformation import advance
from physics.turns import advance_turns, make_turns
from tests.physics.bodies import DENSITY, NEARLY_RIGID_PA, UNMOVABLE_KG, Sample, ideal_metal, sample


def square_ring(radius: float, width: float, density: float, yield_pa: float) -> Sample:
    """A thin ring of one cell, as high as it is wide (m)."""
    metal = ideal_metal(yield_pa, NEARLY_RIGID_PA, density)
    return sample(radius - 0.5 * width, radius + 0.5 * width, width, 1, metal)


# Rings thrown inward or outward: half rho v^2 = Y |ln(r/r0)|, work against energy.


@pytest.mark.parametrize(
    ("density", "yield_pa", "radius_m", "speed_m_per_s", "ratio"),
    [
        # Closed form, evaluated: r0 = 20 mm, 2700 kg/m^3, 120 MPa, 200 m/s ends at 12.75 mm.
        (2700.0, 120e6, 0.020, 200.0, 12.75 / 20.0),
        # Closed form, evaluated for copper and 250 MPa at 50, 100 and 200 m/s.
        (8960.0, 250e6, 0.016, 50.0, 0.95619),
        (8960.0, 250e6, 0.016, 100.0, 0.83594),
        (8960.0, 250e6, 0.016, 200.0, 0.48831),
    ],
)
def test_thrown_ring_stops_where_its_energy_is_spent(
    density: float, yield_pa: float, radius_m: float, speed_m_per_s: float, ratio: float
) -> None:
    """A thin ideally plastic ring thrown inward comes to rest where plastic work has used up its energy."""
    ring = square_ring(radius_m, 4e-4, density, yield_pa)
    ring.body.speed[:] = -speed_m_per_s
    # It slows down evenly at first, Y / (rho r), and faster as it gets smaller.
    flight = ring.fly(1.05 * speed_m_per_s * density * radius_m / yield_pa)
    assert ratio == pytest.approx(exp(-density * speed_m_per_s**2 / (2.0 * yield_pa)), rel=3e-4)
    assert flight.mean_radius_m.min() / radius_m == pytest.approx(ratio, rel=1e-3)
    # The wall thickens in both directions; the equivalent strain is the hoop's.
    assert ring.body.strain[0, 0] == pytest.approx(-log(ratio), rel=5e-3)


@pytest.mark.parametrize(
    ("speed_m_per_s", "ratio"),
    # Closed form exp(rho v^2 / 2Y), evaluated for copper and 250 MPa.
    [(50.0, 1.04582), (100.0, 1.19626), (200.0, 2.04787), (300.0, 5.01684)],
)
def test_thrown_turn_stops_where_its_energy_is_spent(speed_m_per_s: float, ratio: float) -> None:
    """A turn thrown outward comes to rest where plastic work has used up its energy."""
    turns, metal = make_turns(np.array([0.016]), 1e-7, DENSITY), ideal_metal(250e6, NEARLY_RIGID_PA)
    turns.speed[:] = speed_m_per_s
    energy = 0.5 * turns.mass[0] * speed_m_per_s**2
    dt = 0.05 * 0.016 / sqrt(NEARLY_RIGID_PA / DENSITY)
    while turns.speed[0] > 0.0:
        advance_turns(turns, metal, np.zeros(1), np.ones(1), 0.0, dt)
    assert turns.radius[0] / 0.016 == pytest.approx(ratio, rel=1e-3)
    assert turns.work[0] == pytest.approx(energy, rel=3e-3)


def test_thrown_turn_slows_as_its_hoop_stress_says() -> None:
    """A plastic turn in free flight slows down by Y / (rho r)."""
    # Closed form, evaluated: 250 MPa, 16 mm, copper: 1.74386e6 m/s^2.
    turns, metal, dt = make_turns(np.array([0.016]), 1e-7, DENSITY), ideal_metal(250e6, NEARLY_RIGID_PA), 1e-9
    turns.speed[:] = 200.0
    speeds = []
    for _ in range(40):
        advance_turns(turns, metal, np.zeros(1), np.ones(1), 0.0, dt)
        speeds.append(turns.speed[0])
    assert (speeds[19] - speeds[39]) / (20 * dt) == pytest.approx(1.74386e6, rel=1e-3)


# Limit loads.


@pytest.mark.parametrize("yield_pa", [70e6, 250e6, 400e6])
def test_disc_yields_when_the_edge_pressure_is_its_yield_stress(yield_pa: float) -> None:
    """A thin disc pressed all round its edge yields at a pressure equal to its yield stress."""
    # Plane stress, sigma_r = sigma_theta = -p: p = Y after Tresca and von Mises alike. Elastic shrinking in between
    # makes the disc thicker by a per mille.
    strains = []
    for share in (0.99, 1.01):
        disc = sample(0.0, 0.012, 2e-3, 8, ideal_metal(yield_pa))
        disc.press(share * yield_pa, 0.0, steps=4000, damping=0.98)
        strains.append(disc.body.strain.copy())
    assert strains[0].max() == 0.0
    assert strains[1].min() > 0.0


@pytest.mark.parametrize(
    ("outer_over_bore", "collapse_pa"),
    # Hill, Mathematical Theory of Plasticity (1950): 2/sqrt(3) Y ln(b/a) in plane strain; Y = 250 MPa, evaluated.
    [(1.5, 117.048e6), (2.0, 200.094e6), (3.0, 317.142e6)],
)
def test_thick_ring_collapses_at_its_limit_pressure(outer_over_bore: float, collapse_pa: float) -> None:
    """A thick ring held at its thickness stays put 2 % below Hill's limit pressure and collapses 2 % above."""
    assert collapse_pa == pytest.approx(2.0 / sqrt(3.0) * 250e6 * log(outer_over_bore), rel=5e-6)
    speeds = []
    for share in (0.98, 1.02):
        pressure = share * collapse_pa
        ring = sample(0.01, 0.01 * outer_over_bore, 0.01, 12, ideal_metal(250e6, NEARLY_RIGID_PA))
        ring.hold_heights()
        ring.press(pressure, 0.0, steps=3000, damping=0.98)
        force = np.zeros((1, 13))
        for _ in range(1000):
            force[:, -1] = ring.rim_force(pressure)
            ring.step(ring.stable_step, force)
        speeds.append(-ring.body.speed[0, -1])
    assert speeds[1] > 0.3
    assert abs(speeds[0]) < 0.1 * speeds[1]


def test_limit_pressure_is_found_by_bisection() -> None:
    """Between pressures that hold and pressures that do not lies Hill's limit, within a per cent."""
    # 2/sqrt(3) 250 MPa ln 2 = 200.094 MPa (Hill 1950). The strain of a collapse grows without end.
    low, high = 150e6, 250e6
    while high - low > 1e6:
        pressure = 0.5 * (low + high)
        ring = sample(0.01, 0.02, 0.01, 12, ideal_metal(250e6, NEARLY_RIGID_PA))
        ring.hold_heights()
        ring.press(pressure, 0.0, steps=1200, damping=0.97)
        before = ring.body.strain[0, -1]
        force = np.zeros((1, 13))
        for _ in range(400):
            force[:, -1] = ring.rim_force(pressure)
            ring.step(ring.stable_step, force)
        low, high = (low, pressure) if ring.body.strain[0, -1] > before + 1e-4 else (pressure, high)
    assert 0.5 * (low + high) == pytest.approx(200.094e6, rel=0.01)


# Plastic discs.


@pytest.mark.parametrize("speed_m_per_s", [50.0, 100.0, 200.0])
def test_thrown_disc_spends_its_energy_as_plastic_work(speed_m_per_s: float) -> None:
    """A thin disc thrown inward evenly ends with a mean strain that takes up all of its energy."""
    # Kinetic energy rho v0^2 / 4 a volume for v = v0 r/R, plastic work Y a strain: strain = rho v0^2 / 4 Y. (The
    # closed form for its size assumes that the strain stays even, which a free rim does not allow.)
    radius, yield_pa = 0.012, 250e6
    disc = sample(0.0, radius, 2e-4, 8, ideal_metal(yield_pa, NEARLY_RIGID_PA))
    body = disc.body
    body.speed[:] = -speed_m_per_s * body.radius / radius
    body.rise[:] = 2.0 * speed_m_per_s / radius * body.level
    thrown = disc.kinetic_energy
    disc.fly(0.8 * DENSITY * radius * speed_m_per_s / yield_pa)
    mean_strain = float((body.strain * body.cell_mass).sum() / body.cell_mass.sum())
    assert mean_strain == pytest.approx(DENSITY * speed_m_per_s**2 / (4.0 * yield_pa), rel=1e-2)
    assert disc.energy == pytest.approx(thrown, rel=1e-4)
    volume = pi * np.diff(body.radius[0] ** 2) * disc.thickness
    assert volume == pytest.approx(body.first_volume[0], rel=2e-3)


def test_even_squeeze_thickens_the_disc() -> None:
    """A disc squeezed evenly to 0.8 of its diameter is 1/0.64 of its thickness, and as strained as 2 ln(1/0.8)."""
    # Volume kept: 1 / s^2 = 1.5625; equivalent strain 2 ln(1/s) (textbook).
    disc = sample(0.0, 0.01, 1e-3, 4, ideal_metal(100e6))
    body = disc.body
    # Masses that nothing stops: radii shrink as they are told, the thickness is free to follow.
    body.node_mass[:] = UNMOVABLE_KG
    steps, dt = 4000, 0.5 * disc.stable_step
    rate = (0.8 ** (1.0 / steps) - 1.0) / dt
    body.rise[:] = -2.0 * rate * body.level
    for _ in range(steps):
        body.speed[:] = rate * body.radius
        disc.step(dt)
    assert body.radius[0, -1] == pytest.approx(0.8 * 0.01, rel=1e-12)
    assert disc.thickness / 1e-3 == pytest.approx(np.full(4, 1.5625), rel=2e-3)
    assert body.strain == pytest.approx(np.full((1, 4), 2.0 * log(1.0 / 0.8)), rel=5e-3)


def test_plastic_work_warms_by_its_share() -> None:
    """The heat of a thrown ring is 0.9 of its plastic work, viscous work whole (Taylor & Quinney 1934)."""
    ring = square_ring(0.016, 4e-4, DENSITY, 250e6)
    ring.body.speed[:] = -100.0
    ring.fly(20e-6)
    heat, work = float((ring.body.heat * ring.body.cell_mass).sum()), float(ring.body.work[0])
    assert work > 0.0
    # A thin ring that thickens as it shrinks changes no volume, so viscosity has next to nothing to do.
    assert heat == pytest.approx(0.9 * work, rel=2e-3)


@pytest.mark.parametrize("way", ["width", "height"])
def test_step_that_would_crush_a_cell_is_not_made(way: str) -> None:
    """A cell may lose nine tenths of its width or height in one step; not 97 hundredths, for which nothing happens."""
    for lost, made in ((0.9, True), (0.97, False)):
        part, dt = sample(0.005, 0.010, 2e-3, 5, slices=2), 1e-9
        body, cold = part.body, np.ones_like(part.body.pressure)
        if way == "width":
            body.speed[1, 2:] = -lost * 1e-3 / dt
        else:
            body.rise[2, 3] = -lost * 5e-4 / dt
        states = body.radius, body.level, body.pressure, body.deviator, body.shear, body.heat, body.work
        before = [state.copy() for state in states]
        still = np.zeros_like(body.radius), np.zeros_like(body.level)
        assert advance(body, part.strengths, *still, cold, 0.9, dt) is made
        assert all(map(np.array_equal, states, before)) is not made
