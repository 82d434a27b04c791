"""What was measured of one shot, as a fit uses it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from pydantic import Field

from physics.schema import Checked
from physics.shot import Shot
from physics.waveform import CleanTrace

Floats = npt.NDArray[np.float64]

#: Points of the current that a fit looks at; more say nothing new about half a dozen quantities.
TRACE_POINTS = 240
#: The current is compared until it has fallen to this share of its peak: later the arcs of a burst coil decide it, and
#: when a coil bursts jumps with the smallest change.
LAST_SHARE = 0.2


class Sizes(Checked):
    """Sizes of the part after the shot, as far as they were measured."""

    final_outer_diameter_m: float | None = Field(gt=0.0, le=0.5, default=None, description="Mean over the height.")
    final_inner_diameter_m: float | None = Field(ge=0.0, le=0.5, default=None, description="Bore.")
    final_rim_thickness_m: float | None = Field(gt=0.0, le=1.0, default=None, description="At the rim.")
    final_centre_thickness_m: float | None = Field(gt=0.0, le=1.0, default=None, description="In the middle.")
    size_error_m: float = Field(
        gt=0.0, le=1e-2, default=3e-5, description="Standard deviation of each: the gauge, and the part out of round."
    )

    @property
    def stated(self) -> dict[str, float]:
        """Those that were measured, by the names of a result's summary."""
        return {name: value for name in SIZE_NAMES if (value := getattr(self, name)) is not None}


SIZE_NAMES = (
    "final_outer_diameter_m",
    "final_inner_diameter_m",
    "final_rim_thickness_m",
    "final_centre_thickness_m",
)


@dataclass(frozen=True)
class Measured:
    """One fired shot: how it was set, its current from the start, and its sizes."""

    name: str
    shot: Shot
    sizes: Sizes
    #: Times from the start (s), current (A) and the noise of each (A), shape (n,); empty without a trace.
    time_s: Floats
    current_a: Floats
    noise_a: float
    #: Standard deviation of the start, s.
    start_error_s: float

    @property
    def has_trace(self) -> bool:
        """Whether the current was recorded."""
        return self.time_s.size > 0


def measured(name: str, shot: Shot, sizes: Sizes, trace: CleanTrace | None) -> Measured:
    """What a fit uses of a record: the current until it has nearly fallen off, averaged to a few hundred points."""
    if trace is None:
        none = np.zeros(0)
        return Measured(name, shot, sizes, none, none, 1.0, 1.0)
    fallen = (trace.time_s > trace.analysis.time_to_peak_s) & (
        trace.current_a < LAST_SHARE * trace.analysis.peak_current_a
    )
    end = int(np.argmax(fallen)) if fallen.any() else fallen.size
    inside = (trace.time_s >= 0.0) & (np.arange(fallen.size) < end)
    block = max(1, int(inside.sum()) // TRACE_POINTS)
    time, current = (_averaged(column[inside], block) for column in (trace.time_s, trace.current_a))
    noise = trace.noise_a / np.sqrt(block)
    return Measured(name, shot, sizes, time, current, float(noise), trace.analysis.start_error_s)


def _averaged(column: Floats, block: int) -> Floats:
    whole = column.size // block * block
    return np.asarray(column[:whole].reshape(-1, block).mean(axis=1), dtype=np.float64)
