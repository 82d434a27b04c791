"""Coaxial loops against Maxwell's formula, published examples and limits; the source stands beside each check."""

from __future__ import annotations

import json
from math import log, pi
from pathlib import Path
from typing import Any

import mpmath as mp
import numpy as np
import pytest

from physics.constants import MU_0
from physics.inductance import Group, assemble
from physics.loops import (
    circle_mean_distance,
    mutual,
    mutual_gradient,
    rectangle_mean_distance,
    ring_self,
    ring_self_by_radius,
    ring_self_by_swelling,
)

TABLE: dict[str, Any] = json.loads((Path(__file__).parent / "coaxial_loops.json").read_text(encoding="utf-8"))
CENTIMETRE_PAIRS = TABLE["centimetre_pairs"]["rows"]
METRE_PAIRS = TABLE["metre_pairs"]["rows"]

# Nagaoka's coefficient K of a current sheet of this diameter over length. Grover, Inductance Calculations
# (Dover 1973) table 36, as transcribed; the fifth from Nagaoka 1909, as transcribed. Six digits.
NAGAOKA = [(0.5, 0.818136), (1.0, 0.688423), (2.0, 0.525510), (4.0, 0.365432), (10.0, 0.203324)]


def maxwell(a: Any, b: Any, z: Any) -> Any:
    """Maxwell's formula as printed (Rosa & Grover 1912, eq. 1), in arbitrary precision."""
    modulus = 4 * a * b / ((a + b) ** 2 + z**2)
    k = mp.sqrt(modulus)
    return 4 * mp.pi / 10**7 * mp.sqrt(a * b) * ((2 / k - k) * mp.ellipk(modulus) - 2 / k * mp.ellipe(modulus))


def random_loops(count: int) -> list[tuple[float, float, float]]:
    """Pairs of loops with k^2 from 1e-6 (far) to 1 - 1e-10 (nearly touching), radii within a factor of 30."""
    rng, loops = np.random.default_rng(20), []
    for index in range(count):
        a = 10.0 ** rng.uniform(-3, 0)
        near = index % 2 == 0
        b = a * (1.0 + 10.0 ** rng.uniform(-8, -1)) if near else a * 10.0 ** rng.uniform(-1.5, 1.5)
        modulus = 1.0 - 10.0 ** rng.uniform(-10, -0.3) if near else 10.0 ** rng.uniform(-6, -0.3)
        z = max(4.0 * a * b / modulus - (a + b) ** 2, 0.0) ** 0.5
        loops.append((a, b, z))
    return loops


@pytest.mark.parametrize(("a_cm", "b_cm", "z_cm", "nanohenry"), CENTIMETRE_PAIRS)
def test_mutual_of_the_classic_pairs(a_cm: float, b_cm: float, z_cm: float, nanohenry: float) -> None:
    """The mutual inductance of eleven pairs of centimetre loops agrees with Maxwell's formula to 13 digits."""
    assert mutual(a_cm / 100, b_cm / 100, z_cm / 100) == pytest.approx(nanohenry * 1e-9, rel=1e-13)


@pytest.mark.parametrize(("a", "b", "z", "henry", "by_z"), METRE_PAIRS)
def test_mutual_and_axial_slope_from_near_to_far(a: float, b: float, z: float, henry: float, by_z: float) -> None:
    """Mutual inductance and its slope along the axis agree with tabulated values from touching to far loops."""
    value, _, _, slope = mutual_gradient(a, b, z)
    assert mutual(a, b, z) == pytest.approx(henry, rel=1e-13)
    assert value == pytest.approx(henry, rel=1e-13)
    assert slope == pytest.approx(by_z, rel=1e-13)


def test_mutual_and_gradient_hold_full_precision() -> None:
    """Mutual inductance and its three slopes agree with 45-digit arithmetic for any pair of loops."""
    # Maxwell's formula, evaluated and differentiated here with 45 digits.
    with mp.workdps(45):
        for loops in random_loops(60):
            a, b, z = map(mp.mpf, loops)
            slopes = (
                mp.diff(lambda x, b=b, z=z: maxwell(x, b, z), a),
                mp.diff(lambda x, a=a, z=z: maxwell(a, x, z), b),
                mp.diff(lambda x, a=a, b=b: maxwell(a, b, x), z),
            )
            value, *found = mutual_gradient(*loops)
            assert value == pytest.approx(float(maxwell(a, b, z)), rel=1e-13)
            assert mutual(*loops) == pytest.approx(float(maxwell(a, b, z)), rel=1e-13)
            assert found == pytest.approx([float(slope) for slope in slopes], rel=1e-11)


@pytest.mark.parametrize("a", [1e-3, 1.0])
def test_far_loops_are_dipoles(a: float) -> None:
    """The mutual inductance of far equal loops is that of two dipoles with the next term of the series."""
    # M = mu0 pi a^4 / (2 z^3) (1 - 3 x + 75/8 x^2 ...), x = (a/z)^2; dipole and first correction -3 x: Maxwell's
    # formula expanded, evaluated as -4.685e-4 at z = 80 a and -3.0000e-6 at z = 1000 a.
    for ratio, correction, precision in ((80.0, -4.685e-4, 5e-8), (1000.0, -3.0000e-6, 5e-11)):
        z = ratio * a
        dipoles = MU_0 * pi * a**4 / (2.0 * z**3)
        assert mutual(a, a, z) / dipoles - 1.0 == pytest.approx(correction, abs=precision)


