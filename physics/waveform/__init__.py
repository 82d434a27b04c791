"""What a measured current trace says by itself: landmarks, damping, charge, and the circuit behind it.

:func:`analyse` is the one entry. It takes what the oscilloscope stored and how the probe reads (:class:`Probe`), and
either answers with a :class:`TraceAnalysis` or refuses with a reason (:class:`TraceRefused`).
"""

from physics.waveform.analysis import CleanTrace, TraceAnalysis, analyse, cleaned
from physics.waveform.probe import Probe
from physics.waveform.quality import TraceRefused

__all__ = ["CleanTrace", "Probe", "TraceAnalysis", "TraceRefused", "analyse", "cleaned"]
