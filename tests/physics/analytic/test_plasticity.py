"""Flow stress and radial return against Johnson and Cook's curve."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
import pytest

from physics.deformation import advance, make_body
from physics.plasticity import Strength, flow_stress, plastic_increment, softening, strength_of
from physics.turns import advance_turns, make_turns

RATE_PER_S = 1e4
STEPS = 2000
#: A mass that no stress of the test can slow down: what moves keeps the speed it is given.
UNSTOPPABLE_KG = 1e30


def metal(a_mpa: float, b_mpa: float, n: float, c: float, m: float, melting_k: float, young_pa: float) -> Strength:
    """Johnson-Cook constants at 1/s and 298 K with a Poisson ratio of 0.34."""
    return Strength(
        density=8960.0,
        bulk_modulus=young_pa / (3.0 * (1.0 - 2.0 * 0.34)),
        shear_modulus=young_pa / (2.0 * (1.0 + 0.34)),
        youngs_modulus=young_pa,
        a=a_mpa * 1e6,
        b=b_mpa * 1e6,
        n=n,
        c=c,
        m=m,
        reference_rate=1.0,
        reference_temperature=298.0,
        melting_temperature=melting_k,
    )


# Constants of Johnson & Cook, 7th Int. Symp. Ballistics (1983) 541: copper as transcribed, brass and nickel from
# memory (high). Young's modulus: handbook order, it hardly matters here.
COPPER = metal(90, 292, 0.31, 0.025, 1.09, 1356, 124e9)
BRASS = metal(112, 505, 0.42, 0.009, 1.68, 1189, 110e9)
NICKEL = metal(163, 648, 0.33, 0.006, 1.44, 1726, 207e9)

# Flow stress at a strain of 0.3 and 1e4/s, evaluated from these constants: MPa, six digits.
AT_STRAIN_03 = [(COPPER, 298.0, 358.059), (COPPER, 600.0, 266.759), (BRASS, 298.0, 451.097), (NICKEL, 298.0, 631.613)]
IDS = ["copper", "copper at 600 K", "brass", "nickel"]


@dataclass(frozen=True)
class Loading:
    """Stress (Pa) at a plastic strain of 0.3, and the strains at the end of the path."""

    stress_pa: float
    plastic_strain: float
    total_strain: float


def squeeze_disc(strength: Strength, temperature_k: float) -> Loading:
    """A disc squeezed evenly in its plane at a constant logarithmic rate, its thickness growing to keep the volume."""
    body = make_body(np.linspace(0.0, 0.01, 4), np.array([0.0, 5e-4]), np.ones(1), np.zeros(1, dtype=np.int64))
    body.node_mass[:] = body.level_pivot[1:] = UNSTOPPABLE_KG
    dt, path = 0.32 / RATE_PER_S / STEPS, []
    strengths, softness = np.array([strength]), np.full((1, 3), softening(strength, temperature_k))
    for _ in range(STEPS):
        body.speed[:] = -0.5 * RATE_PER_S * body.radius / (1.0 + 0.25 * RATE_PER_S * dt)
        body.rise[:] = RATE_PER_S * body.level / (1.0 - 0.5 * RATE_PER_S * dt)
        assert advance(body, strengths, np.zeros((1, 4)), np.zeros((2, 3)), softness, 0.0, dt)
        path.append((body.strain[0, 1], sqrt(1.5 * float((body.deviator[:, 0, 1] ** 2).sum()))))
    strain, stress = np.array(path).T
    total = 2.0 * float(np.log(0.01 / body.radius[0, -1]))
    return Loading(float(np.interp(0.3, strain, stress)), float(strain[-1]), total)


def stretch_ring(strength: Strength, temperature_k: float) -> Loading:
    """A ring stretched at a constant logarithmic rate."""
    turns = make_turns(np.array([0.01]), 1e-6, strength.density)
    turns.mass[:] = UNSTOPPABLE_KG
    dt, path, softness = 0.32 / RATE_PER_S / STEPS, [], np.full(1, softening(strength, temperature_k))
    for _ in range(STEPS):
        turns.speed[:] = RATE_PER_S * turns.radius / (1.0 - 0.5 * RATE_PER_S * dt)
        advance_turns(turns, strength, np.zeros(1), softness, 0.0, dt)
        path.append((turns.strain[0], turns.stress[0]))
    strain, stress = np.array(path).T
    return Loading(float(np.interp(0.3, strain, stress)), float(strain[-1]), float(np.log(turns.radius[0] / 0.01)))


@pytest.mark.parametrize(("strength", "temperature_k", "stress_mpa"), AT_STRAIN_03, ids=IDS)
def test_flow_stress_as_published(strength: Strength, temperature_k: float, stress_mpa: float) -> None:
    """The flow stress at one strain, rate and temperature is the one that the published constants give."""
    softness = softening(strength, temperature_k)
    assert flow_stress(strength, 0.3, RATE_PER_S, softness) == pytest.approx(stress_mpa * 1e6, rel=3e-6)


@pytest.mark.parametrize(("strength", "temperature_k", "stress_mpa"), AT_STRAIN_03, ids=IDS)
def test_radial_return_follows_the_curve(strength: Strength, temperature_k: float, stress_mpa: float) -> None:
    """A disc squeezed evenly has the stress of the uniaxial curve at the same strain, rate and temperature."""
    loading = squeeze_disc(strength, temperature_k)
    assert loading.stress_pa == pytest.approx(stress_mpa * 1e6, rel=5e-4)
    # What is not plastic of the strain 2 ln(R0/R) is elastic: stress over 3 G in an even squeeze of constant volume.
    elastic = flow_stress(strength, 0.32, RATE_PER_S, softening(strength, temperature_k)) / (
        3.0 * strength.shear_modulus
    )
    assert loading.total_strain - loading.plastic_strain == pytest.approx(elastic, rel=0.02)


@pytest.mark.parametrize(("strength", "temperature_k", "stress_mpa"), AT_STRAIN_03, ids=IDS)
def test_ring_follows_the_curve(strength: Strength, temperature_k: float, stress_mpa: float) -> None:
    """A turn stretched at a constant rate has the stress of the uniaxial curve."""
    loading = stretch_ring(strength, temperature_k)
    assert loading.stress_pa == pytest.approx(stress_mpa * 1e6, rel=5e-4)
    elastic = flow_stress(strength, 0.32, RATE_PER_S, softening(strength, temperature_k)) / strength.youngs_modulus
    assert loading.total_strain - loading.plastic_strain == pytest.approx(elastic, rel=0.02)


def test_unloading_is_elastic() -> None:
    """A turn that is stretched beyond yield and let go comes back along Young's modulus."""
    turns, dt = make_turns(np.array([0.01]), 1e-6, 8960.0), 1e-8
    turns.mass[:] = UNSTOPPABLE_KG
    # Without rate sensitivity, so that nothing relaxes when the speed falls.
    strength = COPPER._replace(c=0.0)
    for speed, steps in ((100.0, 1000), (-1.0, 500)):
        stress, radius, plastic = turns.stress[0], turns.radius[0], turns.strain[0]
        turns.speed[:] = speed
        for _ in range(steps):
            advance_turns(turns, strength, np.zeros(1), np.ones(1), 0.0, dt)
    assert plastic > 0.05
    assert turns.strain[0] == plastic
    change = strength.youngs_modulus * float(np.log(turns.radius[0] / radius))
    assert turns.stress[0] - stress == pytest.approx(change, rel=1e-9)


