"""Motion of workpiece and turns against closed forms of mechanics: elastic, plastic, and thrown."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log, pi, sqrt

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import jv

from physics.plasticity import Strength
from physics.radial import Body, advance, elastic_energy, kinetic_energy, make_body, stable_step
from physics.turns import advance_turns, make_turns

Floats = NDArray[np.float64]

DENSITY = 8960.0
YOUNG_PA, POISSON = 120e9, 0.34
#: So stiff that elastic strain hardly counts beside plastic strain: the closed forms are rigid-plastic.
NEARLY_RIGID_PA = 10.0 * YOUNG_PA
UNBREAKABLE_PA = 1e15


def ideal_metal(yield_pa: float, young_pa: float = YOUNG_PA, density: float = DENSITY) -> Strength:
    """Perfectly plastic, neither hardening nor softening."""
    return Strength(
        density=density,
        bulk_modulus=young_pa / (3.0 * (1.0 - 2.0 * POISSON)),
        shear_modulus=young_pa / (2.0 * (1.0 + POISSON)),
        youngs_modulus=young_pa,
        a=yield_pa,
        b=0.0,
        n=1.0,
        c=0.0,
        m=1.0,
        reference_rate=1.0,
        reference_temperature=293.0,
        melting_temperature=1e9,
    )


@dataclass(frozen=True, eq=False)
class Flight:
    """Time (s), mean radius and outer radius (m) of a body."""

    time_s: Floats
    mean_radius_m: Floats
    outer_radius_m: Floats


def fly(body: Body, strength: Strength, time_s: float) -> Flight:
    """Let a body move freely."""
    cells = body.thickness.size
    nothing, cold = (np.zeros(cells + 1), np.zeros(cells)), np.full(cells, 293.0)
    rows, now = [], 0.0
    while now < time_s:
        dt = stable_step(body, strength)
        assert advance(body, strength, *nothing, cold, 0.0, dt)
        now += dt
        rows.append((now, 0.5 * (body.radius[0] + body.radius[-1]), body.radius[-1]))
    return Flight(*np.array(rows).T)


def press(body: Body, strength: Strength, outer_pa: float, inner_pa: float, steps: int, damping: float) -> None:
    """Raise pressures on rim and bore over half the steps, hold them, and damp all motion on the way."""
    cells, cold = body.thickness.size, np.full(body.thickness.size, 293.0)
    for k in range(steps):
        share, force = min(1.0, 2.0 * k / steps), np.zeros(cells + 1)
        force[0] = share * inner_pa * 2.0 * pi * body.radius[0] * body.thickness[0]
        force[-1] = -share * outer_pa * 2.0 * pi * body.radius[-1] * body.thickness[-1]
        assert advance(body, strength, force, np.zeros(cells), cold, 0.0, stable_step(body, strength))
        body.speed[:] *= damping
        body.spread[:] *= damping


def ring(radius: float, width: float, thickness: float, cells: int = 1, density: float = DENSITY) -> Body:
    return make_body(np.linspace(radius - 0.5 * width, radius + 0.5 * width, cells + 1), thickness, density)


def upward_zeros(time_s: Floats, value: Floats) -> Floats:
    """Times (s) at which a value passes zero upwards."""
    k = np.flatnonzero((value[:-1] < 0.0) & (value[1:] >= 0.0))
    return np.asarray(time_s[k] - value[k] * (time_s[k + 1] - time_s[k]) / (value[k + 1] - value[k]))


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
    body, metal = ring(radius_m, 4e-4, 4e-4, density=density), ideal_metal(yield_pa, NEARLY_RIGID_PA, density)
    body.speed[:] = -speed_m_per_s
    # It slows down evenly at first, Y / (rho r), and faster as it gets smaller.
    flight = fly(body, metal, 1.05 * speed_m_per_s * density * radius_m / yield_pa)
    assert ratio == pytest.approx(exp(-density * speed_m_per_s**2 / (2.0 * yield_pa)), rel=3e-4)
    assert flight.mean_radius_m.min() / radius_m == pytest.approx(ratio, rel=1e-3)
    # The wall thickens in both directions; the equivalent strain is the hoop's.
    assert body.strain[0] == pytest.approx(-log(ratio), rel=5e-3)


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
        advance_turns(turns, metal, np.zeros(1), np.full(1, 293.0), 0.0, dt)
    assert turns.radius[0] / 0.016 == pytest.approx(ratio, rel=1e-3)
    assert turns.work[0] == pytest.approx(energy, rel=3e-3)


def test_thrown_turn_slows_as_its_hoop_stress_says() -> None:
    """A plastic turn in free flight slows down by Y / (rho r)."""
    # Closed form, evaluated: 250 MPa, 16 mm, copper: 1.74386e6 m/s^2.
    turns, metal, dt = make_turns(np.array([0.016]), 1e-7, DENSITY), ideal_metal(250e6, NEARLY_RIGID_PA), 1e-9
    turns.speed[:] = 200.0
    speeds = []
    for _ in range(40):
        advance_turns(turns, metal, np.zeros(1), np.full(1, 293.0), 0.0, dt)
        speeds.append(turns.speed[0])
    assert (speeds[19] - speeds[39]) / (20 * dt) == pytest.approx(1.74386e6, rel=1e-3)


# Elastic: thick rings, discs, free vibration.


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
    metal = ideal_metal(UNBREAKABLE_PA, 100.0 * YOUNG_PA)
    body = make_body(np.linspace(bore, rim, cells + 1), 0.01, DENSITY)
    press(body, metal, outer_pa, inner_pa, steps=3000, damping=0.985)
    even = (inner_pa * bore**2 - outer_pa * rim**2) / (rim**2 - bore**2)
    curved = (inner_pa - outer_pa) * bore**2 * rim**2 / (rim**2 - bore**2)
    assert even + curved / bore**2 == pytest.approx(bore_hoop_pa, rel=2e-6)
    middle = 0.5 * (body.radius[:-1] + body.radius[1:])
    radial, hoop, axial = (body.deviator - body.pressure[:, None]).T
    # The error is the mesh's, (width / bore)^2; it is largest at the bore of the thickest ring.
    tolerance = 2e-3 * abs(bore_hoop_pa)
    assert radial == pytest.approx(even - curved / middle**2, abs=tolerance)
    assert hoop == pytest.approx(even + curved / middle**2, abs=tolerance)
    assert axial == pytest.approx(np.zeros(cells), abs=tolerance)


@pytest.mark.parametrize("yield_pa", [70e6, 250e6, 400e6])
def test_disc_yields_when_the_edge_pressure_is_its_yield_stress(yield_pa: float) -> None:
    """A thin disc pressed all round its edge yields at a pressure equal to its yield stress."""
    # Plane stress, sigma_r = sigma_theta = -p: p = Y after Tresca and von Mises alike. Elastic shrinking in between
    # makes the disc thicker by a per mille.
    strains = []
    for share in (0.99, 1.01):
        body = make_body(np.linspace(0.0, 0.012, 9), 2e-3, DENSITY)
        press(body, ideal_metal(yield_pa), share * yield_pa, 0.0, steps=4000, damping=0.98)
        strains.append(body.strain.copy())
    assert strains[0].max() == 0.0
    assert strains[1].min() > 0.0


@pytest.mark.parametrize(
    ("outer_over_bore", "collapse_pa"),
    # Hill, Mathematical Theory of Plasticity (1950): 2/sqrt(3) Y ln(b/a) in plane strain; Y = 250 MPa, evaluated.
    [(1.5, 117.048e6), (2.0, 200.094e6), (3.0, 317.142e6)],
)
def test_thick_ring_collapses_at_its_limit_pressure(outer_over_bore: float, collapse_pa: float) -> None:
    """A thick ring held at its thickness stays put 2 % below Hill's limit pressure and collapses 2 % above."""
    speeds = []
    for share in (0.98, 1.02):
        metal, pressure = ideal_metal(250e6, NEARLY_RIGID_PA), share * collapse_pa
        body = make_body(np.linspace(0.01, 0.01 * outer_over_bore, 13), 0.01, DENSITY)
        body.cell_mass[:] = 1e12  # holds the thickness: plane strain
        press(body, metal, pressure, 0.0, steps=3000, damping=0.98)
        force, cold = np.zeros(13), np.full(12, 293.0)
        for _ in range(1000):
            force[-1] = -pressure * 2.0 * pi * body.radius[-1] * body.thickness[-1]
            assert advance(body, metal, force, np.zeros(12), cold, 0.0, stable_step(body, metal))
        speeds.append(-body.speed[-1])
    assert speeds[1] > 0.3
    assert abs(speeds[0]) < 0.1 * speeds[1]


