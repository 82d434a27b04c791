"""A current trace in figures: time zero, peak, zeros, damping, charge, action, and the circuit that would give it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import pi, sqrt

import numpy as np
import numpy.typing as npt
from pydantic import Field

from physics.schema import Checked
from physics.waveform.damped import DampedFit, fit_damped, reversal
from physics.waveform.landmarks import Figure, peak_near, zero_near
from physics.waveform.probe import Probe, current
from physics.waveform.quality import LEAST_SIGNAL, TraceRefused, check_columns, noise

Floats = npt.NDArray[np.float64]

#: Points that a longer trace is averaged down to; there are still hundreds in a quarter period then.
POINTS = 6000
#: Half widths of the neighbourhoods of a peak and of a zero, in quarter periods.
_PEAK_WIDTH, _ZERO_WIDTH = 0.3, 0.2
#: Residuals of this size, over the noise, squared: the circuit is not a constant one.
_CONSTANT_CHI_SQUARE = 1.3
#: The charge through the first half-cycle may differ from what the bank gives by this factor before a trace is refused.
_CHARGE_FACTOR = 2.0
#: A peak this late in the trace is its end.
_LATEST_PEAK = 0.97
#: A start this far before the first point, in quarter periods, was not recorded.
_LATEST_START = 0.05
_NO_START = "the trace begins after the switch closed; trigger earlier"
#: Points between start and peak, at least.
FEWEST_IN_RISE = 20
#: Points before the shot that make a baseline; those closest to the start, in quarter periods, are left out.
FEWEST_BEFORE = 10
_BEFORE_MARGIN = 0.05
#: Points at the very start that are taken as before the shot in any case, and how far, in standard deviations, two in a
#: row must be from the mean before them to count as the shot itself.
_FEWEST_STILL, _MOVED_SIGMA = 5, 6.0
#: A drift counts from so many standard deviations on.
_DRIFT_SIGNIFICANCE = 3.0
#: A current below this share of the peak has died down.
_NOTHING_RATIO = 0.02
#: Relative step of numerical derivatives to the fit's parameters.
_DIFFERENCE = 1e-6
#: Endings of the names of figures with an error.
_UNITS = ("_a_per_s", "_per_s", "_a2_s", "_a", "_s", "_coulomb", "_ratio", "_henry", "_ohm")
#: Times to peak of any capacitor bank that shrinks metal, s.
_PLAUSIBLE_PEAK_S = (1e-7, 5e-3)


class TraceAnalysis(Checked):
    """What a current trace says. Each `..._error_...` is one standard deviation of the figure before it."""

    points_count: int = Field(description="Points of the trace as stored.")
    noise_a: float = Field(description="White noise of each stored point, as standard deviation.")
    offset_a: float = Field(description="Reading without current, taken off.")
    drift_a_per_s: float = Field(description="Slope of that reading, taken off.")
    start_s: float = Field(description="When the switch closed, on the trace's own clock.")
    start_error_s: float
    peak_current_a: float
    peak_current_error_a: float
    time_to_peak_s: float = Field(description="From the start.")
    time_to_peak_error_s: float
    first_current_zero_s: float | None = Field(description="From the start; null if the trace ends before.")
    first_current_zero_error_s: float | None
    current_zeros_s: list[float] = Field(
        description="All of them, from the start, as far as they stand out of the noise."
    )
    charge_coulomb: float = Field(description="Integral of |I| over the whole trace.")
    charge_error_coulomb: float
    first_charge_coulomb: float = Field(description="Integral of I up to the first zero, or to the end without one.")
    first_charge_error_coulomb: float
    action_a2_s: float = Field(description="Integral of I^2 over the whole trace, without the noise's share.")
    action_error_a2_s: float
    is_constant_circuit: bool = Field(description="Whether one inductance and resistance explain the whole trace.")
    fitted_until_s: float = Field(description="End of the part that the circuit was fitted to, from the start.")
    rate_of_rise_a_per_s: float = Field(description="At the start; charge voltage over inductance.")
    rate_of_rise_error_a_per_s: float
    damping_per_s: float = Field(description="R / 2 L.")
    damping_error_per_s: float
    ringing_frequency_hz: float | None = Field(description="Null for a discharge that does not ring.")
    voltage_reversal_ratio: float = Field(description="Of a constant circuit: e to the -damping times half a period.")
    voltage_reversal_error_ratio: float
    inductance_henry: float | None = Field(description="Effective, of the whole loop; null without capacitance.")
    inductance_error_henry: float | None
    resistance_ohm: float | None = Field(description="Effective, of the whole loop; null without capacitance.")
    resistance_error_ohm: float | None
    charge_balance_ratio: float | None = Field(
        description="Charge of the first half-cycle over C V (1 + reversal): 1 if probe, capacitance and voltage "
        "agree; null unless both are stated and the half-cycle is whole."
    )
    charge_balance_error_ratio: float | None
    implied_voltage_v: float | None = Field(
        description="Rate of rise times effective inductance: the charge voltage that the probe's scale implies; null "
        "without capacitance."
    )
    remarks: list[str] = Field(description="What to know before these figures are used.")


def analyse(
    time: Floats,
    value: Floats,
    probe: Probe | None = None,
    *,
    capacitance_farad: float | None = None,
    charge_voltage_v: float | None = None,
) -> TraceAnalysis:
    """Analyse a trace of the current, columns of shape (n,) as the oscilloscope stored them.

    Peaks and zeros come from polynomials through their neighbourhoods, so they hold for a circuit that changes; only
    damping and the effective circuit come from the fit of a constant one, over the whole trace if it explains that
    within the noise, else up to the first current zero. Raises TraceRefused with the reason.
    """
    return cleaned(time, value, probe, capacitance_farad=capacitance_farad, charge_voltage_v=charge_voltage_v).analysis


@dataclass(frozen=True)
class CleanTrace:
    """A trace that was accepted: time from the start (s) and current without baseline (A), both of shape (n,)."""

    analysis: TraceAnalysis
    time_s: Floats
    current_a: Floats
    #: White noise of each of these points, A; less than that of the stored ones, which are averaged.
    noise_a: float


def cleaned(
    time: Floats,
    value: Floats,
    probe: Probe | None = None,
    *,
    capacitance_farad: float | None = None,
    charge_voltage_v: float | None = None,
) -> CleanTrace:
    """The trace averaged to some thousand points, with its analysis; see :func:`analyse`."""
    check_columns(time, value)
    read = _Reading(_Trace(*current(time, value, probe or Probe())))
    report = _report(read, capacitance_farad, charge_voltage_v)
    return CleanTrace(report, read.time - read.fit.start_s, read.current, read.trace.noise)


class _Trace:
    """The averaged trace, where its landmarks roughly are, and what is read from it once its baseline is off."""

    def __init__(self, seconds: Floats, amperes: Floats) -> None:
        self.points = seconds.size
        self.point_noise = noise(amperes)
        block = max(1, seconds.size // POINTS)
        self.time, self.raw = (_averaged(column, block) for column in (seconds, amperes))
        self.noise = max(noise(self.raw), self.point_noise / sqrt(block))
        self._find(self.raw - np.median(self.raw[: self._still()]))

    def _still(self) -> int:
        """First points that stay where they began: a fiftieth of the trace, unless the shot comes before that."""
        most = max(self.raw.size // 50, _FEWEST_STILL)
        before = np.cumsum(self.raw[:most]) / np.arange(1, most + 1)
        away = np.abs(self.raw[1:most] - before[:-1]) > _MOVED_SIGMA * self.noise
        moved = np.flatnonzero(away[:-1] & away[1:])
        return max(int(moved[0]), _FEWEST_STILL) if moved.size else most

    def _find(self, signal: Floats) -> None:
        """Rough start, peak and zero of the first half-cycle."""
        top = float(np.abs(signal).max())
        if top < LEAST_SIGNAL * self.noise:
            words = f"nothing stands out of the noise: {top:.3g} A at most, noise {self.noise:.3g} A"
            raise TraceRefused("no_pulse", words)
        high = int(np.argmax(np.abs(signal) > 0.5 * top))
        if signal[high] < 0.0 and self._begins_late(signal):
            raise TraceRefused("no_start", _NO_START)
        if signal[high] < 0.0:
            words = "the first half-cycle is negative: turn the probe, or state a negative scale_a"
            raise TraceRefused("wrong_sign", words)
        below = np.flatnonzero(signal[high:] < 0.0)
        end = high + int(below[0]) if below.size else signal.size
        self.zero = end if below.size else None
        self.peak = high + int(np.argmax(signal[high:end]))
        if self.peak >= _LATEST_PEAK * signal.size:
            raise TraceRefused("too_short", "the trace ends before the current has peaked; record for longer")
        self.height = float(signal[self.peak])
        self.start = self._rough_start(signal[: self.peak + 1])
        self.quarter = float(self.time[self.peak]) - self.start
        low, longest = _PLAUSIBLE_PEAK_S
        if not low <= self.quarter <= longest:
            words = f"the current peaks after {self.quarter:.3g} s, outside {low:g} to {longest:g} s; check time_unit_s"
            raise TraceRefused("time_unit", words)
        rise = self.peak - int(np.searchsorted(self.time, self.start))
        if rise < FEWEST_IN_RISE:
            raise TraceRefused("too_coarse", f"{rise} points lie before the peak, {FEWEST_IN_RISE} are needed")

    def _begins_late(self, signal: Floats) -> bool:
        """Whether the very first points already rise or fall."""
        count = max(signal.size // 100, 3)
        step = float(signal[count : 2 * count].mean() - signal[:count].mean())
        return abs(step) > LEAST_SIGNAL * self.noise * sqrt(2.0 / count)

    def _rough_start(self, rise: Floats) -> float:
        """Where the line through a tenth and four tenths of the peak meets the axis."""
        low, middle = (_last_below(rise, share * self.height) for share in (0.1, 0.4))
        if low is None or middle is None or middle <= low:
            raise TraceRefused("no_start", _NO_START)
        slope = (rise[middle] - rise[low]) / (self.time[middle] - self.time[low])
        return max(float(self.time[low] - rise[low] / slope), float(self.time[0]))

    def fit(self, *, last: int | None = None, line: Line | None = None) -> DampedFit:
        """The fit to the points before `last`, with its own baseline or with a given one taken off before."""
        peak_s, amperes = float(self.time[self.peak]), self.raw if line is None else self.raw - line.at(self.time)
        return fit_damped(
            self.time[:last],
            amperes[:last],
            self.noise,
            self.start,
            peak_s,
            self.height,
            with_line=line is None,
        )

    def line_before(self) -> Line:
        """The probe's zero as recorded before the shot; its slope only if that stands out of the noise."""
        before = self.time < self.start - _BEFORE_MARGIN * self.quarter
        gain = np.zeros((2, self.time.size))
        if before.sum() < FEWEST_BEFORE:
            return Line(0.0, 0.0, gain)
        inside = self.time[before]
        sums = np.linalg.pinv(np.stack((np.ones(inside.size), inside), axis=1))
        offset, slope = (float(v) for v in sums @ self.raw[before])
        if abs(slope) < _DRIFT_SIGNIFICANCE * self.noise * float(np.linalg.norm(sums[1])):
            gain[0, before] = 1.0 / inside.size
            return Line(float(self.raw[before].mean()), 0.0, gain)
        gain[:, before] = sums
        return Line(offset, slope, gain)