def test_mutual_is_reciprocal() -> None:
    """Exchanging the loops changes nothing but the names of the slopes."""
    for a, b, z in random_loops(40):
        value, by_a, by_b, by_z = mutual_gradient(a, b, z)
        other, other_by_b, other_by_a, other_by_z = mutual_gradient(b, a, z)
        assert mutual(a, b, z) == pytest.approx(mutual(b, a, z), rel=1e-14)
        assert (value, by_a, by_b, by_z) == pytest.approx((other, other_by_a, other_by_b, other_by_z), rel=1e-12)


def test_slope_by_radius_is_the_field() -> None:
    """At the centre of a loop the slope by the inner radius is the field, 5.0265 T for 100 kA and 12.5 mm."""
    # mu0 I / 2R = 5.02654824574 T.
    small = 1e-9
    _, _, by_radius, _ = mutual_gradient(0.0125, small, 0.0)
    assert 1e5 * by_radius / (2.0 * pi * small) == pytest.approx(5.02654824574, rel=1e-11)


@pytest.mark.parametrize(
    ("radius_m", "wire_radius_m", "henry", "tolerance"),
    [
        # Rosa & Cohen, Bull. Bur. Stand., example of a ring of 25 cm, as copied into a public test suite: 654.40537
        # and 424.1761 pi cm after Wien's formula, from which Rayleigh and Niven's differs by 3e-8 and 4.7e-6.
        (0.25, 0.0005, 654.40537e-9 * pi, 1e-7),
        (0.25, 0.005, 424.1761e-9 * pi, 5e-6),
        # Rayleigh and Niven's formula (Rosa & Grover 1912, from memory, high), evaluated with 40 digits.
        (0.0125, 0.00089, 4.6729734253135e-8, 1e-13),
        (0.010, 0.0005, 4.1806605677297e-8, 1e-13),
        (0.25, 0.001, 1.8381202036042e-6, 1e-13),
        (1.0, 0.001, 9.0945312098155e-6, 1e-13),
    ],
)
def test_self_inductance_of_a_wire_ring(radius_m: float, wire_radius_m: float, henry: float, tolerance: float) -> None:
    """The self inductance of a ring of round wire agrees with published examples."""
    assert ring_self(radius_m, circle_mean_distance(wire_radius_m)) == pytest.approx(henry, rel=tolerance)


@pytest.mark.parametrize("ratio", [0.05, 0.3, 0.44])
def test_slopes_of_the_self_inductance(ratio: float) -> None:
    """The slopes of the self inductance are its difference quotients, for thin and for fat rings."""
    radius, step = 0.012, 1e-5
    distance = ratio * radius
    outward = ring_self(radius * (1 + step), distance) - ring_self(radius * (1 - step), distance)
    swollen = ring_self(radius, distance * (1 + step)) - ring_self(radius, distance * (1 - step))
    assert ring_self_by_radius(radius, distance) == pytest.approx(outward / (2 * step * radius), rel=1e-7)
    assert ring_self_by_swelling(radius, distance) == pytest.approx(swollen / log((1 + step) / (1 - step)), rel=1e-7)


@pytest.mark.parametrize(
    ("side_ratio", "distance"),
    # Lyle 1914, table 1, as transcribed: mean distance of a rectangle over the sum of its sides.
    [(0.0, 0.223130), (0.05, 0.223455), (0.1, 0.223599), (0.25, 0.223686), (0.5, 0.223601), (1.0, 0.223525)],
)
def test_mean_distance_of_a_rectangle(side_ratio: float, distance: float) -> None:
    """The mean distance of a rectangle is within 0.2 % of the table for any shape."""
    assert rectangle_mean_distance(1.0, side_ratio) / (1.0 + side_ratio) == pytest.approx(distance, rel=2e-3)


def sheet_inductance(radius: float, length: float, strips: int) -> float:
    """Inductance (H) of a one-turn current sheet cut into this even number of strips."""
    half, width = strips // 2, length / strips
    matrix, slopes = np.zeros((half, half)), np.zeros((half, half))
    ones, distance = np.ones(half), rectangle_mean_distance(0.0, width)
    height = width * (np.arange(half) + 0.5)
    whole = Group(0, half, 0, half)
    assemble(
        whole, whole, radius * ones, height, distance * ones, 2 * ones, ones, np.arange(half), np.empty((5, half)),
        matrix, slopes, slopes.copy(), np.empty(half),
    )  # fmt: skip
    return float(matrix.sum()) / strips**2


@pytest.mark.parametrize(("diameter_over_length", "coefficient"), NAGAOKA)
def test_solenoid_has_nagaokas_inductance(diameter_over_length: float, coefficient: float) -> None:
    """A sheet of ring filaments has the inductance of a solenoid after Nagaoka as it is cut ever finer."""
    radius = 0.013
    length = 2.0 * radius / diameter_over_length
    coarse, fine = sheet_inductance(radius, length, 100), sheet_inductance(radius, length, 200)
    exact = MU_0 * pi * radius**2 / length * coefficient
    assert fine == pytest.approx(exact, rel=4e-3)
    # Mutuals from centre to centre leave out a share of 1/strips, which the two together remove.
    assert 2.0 * fine - coarse == pytest.approx(exact, rel=1e-4)