def test_thin_ring_breathes_at_the_wave_speed() -> None:
    """A thin elastic ring breathes once in the time a wave takes round it."""
    # Closed form: period 2 pi R / sqrt(E/rho) (Timoshenko, Vibration Problems in Engineering).
    period = 2.0 * pi * 0.02 / sqrt(YOUNG_PA / DENSITY)
    metal, body = ideal_metal(UNBREAKABLE_PA), ring(0.02, 4e-4, 4e-4)
    body.speed[:] = -1.0
    flight = fly(body, metal, 2.2 * period)
    found = np.diff(upward_zeros(flight.time_s, flight.mean_radius_m - 0.02))
    assert found == pytest.approx(period, rel=1e-3)
    turns, dt, rows = make_turns(np.array([0.02]), 1e-7, DENSITY), period / 400, []
    turns.speed[:] = -1.0
    for k in range(900):
        advance_turns(turns, metal, np.zeros(1), np.full(1, 293.0), 0.0, dt)
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
        body = make_body(np.linspace(0.0, 0.02, cells + 1), 4e-4, DENSITY)
        body.speed[:] = -jv(1, root * body.radius / 0.02)
        flight = fly(body, ideal_metal(UNBREAKABLE_PA), 1.3 * period)
        # It starts at its size and inward: the first passage outward is half a period later, the next a whole one.
        first = upward_zeros(flight.time_s, flight.outer_radius_m - 0.02)[0]
        errors.append(first / (0.5 * period) - 1.0)
    assert abs(errors[1]) < 2e-3
    assert abs(errors[1]) < 0.5 * abs(errors[0])


