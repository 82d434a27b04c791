"""Johnson-Cook flow stress and the radial return that keeps stress on the yield surface.

    Y = (A + B eps^n) (1 + C ln(rate / rate0)) (1 - T*^m),   T* = (T - Tr) / (Tm - Tr)

Johnson & Cook, 7th Int. Symp. Ballistics (1983) 541. Below the reference rate the rate factor is 1,
below the reference temperature the softening factor is 1, above melting there is no strength.
"""

from __future__ import annotations

from math import log
from typing import NamedTuple

from physics.kernel_cache import kernel


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
    row = strengths[index]
    return Strength(
        row[0], row[1], row[2], row[3], row[4], row[5], row[6], row[7], row[8], row[9], row[10], row[11]
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


@kernel
def plastic_increment(strength, trial, stiffness, strain, softness, dt):
    """Plastic strain increment x that solves trial - stiffness x = Y(strain + x, x/dt, softness).

    `trial` (Pa) is the elastic trial stress, `stiffness` (Pa) 3G in three dimensions and E in a
    ring. The left side falls and the right side rises with x, so the root is unique: secant steps
    held inside a shrinking bracket.
    """
    initial = flow_stress(strength, strain, 0.0, softness)
    if trial <= initial:
        return 0.0
    low, high = 0.0, trial / stiffness
    f_low = trial - initial
    f_high = -flow_stress(strength, strain + high, high / dt, softness)
    x = high
    for _ in range(60):
        x = high - f_high * (high - low) / (f_high - f_low)
        if not (low < x < high):
            x = 0.5 * (low + high)
        f = trial - stiffness * x - flow_stress(strength, strain + x, x / dt, softness)
        if abs(f) < 1e-9 * trial:
            break
        # Illinois rule: halve the weight of the end that stays, so that both ends move.
        if f > 0.0:
            low, f_low = x, f
            f_high *= 0.5
        else:
            high, f_high = x, f
            f_low *= 0.5
    return x
