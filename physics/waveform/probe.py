"""From what the oscilloscope stored to amperes: scale, delay, integration, and droop of an integrator."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field
from scipy.integrate import cumulative_trapezoid

from physics.schema import Checked

Floats = npt.NDArray[np.float64]


class Probe(Checked):
    """How a trace reads: what one unit of its two columns stands for, and what the coil or its integrator does."""

    reads: Literal["current", "rate_of_change"] = Field(
        default="current",
        description="`rate_of_change`: the trace of a Rogowski coil without integrator; it is integrated here.",
    )
    time_unit_s: float = Field(gt=0.0, le=1.0, default=1.0, description="Seconds that one unit of time stands for.")
    scale_a: float = Field(
        ge=-1e12,
        le=1e12,
        default=1.0,
        description="Amperes that one unit of value stands for; for `rate_of_change` A/s. Negative turns the sign.",
    )
    delay_s: float = Field(ge=-1e-3, le=1e-3, default=0.0, description="Delay of probe and cable, taken off the times.")
    droop_time_constant_s: float | None = Field(
        gt=0.0,
        le=1e3,
        default=None,
        description="Time constant of the probe's integrator, whose reading droops; null: none. It is undone here.",
    )


def current(time: Floats, value: Floats, probe: Probe) -> tuple[Floats, Floats]:
    """Times (s) and current (A), both shape (n,), of the columns as stored, shape (n,).

    A Rogowski coil without integrator gives V = M dI/dt, integrated by the trapezoidal rule from rest; a probe whose
    integrator droops with time constant T reads y with y' = I' - y / T, so that I = y + integral of y / T. A constant
    offset of the stored value becomes a drift by either; the analysis takes both off again.
    """
    seconds = time * probe.time_unit_s - probe.delay_s
    amperes = value * probe.scale_a
    if probe.reads == "rate_of_change":
        amperes = cumulative_trapezoid(amperes, seconds, initial=0.0)
    if probe.droop_time_constant_s is not None:
        amperes = amperes + cumulative_trapezoid(amperes, seconds, initial=0.0) / probe.droop_time_constant_s
    return seconds, amperes
