"""A sequence of shots towards a size while the bench is not yet known well: start weak, fit, aim again.

Every shot is aimed with what the shots before it have told. None is fired that could, within two of the errors that are
left, be over a limit. It ends when a measured part is within the tolerance.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from physics.limits import Limits
from physics.shot import Shot
from worker.fits.aiming import Gunner, Knowledge, first_aim
from worker.fits.estimate import Simulate, fit
from worker.fits.measured import Measured
from worker.fits.parameters import Priors

MOST_SHOTS = 6

#: Fires a shot on the real bench and measures it.
Fire = Callable[[Shot], Measured]


@dataclass(frozen=True)
class Aim:
    """What is wanted, and what must not be exceeded."""

    final_outer_diameter_m: float
    tolerance_m: float
    limits: Limits


@dataclass(frozen=True)
class Step:
    """One shot of a campaign: what was expected of it before it was fired, and what was measured."""

    shot: Shot
    predicted_m: float
    predicted_error_m: float
    measured_m: float
    hit: bool


def campaign(
    plan: Shot, aim: Aim, priors: Priors, simulate: Simulate, fire: Fire, most: int = MOST_SHOTS
) -> list[Step]:
    """Fire until a part is within the tolerance, or `most` shots were fired. `plan` says all but the voltage.

    Each measurement needs a final outer diameter. Raises NoSafeShotError when even the weakest shot could be over a
    limit.
    """
    gunner = Gunner(plan, aim.limits, Knowledge.before(plan, priors), simulate)
    steps: list[Step] = []
    fired: list[Measured] = []
    while len(steps) < most and not (steps and steps[-1].hit):
        wanted = aim.final_outer_diameter_m
        shot = gunner.aimed_at(wanted if steps else first_aim(plan, wanted))
        predicted, error = gunner.predict(shot)
        fired.append(fire(shot))
        size = fired[-1].sizes.final_outer_diameter_m
        if size is None:
            raise ValueError("a campaign needs the final outer diameter of each part")
        gunner.known = Knowledge.after(fit(fired, priors, simulate))
        steps.append(Step(shot, predicted, error, size, abs(size - wanted) <= aim.tolerance_m))
    return steps