# Plastic discs.


@pytest.mark.parametrize("speed_m_per_s", [50.0, 100.0, 200.0])
def test_thrown_disc_spends_its_energy_as_plastic_work(speed_m_per_s: float) -> None:
    """A thin disc thrown inward evenly ends with a mean strain that takes up all of its energy."""
    # Kinetic energy rho v0^2 / 4 a volume for v = v0 r/R, plastic work Y a strain: strain = rho v0^2 / 4 Y. (The
    # closed form for its size assumes that the strain stays even, which a free rim does not allow.)
    radius, yield_pa, metal = 0.012, 250e6, ideal_metal(250e6, NEARLY_RIGID_PA)
    body = make_body(np.linspace(0.0, radius, 9), 2e-4, DENSITY)
    body.speed[:] = -speed_m_per_s * body.radius / radius
    body.spread[:] = 2.0 * speed_m_per_s / radius * body.thickness
    thrown = kinetic_energy(body)
    fly(body, metal, 0.8 * DENSITY * radius * speed_m_per_s / yield_pa)
    mean_strain = float((body.strain * body.cell_mass).sum() / body.cell_mass.sum())
    assert mean_strain == pytest.approx(DENSITY * speed_m_per_s**2 / (4.0 * yield_pa), rel=1e-2)
    spent = body.work[0] + kinetic_energy(body) + elastic_energy(body, metal)
    assert spent == pytest.approx(thrown, rel=1e-4)
    volume = pi * np.diff(body.radius**2) * body.thickness
    assert volume == pytest.approx(body.first_volume, rel=2e-3)