def random_strength(rng: np.random.Generator) -> Strength:
    rate_factor = float(rng.choice([0.0, 10.0 ** rng.uniform(-3, -1)]))
    return metal(
        10.0 ** rng.uniform(0, 3.3),
        10.0 ** rng.uniform(0, 3.3),
        rng.uniform(0.05, 1.0),
        rate_factor,
        rng.uniform(0.5, 2.0),
        rng.uniform(800.0, 2000.0),
        10.0 ** rng.uniform(10.0, 11.6),
    )


def test_plastic_increment_solves_its_equation() -> None:
    """The plastic increment leaves a stress on the yield surface to 1e-5 for any metal, state, step and guess."""
    rng = np.random.default_rng(11)
    for _ in range(2000):
        strength = random_strength(rng)
        stiffness = float(rng.choice([strength.youngs_modulus, 3.0 * strength.shear_modulus]))
        strain = float(rng.choice([0.0, 10.0 ** rng.uniform(-6, 0.3)]))
        softness, dt = softening(strength, rng.uniform(250.0, 1500.0)), 10.0 ** rng.uniform(-10, -6)
        yielding = flow_stress(strength, strain, 0.0, softness)
        trial = yielding * (1.0 + 10.0 ** rng.uniform(-6, 1)) + 1e3
        guess = float(rng.choice([0.0, 10.0 ** rng.uniform(-9.0, 0.0)]))
        x = plastic_increment(strength, trial, stiffness, strain, strength.b * strain**strength.n, softness, dt, guess)
        left = trial - stiffness * x - flow_stress(strength, strain + x, x / dt, softness)
        assert x > 0.0
        assert abs(left) < 1e-5 * trial


def test_no_plastic_increment_inside_the_yield_surface() -> None:
    """A trial stress below the flow stress makes no plastic strain."""
    assert plastic_increment(COPPER, 0.999 * 90e6, COPPER.youngs_modulus, 0.0, 0.0, 1.0, 1e-8, 0.0) == 0.0


def test_molten_metal_bears_no_stress() -> None:
    """At the melting point nothing of the strength is left, and all strain is plastic."""
    assert softening(COPPER, 1356.0) == softening(COPPER, 1400.0) == 0.0
    assert flow_stress(COPPER, 0.3, RATE_PER_S, 0.0) == 0.0
    increment = plastic_increment(COPPER, 1e8, COPPER.youngs_modulus, 0.0, 0.0, 0.0, 1e-8, 0.0)
    assert increment == pytest.approx(1e8 / COPPER.youngs_modulus, rel=1e-8)


def test_row_of_a_table_is_the_metal_again() -> None:
    """A table of strengths gives back each metal as it was put in."""
    assert [strength_of(np.array([COPPER, BRASS, NICKEL]), row) for row in range(3)] == [COPPER, BRASS, NICKEL]
