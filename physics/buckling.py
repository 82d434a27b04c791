"""Dynamic plastic buckling of a thin ring that is driven inwards.

A flaw w cos(n theta) in the roundness of a ring of radius a, wall h and density rho that flows at the
compressive hoop stress s grows as w'' + q w' = p^2 w. Inextensional bending with the tangent modulus E and
the sensitivity ds/d(rate) gives::

    p^2 = (n^2 - 1) / (rho a^2) (s - E h^2 n^2 / (12 a^2)),   q = (n^2 - 1) n^2 h^2 / (12 rho a^4) ds/d(rate)

(Abrahamson & Goodier, Proc. 4th US Nat. Congr. Appl. Mech. (1962) 939, from memory; the algebra done again
here, with the rate term). Without q growth is fastest near n^2 = 6 s a^2 / (E h^2). The push of the field on a
wavy surface, which makes waves grow faster, is left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from physics.plasticity import Strength

Floats = NDArray[np.float64]
#: One number, or one a step.
Values = float | Floats

#: Growth of a flaw that counts as buckled (20 to 25 in Lindberg & Florence, Dynamic Pulse Buckling (1987); from
#: memory, medium).
CRITICAL_AMPLIFICATION = 20.0
_MOST_WAVES = 200
#: Slower than this (m/s) the ring is taken as at rest.
_SLOWEST = 1.0
_LARGEST_EXPONENT = 50.0


@dataclass(frozen=True)
class Growth:
    """How many times a flaw of the worst number of waves has grown."""

    factor: float
    waves: int


class Flow(NamedTuple):
    """A ring while it collapses: hoop stress (Pa), tangent modulus (Pa), ds/d(rate) (Pa s)."""

    stress: Values
    tangent: Values
    viscosity: Values


def growth_rates(waves: NDArray[np.int64], radius: Values, wall: Values, density: float, flow: Flow) -> Floats:
    """Rate (1/s) at which a flaw of each number of waves grows, 0 where it does not; lengths in m, density kg/m^3.

    `radius`, `wall` and what `flow` holds are numbers, or of shape (steps, 1): then shape (steps, waves) comes back.
    """
    square = waves.astype(np.float64) ** 2
    stiffness = square * (wall**2 / (12.0 * radius**2))
    share = (square - 1.0) / (density * radius**2)
    drive = np.maximum(share * (flow.stress - flow.tangent * stiffness), 0.0)
    drag = 0.5 * share * stiffness * flow.viscosity
    # -q/2 + sqrt(q^2/4 + p^2), written so that nothing cancels.
    return np.asarray(drive / (drag + np.sqrt(drag**2 + drive) + 1e-300))


def amplification(time: Floats, radius: Floats, wall: Floats, metal: Strength) -> Growth:
    """Growth of the worst flaw over a shot: cosh of the integral of its rate while the ring flows inwards.

    `time` in s, mean `radius` and `wall` in m, each of shape (steps,).
    """
    waves = np.arange(2, _MOST_WAVES + 1)
    speed = np.gradient(radius, time)
    # Where it is smaller than it ever was: what rings elastically has no modulus of flow.
    smaller = radius[1:] < np.minimum.accumulate(radius)[:-1]
    inward = 1 + np.flatnonzero(smaller & (speed[1:] < -_SLOWEST))
    at, rate = radius[inward, None], -speed[inward, None] / radius[inward, None]
    rates = growth_rates(waves, at, wall[inward, None], metal.density, _flow(metal, np.log(radius[0] / at), rate))
    exponent = (time[inward] - time[inward - 1]) @ rates
    worst = int(np.argmax(exponent))
    return Growth(float(np.cosh(min(exponent[worst], _LARGEST_EXPONENT))), int(waves[worst]))


def _flow(metal: Strength, strain: Floats, rate: Floats) -> Flow:
    """The ring's flow after Johnson and Cook, cold."""
    strain = np.maximum(strain, 1e-4)
    hardened = metal.a + metal.b * strain**metal.n
    factor = 1.0 + metal.c * np.log(np.maximum(rate / metal.reference_rate, 1.0))
    return Flow(
        stress=hardened * factor,
        tangent=metal.b * metal.n * strain ** (metal.n - 1.0) * factor,
        viscosity=hardened * metal.c / rate,
    )
