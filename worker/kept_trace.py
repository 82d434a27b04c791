"""A measured current trace: as it comes, what is said of it, and the columns that are kept of it."""

from __future__ import annotations

import hashlib
import zlib
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field
from pydantic.config import JsonDict

from physics.schema import UNIT_OF_PROBE, Checked
from physics.shot import Shot
from physics.waveform import CleanTrace, Probe, TraceAnalysis, cleaned
from physics.waveform.thinning import thinned

Floats = npt.NDArray[np.float64]

#: Points of a trace that is given inside a record, and points that are kept of any.
MOST_INLINE = 20_000
MOST_KEPT = 20_000
_AS_STORED: JsonDict = {"x-unit": UNIT_OF_PROBE}

Column = Annotated[list[float], Field(min_length=1, max_length=MOST_INLINE)]


class InlineTrace(Checked):
    """A trace as two columns, as the oscilloscope stored them."""

    time: Column = Field(description="Times, in units of `probe.time_unit_s`.", json_schema_extra=_AS_STORED)
    value: Column = Field(description="Readings, in units of `probe.scale_a`.", json_schema_extra=_AS_STORED)
    probe: Probe = Field(default_factory=Probe, description="How the columns read.")


class TraceFacts(Checked):
    """What is known of a trace that was accepted, apart from what it says."""

    source: Literal["inline", "file"] = Field(description="Given inside the record, or sent as a file afterwards.")
    points_count: int = Field(description="Points as they came.")
    kept_points_count: int = Field(
        description="Points that are kept; of a long trace the lowest and highest of each stretch."
    )
    sha256: str | None = Field(description="Of the file as it came, in hexadecimal; null for a trace given inline.")
    probe: Probe
    received_at: datetime


class KeptTrace(TraceFacts):
    """The same with its analysis."""

    analysis: TraceAnalysis = Field(description="From the whole trace, with the shot's capacitance and voltage.")


@dataclass(frozen=True)
class TraceColumns:
    """A trace's columns: as stored by the oscilloscope, thinned; and the current from the start, averaged (s, A)."""

    stored_time: Floats
    stored_value: Floats
    time_s: Floats
    current_a: Floats
    #: White noise of each point of `current_a`, A.
    noise_a: float


@dataclass(frozen=True)
class NewTrace:
    """An accepted trace on its way into the store."""

    source: Literal["inline", "file"]
    points_count: int
    sha256: str | None
    probe: Probe
    analysis: TraceAnalysis
    columns: TraceColumns

    def kept(self, received_at: datetime) -> KeptTrace:
        """What is told of it from then on."""
        return KeptTrace(
            source=self.source,
            points_count=self.points_count,
            kept_points_count=self.columns.stored_time.size,
            sha256=self.sha256,
            probe=self.probe,
            received_at=received_at,
            analysis=self.analysis,
        )


def accepted(time: Floats, value: Floats, probe: Probe, shot: Shot, file: bytes | None = None) -> NewTrace:
    """The trace of a shot, analysed whole and reduced; `file` is what the columns were read from.

    Raises physics.waveform.TraceRefused with the reason.
    """
    found = cleaned(
        time,
        value,
        probe,
        capacitance_farad=shot.bank.capacitance_farad,
        charge_voltage_v=shot.bank.charge_voltage_v,
    )
    stored_time, stored_value = thinned(time, value, MOST_KEPT)
    return NewTrace(
        source="inline" if file is None else "file",
        points_count=time.size,
        sha256=None if file is None else hashlib.sha256(file).hexdigest(),
        probe=probe,
        analysis=found.analysis,
        columns=TraceColumns(stored_time, stored_value, found.time_s, found.current_a, found.noise_a),
    )


def inline_accepted(trace: InlineTrace, shot: Shot) -> NewTrace:
    """The same for a trace that was given inside a record."""
    return accepted(np.array(trace.time), np.array(trace.value), trace.probe, shot)


def clean_trace(kept: KeptTrace, columns: TraceColumns) -> CleanTrace:
    """The trace as a fit takes it."""
    return CleanTrace(kept.analysis, columns.time_s, columns.current_a, columns.noise_a)


def pack(column: Floats) -> bytes:
    """A column deflated, bytes of equal weight beside each other, which are alike; every bit comes back."""
    planes = np.ascontiguousarray(column, dtype="<f8").view(np.uint8).reshape(-1, 8).T
    return zlib.compress(planes.tobytes())


def unpack(packed: bytes) -> Floats:
    """The other way round."""
    planes = np.frombuffer(zlib.decompress(packed), dtype=np.uint8).reshape(8, -1)
    return np.ascontiguousarray(planes.T).view("<f8").reshape(-1).astype(np.float64)
