"""Coaxial circular loops: mutual inductance, its gradient, and self inductance of ring sections.

Mutual inductance of two coaxial circles of radii a and b at axial distance z (Maxwell; Rosa &
Grover, Bull. Bur. Stand. 8 (1912) 1, eq. 1), with k^2 = 4ab / ((a+b)^2 + z^2)::

    M = mu0 sqrt(ab) [(2/k - k) K(k) - (2/k) E(k)]

K and E come from one arithmetic-geometric mean. The sum S = sum_{n>=1} 2^(n-1) c_n^2 of that
iteration equals (1 - k^2/2) - E/K exactly, so M = mu0 sqrt((a+b)^2 + z^2) K S has no cancellation
and holds full precision from loops that nearly touch to loops far apart. Three steps do: with x = (a_n - b_n) / (a_n +
b_n) what is left of both is a short series in x^2, that of 2 K(x) / pi and of x^2 + 2 S(x).
"""

from __future__ import annotations

from math import exp, log, pi, sqrt

from physics.constants import MU_0
from physics.kernel_cache import inlined_kernel, kernel

#: Steps of the arithmetic-geometric mean before the series; each one squares what the series is in.
_HALVINGS = 3


@inlined_kernel
def elliptic_sums(modulus_squared: float, complement_squared: float) -> tuple[float, float]:
    """K(k) and S = (1 - k^2/2) - E(k)/K(k) by the arithmetic-geometric mean.

    `modulus_squared` is k^2 and `complement_squared` 1 - k^2, each given so that the small one
    keeps its digits. Abramowitz & Stegun (1964) 17.6.1-17.6.4. Always as many steps, without a branch,
    so that a loop over many pairs runs in vector registers; full precision down to a distance of 1e-6 of
    the diameter.
    """
    complement = sqrt(complement_squared)
    mean = 0.5 * (1.0 + complement)
    geometric = sqrt(complement)
    difference = 0.25 * modulus_squared / mean
    total = difference * difference
    weight = 1.0
    for _ in range(_HALVINGS):
        difference = 0.5 * (mean - geometric)
        weight *= 2.0
        total += weight * difference * difference
        geometric = sqrt(mean * geometric)
        mean -= difference
    difference = 0.5 * (mean - geometric)
    mean -= difference
    by_mean = 1.0 / mean
    y = (difference * by_mean) ** 2
    total += 2.0 * weight * difference * difference * (1.0 + y * (1.0 / 8.0 + y * (1.0 / 16.0)))
    return 0.5 * pi * by_mean * (1.0 + y * (1.0 / 4.0 + y * (9.0 / 64.0 + y * (25.0 / 256.0)))), total


@kernel
def mutual(a: float, b: float, z: float) -> float:
    """Mutual inductance (H) of coaxial loops of radii a, b (m) at axial distance z (m)."""
    far = (a + b) ** 2 + z * z
    k_integral, total = elliptic_sums(4.0 * a * b / far, ((a - b) ** 2 + z * z) / far)
    return MU_0 * sqrt(far) * k_integral * total


@inlined_kernel
def mutual_gradient(a: float, b: float, z: float) -> tuple[float, float, float, float]:
    """Mutual inductance (H) and its derivatives by a, b and z (H/m) for coaxial loops.

    By b it is 2 pi b times the axial field of loop a at loop b per ampere (Smythe, Static and
    Dynamic Electricity, 7.10), so it also serves as the field of a loop.
    """
    far = (a + b) ** 2 + z * z
    near = (a - b) ** 2 + z * z
    by_both, root = 1.0 / (far * near), sqrt(far)
    by_far, by_near = near * by_both, far * by_both
    m = 4.0 * a * b * by_far
    k_integral, total = elliptic_sums(m, near * by_far)
    e_integral = k_integral * (1.0 - 0.5 * m - total)
    common = k_integral * (0.5 * m + total)
    slope = 2.0 * (a - b) * by_near * e_integral
    by_a = MU_0 * a * root * by_far * (common - b * slope)
    by_b = MU_0 * b * root * by_far * (common + a * slope)
    by_z = 0.5 * MU_0 * z * root * by_near * k_integral * ((2.0 - m) * total - 0.5 * m * m)
    return MU_0 * root * k_integral * total, by_a, by_b, by_z


#: Radius of the circular section whose mean distance is 1: exp(1/4).
_EQUAL_CIRCLE = exp(0.25)


@kernel
def ring_self(radius: float, mean_distance: float) -> float:
    """Self inductance (H) of a ring of mean radius R whose section has this geometric mean distance (both m).

    L = mu0 R [(1 + x/8) ln(8R/a) + x/24 - 1.75], x = (a/R)^2 (Rayleigh and Niven; Rosa & Grover
    1912), for the circular section of the same mean distance. For square sections within 0.1 % even
    where the ring is a solid cylinder; without the terms in x the matrix would not stay definite there.
    """
    a = mean_distance * _EQUAL_CIRCLE
    x = (a / radius) ** 2
    return MU_0 * radius * ((1.0 + x / 8.0) * log(8.0 * radius / a) + x / 24.0 - 1.75)


@kernel
def ring_self_by_radius(radius: float, mean_distance: float) -> float:
    """Derivative (H/m) of :func:`ring_self` by the radius, section held."""
    a = mean_distance * _EQUAL_CIRCLE
    x = (a / radius) ** 2
    return MU_0 * ((1.0 - x / 8.0) * log(8.0 * radius / a) + x / 12.0 - 0.75)


@kernel
def ring_self_by_swelling(radius: float, mean_distance: float) -> float:
    """Derivative (H) of :func:`ring_self` by the logarithm of the mean distance, radius held."""
    a = mean_distance * _EQUAL_CIRCLE
    x = (a / radius) ** 2
    return MU_0 * radius * (x / 4.0 * log(8.0 * radius / a) - 1.0 - x / 24.0)


@kernel
def rectangle_mean_distance(width: float, height: float) -> float:
    """Geometric mean distance (m) of a rectangle from itself; Lyle 1914, within 2e-3 for any aspect."""
    return 0.2235 * (width + height)


@kernel
def circle_mean_distance(radius: float) -> float:
    """Geometric mean distance (m) of a circular area from itself, radius exp(-1/4) (Maxwell)."""
    return radius * 0.7788007830714049


def annulus_mean_distance(inner: float, outer: float) -> float:
    """Geometric mean distance (m) of a circular ring of these radii (m) from itself (Maxwell; Rosa & Grover 1912)."""
    share = (inner / outer) ** 2
    return outer * exp((3.0 * share - 1.0) / (4.0 * (1.0 - share)) + 0.5 * log(share) * (share / (1.0 - share)) ** 2)