@dataclass(frozen=True)
class Line:
    """The probe's zero: offset (A) at time 0, drift (A/s), and how both follow each point, shape (2, n)."""

    offset: float
    drift: float
    gain: Floats

    def at(self, time: Floats) -> Floats:
        """The zero at these times, A."""
        return self.offset + self.drift * time


class _Reading:
    """A trace without its baseline, and the figures read from it with what each of them owes to each point."""

    def __init__(self, trace: _Trace) -> None:
        self.trace, self.time = trace, trace.time
        self.gain = np.zeros((4, trace.time.size))
        whole = trace.fit()
        self.is_constant = whole.chi_square <= _CONSTANT_CHI_SQUARE
        if self.is_constant:
            self.fit, last = whole, trace.time.size
            self.line = Line(float(whole.parameters[4]), float(whole.parameters[5]), whole.gain[4:])
        else:
            # A circuit that changes would bend the baseline to hide it.
            self.line = trace.line_before()
            last = trace.time.size if trace.zero is None else trace.zero + 1
            self.fit = trace.fit(last=last, line=self.line)
        if self.fit.start_s < trace.time[0] - _LATEST_START * trace.quarter:
            raise TraceRefused("no_start", _NO_START)
        self.until = float(trace.time[last - 1])
        # What the circuit fails to explain counts as noise of the fit.
        self.gain[:, :last] = self.fit.gain[:4] * sqrt(max(self.fit.chi_square, 1.0))
        self.current = trace.raw - self.line.at(trace.time)
        self.start = Figure(self.fit.start_s, self.gain[0])
        self.began = int(np.searchsorted(trace.time, self.fit.start_s))

    def free_of_baseline(self, figure: Figure) -> Figure:
        """The figure, read from the current without baseline, with what the baseline itself owes to the points."""
        weights = figure.weights
        return Figure(
            figure.value, weights - weights.sum() * self.line.gain[0] - (weights @ self.time) * self.line.gain[1]
        )

    def of_fit(self, figure: Callable[[Floats], float]) -> Figure:
        """A figure of the fit's parameters."""
        centre, slopes = figure(self.fit.parameters), np.zeros(4)
        for index in range(4):
            moved = self.fit.parameters.copy()
            step = _DIFFERENCE * (abs(moved[index]) or 1.0)
            moved[index] += step
            slopes[index] = (figure(moved) - centre) / step
        return Figure(centre, slopes @ self.gain)

    def peak(self) -> tuple[Figure, Figure]:
        """Time from the start (s) and height (A) of the first peak."""
        guess, half = float(self.time[self.trace.peak]), _PEAK_WIDTH * self.trace.quarter
        when, height = (self.free_of_baseline(f) for f in peak_near(self.time, self.current, guess, half))
        return when - self.start, height

    def zeros(self) -> Iterator[Figure]:
        """On the trace's clock (s), each current zero with a half-cycle before it that stands out of the noise."""
        half, last = _ZERO_WIDTH * self.trace.quarter, self.trace.peak
        width = max(int(np.searchsorted(self.time, self.time[0] + half)), 1)
        smooth = np.convolve(self.current, np.ones(width) / width, mode="same")
        changes = np.flatnonzero(np.diff(np.sign(smooth[self.trace.peak :])) != 0.0) + self.trace.peak
        for index in changes:
            swing = float(np.abs(smooth[last : index + 1]).max())
            if swing < LEAST_SIGNAL * self.trace.noise / sqrt(width) or self.time[index] - self.time[last] < half:
                continue
            if self.time[index] + half > self.time[-1]:
                return
            yield self.free_of_baseline(zero_near(self.time, self.current, float(self.time[index]), half))
            last = int(index) + 1

    def charges(self, zeros: Sequence[Figure]) -> tuple[Figure, Figure]:
        """Integral of I (C) up to the first zero, and of |I| over the trace, as the sum of its half-cycles."""
        edges = np.searchsorted(self.time, [self.fit.start_s, *(zero.value for zero in zeros), np.inf])
        signs = np.zeros(self.time.size)
        for number, (begin, end) in enumerate(pairwise(edges)):
            signs[begin:end] = (-1.0) ** number
        only_first = np.where(np.arange(self.time.size) < edges[1], signs, 0.0)
        return self._integral(self.current * only_first, only_first), self._integral(self.current * signs, signs)

    @property
    def has_died_down(self) -> bool:
        """Whether the current at the end of the trace is next to nothing."""
        return bool(np.abs(np.mean(self.current[-20:])) < _NOTHING_RATIO * self.trace.height)

    def action(self) -> Figure:
        """Integral of I^2 (A^2 s) without the noise's share."""
        inside = np.where(np.arange(self.time.size) >= self.began, 1.0, 0.0)
        return self._integral(inside * (self.current**2 - self.trace.noise**2), inside * 2.0 * self.current)

    def _integral(self, integrand: Floats, slope: Floats) -> Figure:
        """The trapezoidal sum of the integrand, whose derivative to the current is `slope`; both of shape (n,)."""
        widths = np.gradient(self.time)
        return self.free_of_baseline(Figure(float(widths @ integrand), widths * slope))


