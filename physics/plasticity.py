"""Johnson-Cook flow stress and the radial return that keeps stress on the yield surface.

    Y = (A + B eps^n) (1 + C ln(rate / rate0)) (1 - T*^m),   T* = (T - Tr) / (Tm - Tr)

Johnson & Cook, 7th Int. Symp. Ballistics (1983) 541. Below the reference rate the rate factor is 1,
below the reference temperature the softening factor is 1, above melting there is no strength.
"""

from __future__ import annotations

from math import log, sqrt
from typing import NamedTuple

from physics.kernel_cache import inlined_kernel, inner_kernel, kernel


class Strength(NamedTuple):
    """Elastic and plastic constants of one metal, SI; a row of a table of strengths has them in this order."""

    density: float
    bulk_modulus: float
    shear_modulus: float
    youngs_modulus: float
    a: float
    b: float
    n: float
    c: float
    m: float
    reference_rate: float
    reference_temperature: float
    melting_temperature: float


@kernel
def strength_of(strengths, index):
    """The metal in row `index` of a table of strengths, shape (metals, 12)."""
    t, i = strengths, index
    return Strength(
        t[i, 0], t[i, 1], t[i, 2], t[i, 3], t[i, 4], t[i, 5], t[i, 6], t[i, 7], t[i, 8], t[i, 9], t[i, 10], t[i, 11]
    )  # fmt: skip


@kernel
def softening(strength, temperature):
    """Thermal factor of the flow stress, 1 at the reference temperature, 0 at melting."""
    span = (temperature - strength.reference_temperature) / (
        strength.melting_temperature - strength.reference_temperature
    )
    if span <= 0.0:
        return 1.0
    if span >= 1.0:
        return 0.0
    return 1.0 - span**strength.m


@kernel
def flow_stress(strength, strain, rate, softness):
    """Flow stress (Pa) at plastic strain, plastic strain rate (1/s) and thermal factor (see :func:`softening`)."""
    ratio = rate / strength.reference_rate
    rate_factor = 1.0 + strength.c * log(ratio) if ratio > 1.0 else 1.0
    hardening = strength.a + (strength.b * strain**strength.n if strain > 0.0 else 0.0)
    return hardening * rate_factor * softness


@inlined_kernel
def log_of_ratio(x: float, y: float) -> float:
    """Natural logarithm of x/y by its series in (x - y)/(x + y): within 2e-12 where 0.9 < x/y < 1.1, as in metal."""
    z = (x - y) / (x + y)
    s = z * z
    return 2.0 * z * (1.0 + s * (1.0 / 3.0 + s * (0.2 + s * (1.0 / 7.0))))


#: Plastic strain increments below this share of the strain so far are small: hardening is a short series then.
_SMALL = 0.02
#: A root is good enough when the stress is right within this share of the trial stress.
_CLOSE = 1e-5
#: Newton's step is judged by the curvature where it is shorter than this share of the increment.
_NEAR = 0.2


@inner_kernel
def hardened_by(strength, hardened, strain, increment):
    """Hardening B (strain + increment)^n (Pa), which at `strain` is `hardened`."""
    if increment < _SMALL * strain:
        u, n = increment / strain, strength.n
        return hardened * (1.0 + n * u * (1.0 + 0.5 * (n - 1.0) * u * (1.0 + (n - 2.0) / 3.0 * u)))
    return strength.b * (strain + increment) ** strength.n


@kernel
def plastic_increment(strength, trial, stiffness, strain, hardened, softness, dt, guess):
    """Plastic strain increment x that solves trial - stiffness x = Y(strain + x, x/dt, softness).

    `trial` (Pa) is the elastic trial stress, `stiffness` (Pa) 3G in three dimensions and E in a ring, `hardened` (Pa)
    what `strain` has hardened by. The left side falls and the right side rises with x, so the root is unique: Newton
    steps held inside a shrinking bracket, to 1e-5 of `trial`. They start from `guess`, the increment of the step
    before; then one step nearly always does.
    """
    if trial <= (strength.a + hardened) * softness:
        return 0.0
    high = (trial - (strength.a + hardened) * softness) / stiffness
    n, per_rate = strength.n, 1.0 / (dt * strength.reference_rate)
    low, x = 0.0, guess if 0.0 < guess < high else high
    for _ in range(60):
        if x < _SMALL * strain:
            u = x / strain
            hardening = hardened * (1.0 + n * u * (1.0 + 0.5 * (n - 1.0) * u * (1.0 + (n - 2.0) / 3.0 * u)))
            slope = n * hardened / strain * (1.0 + (n - 1.0) * u * (1.0 + 0.5 * (n - 2.0) * u))
        else:
            hardening = strength.b * (strain + x) ** n
            slope = n * hardening / (strain + x)
        hardening += strength.a
        rate = x * per_rate
        rate_factor, rate_slope = (1.0 + strength.c * log(rate), strength.c / x) if rate > 1.0 else (1.0, 0.0)
        excess = trial - stiffness * x - hardening * rate_factor * softness
        if excess > 0.0:
            low = x
        else:
            high = x
        change = excess / (stiffness + (slope * rate_factor + hardening * rate_slope) * softness)
        x += change
        if not low < x < high:
            # By orders of magnitude: hardening that starts infinitely steep leaves room for the smallest strains.
            x = sqrt(low * high) if low > 0.0 else 1e-3 * high
        elif abs(change) < _NEAR * x and (rate > 1.0) == (x * per_rate > 1.0):
            # What Newton's step leaves: half the curvature, of the logarithm and of the hardening, times its square.
            left = 0.5 * change * change * softness * (hardening * rate_slope / x + slope * rate_factor / (strain + x))
            if left < _CLOSE * trial:
                break
    return x
