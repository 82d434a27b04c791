"""Field lines of a run's currents: lines of equal flux through coaxial circles, 2 pi r A_phi.

The field is rotationally symmetric, so B is tangent to the lines on which 2 pi r A_phi, the flux through the
circle about the axis, is constant; between two neighbours there is always the same flux.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ellipe, ellipkm1

from physics.constants import MU_0
from physics.run import Run

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Loops:
    """Coaxial loops, mirror images written out: radius and height (m), current (A), mean distance from itself (m)."""

    radius_m: Floats
    height_m: Floats
    current_a: Floats
    mean_distance_m: Floats


def loops_of(run: Run) -> Loops:
    """All loops that carry current in the state the run ended in."""
    points = run.model.points
    count = int(points.used[0])
    radius, height, distance = points.radius[:count], points.height[:count], points.mean_distance[:count]
    current = points.share[:count] * run.fields.current[points.cell[:count]]
    mirrored = points.weight[:count] > 1.5
    return Loops(
        radius_m=np.concatenate([radius, radius[mirrored]]),
        height_m=np.concatenate([height, -height[mirrored]]),
        current_a=np.concatenate([current, current[mirrored]]),
        mean_distance_m=np.concatenate([distance, distance[mirrored]]),
    )


def flux(loops: Loops, radius_m: ArrayLike, height_m: ArrayLike) -> Floats:
    """Flux (Wb) through coaxial circles of these radii (m, not negative) at these heights (m), shape as given.

    Sum of Maxwell's mutual inductance M = mu0 sqrt(f) [(1 - m/2) K(m) - E(m)] with f = (a+b)^2 + z^2 and
    m = 4ab/f (Rosa & Grover, Bull. Bur. Stand. 8 (1912) 1, eq. 1), in plain numpy: no kernel is compiled for
    a picture. Inside a conductor a loop is taken no nearer than its section's mean distance from itself.
    """
    b, z = np.broadcast_arrays(np.asarray(radius_m, dtype=np.float64), np.asarray(height_m, dtype=np.float64))
    total = np.zeros(b.shape)
    for a, h, current, distance in zip(
        loops.radius_m, loops.height_m, loops.current_a, loops.mean_distance_m, strict=True
    ):
        near = np.maximum((a - b) ** 2 + (z - h) ** 2, distance**2)
        far = near + 4.0 * a * b
        m = 4.0 * a * b / far
        total += current * MU_0 * np.sqrt(far) * ((1.0 - 0.5 * m) * ellipkm1(near / far) - ellipe(m))
    return total