def _averaged(column: Floats, block: int) -> Floats:
    whole = column.size // block * block
    return np.asarray(column[:whole].reshape(-1, block).mean(axis=1), dtype=np.float64)


def _last_below(rise: Floats, level: float) -> int | None:
    below = np.flatnonzero(rise < level)
    return int(below[-1]) if below.size else None


def _check_charge(first: float, full: float) -> None:
    ratio = first / full
    if not 1.0 / _CHARGE_FACTOR <= ratio <= _CHARGE_FACTOR:
        raise TraceRefused(
            "scale",
            f"the first half-cycle carries {ratio:.3g} times the charge that the bank gives; check scale_a (kA for "
            "A?), time_unit_s, capacitance and charge voltage",
        )


def _report(read: _Reading, capacitance: float | None, voltage: float | None) -> TraceAnalysis:
    trace, fit, noise_a = read.trace, read.fit, read.trace.noise
    to_peak, height = read.peak()
    zeros = list(read.zeros())
    (first, charge), action = read.charges(zeros), read.action()
    turned = read.of_fit(reversal)
    figures: dict[str, Figure | None] = dict.fromkeys(("inductance_henry", "resistance_ohm", "charge_balance_ratio"))
    if capacitance is not None:
        inductance = read.of_fit(lambda p: 1.0 / (capacitance * (p[2] ** 2 + p[3])))
        resistance = read.of_fit(lambda p: 2.0 * p[2] / (capacitance * (p[2] ** 2 + p[3])))
        figures |= {"inductance_henry": inductance, "resistance_ohm": resistance}
        if voltage is not None and (zeros or read.has_died_down):
            full = capacitance * voltage * (1.0 + turned.value)
            _check_charge(first.value, full)
            weights = (first.weights - first.value / (1.0 + turned.value) * turned.weights) / full
            figures["charge_balance_ratio"] = Figure(first.value / full, weights)
    figures |= {
        "start_s": read.start,
        "peak_current_a": height,
        "time_to_peak_s": to_peak,
        "first_current_zero_s": zeros[0] - read.start if zeros else None,
        "charge_coulomb": charge,
        "first_charge_coulomb": first,
        "action_a2_s": action,
        "rate_of_rise_a_per_s": Figure(fit.rate_a_per_s, read.gain[1]),
        "damping_per_s": Figure(fit.damping_per_s, read.gain[2]),
        "voltage_reversal_ratio": turned,
    }
    found = figures["inductance_henry"]
    return TraceAnalysis.model_validate(
        {
            **{name: figure.value if figure else None for name, figure in figures.items()},
            **{_error_name(name): figure.error(noise_a) if figure else None for name, figure in figures.items()},
            "points_count": trace.points,
            "noise_a": trace.point_noise,
            "offset_a": read.line.offset + read.line.drift * fit.start_s,
            "drift_a_per_s": read.line.drift,
            "current_zeros_s": [zero.value - fit.start_s for zero in zeros],
            "is_constant_circuit": read.is_constant,
            "fitted_until_s": read.until - fit.start_s,
            "ringing_frequency_hz": sqrt(fit.square_per_s2) / (2.0 * pi) if fit.square_per_s2 > 0.0 else None,
            "implied_voltage_v": fit.rate_a_per_s * found.value if found else None,
            "remarks": list(_remarks(read)),
        }
    )


def _error_name(name: str) -> str:
    """`peak_current_a` becomes `peak_current_error_a`: the unit stays at the end."""
    stem = next(name.removesuffix(unit) for unit in _UNITS if name.endswith(unit))
    return f"{stem}_error{name.removeprefix(stem)}"


def _remarks(read: _Reading) -> Iterator[str]:
    if not read.is_constant:
        yield (
            "no constant circuit explains the trace (parts move, heat or burst): inductance, resistance and reversal "
            "are effective ones of the first half-cycle"
        )
    if read.fit.chi_square > _CONSTANT_CHI_SQUARE:
        misfit = sqrt(read.fit.chi_square)
        yield f"the fit leaves {misfit:.1f} times the noise; the errors of what comes from it are widened by that"
    if read.fit.start_s - read.time[0] < 0.05 * read.trace.quarter:
        yield "hardly anything was recorded before the shot: the zero of the probe rests on the fit alone"
    if read.trace.zero is None:
        yield "the trace ends before the first current zero"
