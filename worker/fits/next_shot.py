"""Which shot would tell most: the one whose measurement shrinks the volume of what is still uncertain by most."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from physics.shot import Shot
from worker.fits.estimate import MODEL_ERROR_RATIO, Fit, Floats, Problem, Simulate
from worker.fits.measured import LAST_SHARE, TRACE_POINTS, Measured, Sizes
from worker.fits.parameters import Priors, with_values

#: Noise of the current that a measurement to come is expected to have, as a share of its peak.
EXPECTED_NOISE_RATIO = 0.005


@dataclass(frozen=True)
class Suggestion:
    """A shot, and what it would leave of the present errors."""

    shot: Shot
    #: Natural logarithm of the factor by which the volume of the uncertainty shrinks.
    gain: float
    #: By name: error expected after it, in the quantity's unit.
    expected_errors: dict[str, float]


def rank(fit: Fit, shots: Sequence[Shot], sizes: Sizes, priors: Priors, simulate: Simulate) -> list[Suggestion]:
    """The shots in order of what they would tell (most first), if current and the stated sizes are measured.

    D-optimal: the gain is half the logarithm of det(1 + C F), with C the covariance after the fit and F the Fisher
    information of the new measurement, probe's scale and clock let go. Shots that do not run to their end are left out.
    """
    found = []
    for shot in shots:
        expected = _expected(fit, shot, sizes, simulate)
        if expected is None:
            continue
        information = Problem(
            [expected], fit.priors, priors.probe_scale_ratio, simulate, MODEL_ERROR_RATIO
        ).information_at(fit.unknowns)
        covariance = fit.unknowns_covariance
        _, logarithm = np.linalg.slogdet(np.eye(len(covariance)) + covariance @ information)
        after = np.asarray(np.linalg.inv(np.linalg.inv(covariance) + information), dtype=np.float64)
        found.append(Suggestion(shot, 0.5 * float(logarithm), _errors(fit, after)))
    return sorted(found, key=lambda suggestion: -suggestion.gain)


def _expected(fit: Fit, shot: Shot, sizes: Sizes, simulate: Simulate) -> Measured | None:
    """What a measurement of the shot is expected to be like; None for one that has no end."""
    result, time, current = simulate(with_values(shot, fit.as_values()))
    if result.summary is None or result.status != "completed":
        return None
    fallen = (time > result.summary.time_to_peak_s) & (current < LAST_SHARE * result.summary.peak_current_a)
    end = float(time[np.argmax(fallen)] if fallen.any() else time[-1])
    when = np.linspace(0.0, end, TRACE_POINTS)
    values = np.interp(when, time, current)
    known = {name: getattr(result.summary, name) for name in sizes.stated}
    return Measured(
        name="to come",
        shot=shot,
        sizes=sizes.model_copy(update=known),
        time_s=when,
        current_a=values,
        noise_a=EXPECTED_NOISE_RATIO * result.summary.peak_current_a,
        start_error_s=1e-3 * end,
    )


def _errors(fit: Fit, covariance: Floats) -> dict[str, float]:
    deviations = np.sqrt(np.diag(covariance))
    return {
        prior.name: float(prior.slope_at(float(unknown)) * deviation)
        for prior, unknown, deviation in zip(fit.priors, fit.unknowns, deviations, strict=True)
    }
