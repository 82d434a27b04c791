"""The numerical error of a run: what its step leaves, and what its mesh leaves by a law calibrated on the finest one.

The law's coefficients bound 95 of 100 of the differences to fidelity `reference` over random shots of all kinds
(80 of our own drawing, and those of `tests/physics/convergence/make_reference_shots.py`). What the finest mesh itself
leaves is taken as half of what the next coarser does: it is twice as fine, and convergence is first order or better.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from physics import state as c
from physics.result import NumericalError, Summary
from physics.run import Run
from physics.shot import Fidelity

#: Third-order coefficient of the local error of the two-stage step: 1/6 - 3 g^2 + 2 g^3 with g = 1 - 1/sqrt(2).
_STEP_COEFFICIENT = 0.0404


@dataclass(frozen=True)
class MeshLaw:
    """Error left by a mesh: of the current over the current, of the diameter over the shrink, of debris over debris.

    A tall or clad part, cut in slices, has a wider bound on its diameter. The floors are over the first
    diameter and the stored energy: a part that hardly yields is left ringing by its elastic strain, half a per mille.
    """

    current: float
    shrink: float
    sliced_shrink: float
    diameter_floor: float
    debris: float
    debris_floor: float


LAWS: dict[Fidelity, MeshLaw] = {
    "screen": MeshLaw(0.005, 0.06, 0.12, 6e-4, 0.015, 8e-4),
    "design": MeshLaw(0.0022, 0.022, 0.036, 4e-4, 0.008, 4e-4),
    "reference": MeshLaw(0.0011, 0.011, 0.018, 2e-4, 0.004, 2e-4),
}


def numerical_error(run: Run, figures: Summary) -> NumericalError:
    """Bounds, in the figures' own units, that hold for 95 of 100 shots."""
    shot = run.shot
    law = LAWS[shot.solver.fidelity]
    current = law.current * figures.peak_current_a + _step_error(run)
    diameter = debris = None
    if shot.solver.motion:
        first = shot.workpiece.outer_diameter_m
        share = law.shrink if run.model.body.radius.shape[0] == 1 else law.sliced_shrink
        diameter = share * abs(first - figures.final_outer_diameter_m) + law.diameter_floor * first
        debris = law.debris * figures.debris_energy_j + law.debris_floor * shot.stored_energy_j
    return NumericalError(
        peak_current_a=current,
        final_outer_diameter_m=diameter,
        debris_energy_j=debris,
        statement="of mesh and step only; strength, rupture and arcs are less certain than that",
    )


def _step_error(run: Run) -> float:
    """Error (A) of the peak current from the step: its local errors, 0.04 h^3 I''', added up from start to peak.

    The sum is 0.04 h^2 times the change of I'' from start to peak, which the recorded steps give.
    """
    time, current = run.rows[:, c.TIME], run.rows[:, c.CURRENT]
    peak = int(np.argmax(np.abs(current)))
    if not 2 < peak < time.size - 1:
        return 0.0
    step = float(np.diff(time[: peak + 2]).max())
    at_start = bend(time[:4].tolist(), current[:4].tolist())
    # From the peak backwards, as the rows after it may be far apart.
    at_peak = bend(time[peak + 1 : peak - 3 : -1].tolist(), current[peak + 1 : peak - 3 : -1].tolist())
    return _STEP_COEFFICIENT * step**2 * abs(at_peak - at_start)


def bend(time: list[float], current: list[float]) -> float:
    """Second derivative (A/s^2) at the second of four rows: the slope there of slopes by differences of second order.

    NumPy's `gradient` does the same for whole series, and takes ten times as long for four rows.
    """
    slopes = [(current[1] - current[0]) / (time[1] - time[0])]
    slopes += [_slope(time[k - 1 : k + 2], current[k - 1 : k + 2]) for k in (1, 2)]
    return _slope(time[:3], slopes)


def _slope(x: list[float], y: list[float]) -> float:
    """Derivative at the middle of three unequally spaced places."""
    back, ahead = x[1] - x[0], x[2] - x[1]
    return (back * (y[2] - y[1]) / ahead + ahead * (y[1] - y[0]) / back) / (back + ahead)