def test_even_squeeze_thickens_the_disc() -> None:
    """A disc squeezed evenly to 0.8 of its diameter is 1/0.64 of its thickness, and as strained as 2 ln(1/0.8)."""
    # Volume kept: 1 / s^2 = 1.5625; equivalent strain 2 ln(1/s) (textbook).
    metal, body = ideal_metal(100e6), make_body(np.linspace(0.0, 0.01, 5), 1e-3, DENSITY)
    # Masses that nothing stops: radii shrink as they are told, the thickness is free to follow.
    body.node_mass[:] = 1e30
    steps, dt = 4000, 0.5 * stable_step(body, metal)
    rate = (0.8 ** (1.0 / steps) - 1.0) / dt
    body.spread[:] = -2.0 * rate * body.thickness
    for _ in range(steps):
        body.speed[:] = rate * body.radius
        assert advance(body, metal, np.zeros(5), np.zeros(4), np.full(4, 293.0), 0.0, dt)
    assert body.radius[-1] == pytest.approx(0.8 * 0.01, rel=1e-12)
    assert body.thickness / 1e-3 == pytest.approx(np.full(4, 1.5625), rel=2e-3)
    assert body.strain == pytest.approx(np.full(4, 2.0 * log(1.0 / 0.8)), rel=5e-3)


@pytest.mark.parametrize(("inner_m", "cells"), [(0.0, 12), (0.003, 8), (0.003, 16), (0.009, 8)])
def test_free_body_keeps_its_energy(inner_m: float, cells: int) -> None:
    """A disc or ring thrown about and left to itself keeps its energy: what motion loses, work gains."""
    metal, body = ideal_metal(200e6), make_body(np.linspace(inner_m, 0.012, cells + 1), 2e-3, DENSITY)
    body.speed[:] = -100.0 * np.sin(200.0 * body.radius)
    body.spread[:] = 20.0 * np.cos(np.arange(cells) / cells)
    before = kinetic_energy(body)
    fly(body, metal, 30e-6)
    after = body.work[0] + kinetic_energy(body) + elastic_energy(body, metal)
    assert body.work[0] > 0.3 * before
    assert after == pytest.approx(before, rel=5e-3)


def test_even_motion_has_the_energy_of_its_velocity_profile() -> None:
    """A disc with v_r = v0 r/R and v_z = h' z/h has the kinetic energy of that profile, volume for volume."""
    # Integral of rho v^2 / 2: rho V (v0^2 / 4 + h'^2 / 24).
    body = make_body(np.linspace(0.0, 0.012, 17), 2e-3, DENSITY)
    body.speed[:] = -80.0 * body.radius / 0.012
    body.spread[:] = 60.0
    volume = pi * 0.012**2 * 2e-3
    assert kinetic_energy(body) == pytest.approx(DENSITY * volume * (80.0**2 / 4.0 + 60.0**2 / 24.0), rel=1e-3)


def test_work_of_the_forces_is_found_again() -> None:
    """What forces on nodes and thicknesses do along their way is the body's energy afterwards."""
    metal, body = ideal_metal(200e6), make_body(np.linspace(0.0, 0.012, 13), 2e-3, DENSITY)
    force, squeeze = -4e5 * (body.radius / 0.012) ** 4, np.linspace(0.0, -8e4, 12)
    cold, work = np.full(12, 293.0), 0.0
    for _ in range(400):
        dt = stable_step(body, metal)
        assert advance(body, metal, force, squeeze, cold, 0.0, dt)
        work += dt * float(force @ body.speed + squeeze @ body.spread)
    gained = body.work[0] + kinetic_energy(body) + elastic_energy(body, metal)
    assert body.work[0] > 0.05 * work
    assert gained == pytest.approx(work, rel=1e-2)
