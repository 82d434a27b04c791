"""A current trace in figures, against the closed form of a capacitor through constant inductance and resistance.

V / L e^(-a t) sin(w t) / w with a = R / 2 L and w^2 = 1 / L C - a^2 is textbook circuit theory; the traces here are
made from it by the tests' own lines, with noise, offset, drift and delay of known size.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import e, exp, pi, sqrt
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from scipy.stats import binom

from physics import simulate_shot
from physics.shot import check_shot
from physics.simulate import simulate_whole
from physics.waveform import Probe, TraceAnalysis, TraceRefused, analyse
from tests.physics.shots import TRADE_SHOT, changed

Floats = npt.NDArray[np.float64]

#: When the switch of the made-up traces closes, s on their own clock.
START_S = 1.234e-6


@dataclass(frozen=True)
class Loop:
    """A bank that discharges through constant inductance and resistance."""

    voltage_v: float
    capacitance_farad: float
    inductance_henry: float
    resistance_ohm: float

    @property
    def damping(self) -> float:
        return 0.5 * self.resistance_ohm / self.inductance_henry

    @property
    def omega(self) -> float:
        return sqrt(1.0 / (self.inductance_henry * self.capacitance_farad) - self.damping**2)

    def current(self, time: Floats) -> Floats:
        since = np.maximum(time - START_S, 0.0)
        slope = self.voltage_v / self.inductance_henry
        return np.asarray(slope * np.exp(-self.damping * since) * np.sin(self.omega * since) / self.omega)

    def truth(self) -> dict[str, float]:
        """The figures in closed form; charge over two full periods as the sum of its half-cycles."""
        peak_s = np.arctan2(self.omega, self.damping) / self.omega
        turned = exp(-self.damping * pi / self.omega)
        first = self.capacitance_farad * self.voltage_v * (1.0 + turned)
        return {
            "inductance_henry": self.inductance_henry,
            "resistance_ohm": self.resistance_ohm,
            "start_s": START_S,
            "peak_current_a": float(self.current(np.array([START_S + peak_s]))[0]),
            "time_to_peak_s": float(peak_s),
            "first_current_zero_s": pi / self.omega,
            "voltage_reversal_ratio": turned,
            "first_charge_coulomb": first,
            "rate_of_rise_a_per_s": self.voltage_v / self.inductance_henry,
            "damping_per_s": self.damping,
            "charge_balance_ratio": 1.0,
        }


#: The bank of the first row of the published table below.
LOOP = Loop(1e4, 1e-4, 2e-6, 2e-2)
ERROR_NAMES = {
    "inductance_henry": "inductance_error_henry",
    "resistance_ohm": "resistance_error_ohm",
    "start_s": "start_error_s",
    "peak_current_a": "peak_current_error_a",
    "time_to_peak_s": "time_to_peak_error_s",
    "first_current_zero_s": "first_current_zero_error_s",
    "voltage_reversal_ratio": "voltage_reversal_error_ratio",
    "first_charge_coulomb": "first_charge_error_coulomb",
    "rate_of_rise_a_per_s": "rate_of_rise_error_a_per_s",
    "damping_per_s": "damping_error_per_s",
    "charge_balance_ratio": "charge_balance_error_ratio",
}


def times(points: int = 3000, until: float = 2e-4) -> Floats:
    return np.linspace(-2e-5, until, points)


def read(time: Floats, value: Floats, loop: Loop = LOOP, probe: Probe | None = None) -> TraceAnalysis:
    return analyse(time, value, probe, capacitance_farad=loop.capacitance_farad, charge_voltage_v=loop.voltage_v)


@pytest.mark.parametrize(
    ("loop", "peak_a", "peak_s", "frequency_hz", "reversal"),
    [
        (Loop(1e4, 1e-4, 2e-6, 2e-2), 63577.684, 21.266813e-6, 11225.784, 0.8003536),
        (Loop(6e3, 5e-5, 1e-6, 5e-2), 33034.927, 10.008223e-6, 22153.431, 0.5687885),
        (Loop(8e3, 2e-4, 8e-7, 1e-2), 112378.869, 18.927373e-6, 12542.922, 0.7794673),
    ],
)
def test_a_clean_trace_gives_the_loop_back(
    loop: Loop, peak_a: float, peak_s: float, frequency_hz: float, reversal: float
) -> None:
    """Peak, time to peak, frequency and reversal of a series RLC circuit in closed form, evaluated to eight digits."""
    time = times()
    found = read(time, loop.current(time), loop)
    assert found.is_constant_circuit
    assert found.peak_current_a == pytest.approx(peak_a, rel=2e-5)
    assert found.time_to_peak_s == pytest.approx(peak_s, rel=1e-3)
    assert found.ringing_frequency_hz == pytest.approx(frequency_hz, rel=1e-5)
    assert found.voltage_reversal_ratio == pytest.approx(reversal, rel=1e-4)
    assert found.inductance_henry == pytest.approx(loop.inductance_henry, rel=1e-4)
    assert found.resistance_ohm == pytest.approx(loop.resistance_ohm, rel=1e-4)
    assert found.charge_balance_ratio == pytest.approx(1.0, abs=1e-4)
    assert found.implied_voltage_v == pytest.approx(loop.voltage_v, rel=1e-4)
    assert found.remarks == []


def test_action_and_charge_of_a_discharge_that_has_died_down() -> None:
    """All of the energy ends in the resistance: integral of I^2 = C V^2 / 2 R; and of |I| the geometric series."""
    loop = Loop(6e3, 5e-5, 1e-6, 5e-2)
    time = times(6000, 6e-4)
    # Noise squared would give 1.4 % of the action.
    found = read(time, loop.current(time) + np.random.default_rng(6).normal(0.0, 650.0, time.size), loop)
    assert found.action_a2_s == pytest.approx(1.8e4, rel=7e-3)
    turned = exp(-loop.damping * pi / loop.omega)
    assert found.charge_coulomb == pytest.approx(0.3 * (1 + turned) / (1 - turned), rel=0.025)


@pytest.mark.parametrize("over", [1.5, 4.0, 12.0])
def test_a_creeping_discharge_gives_its_loop_back(over: float) -> None:
    """Resistance above the critical one: the difference of two exponentials, from textbook circuit theory."""
    inductance, capacitance, voltage = 1e-6, 1e-4, 5e3
    resistance = over * 2.0 * sqrt(inductance / capacitance)
    middle = 0.5 * resistance / inductance
    half = sqrt(middle**2 - 1.0 / (inductance * capacitance))
    time = np.linspace(-2e-5, 20.0 / over * 1e-4, 20_000)
    since = np.maximum(time - START_S, 0.0)
    value = voltage / inductance * (np.exp((half - middle) * since) - np.exp(-(half + middle) * since)) / (2.0 * half)
    value += np.random.default_rng(5).normal(0.0, 1e-3 * value.max(), time.size)
    found = analyse(time, value, capacitance_farad=capacitance, charge_voltage_v=voltage)
    assert found.is_constant_circuit
    assert found.resistance_ohm == pytest.approx(resistance, rel=5e-3)
    assert found.inductance_henry == pytest.approx(inductance, rel=0.03)


def test_a_discharge_without_ringing_is_fitted_as_well() -> None:
    """Critically damped, I peaks at 2 L / R with 2 V / (e R); there is no zero and no reversal."""
    inductance, capacitance = 1e-6, 1e-4
    resistance = 2.0 * sqrt(inductance / capacitance)
    time = times(4000, 3e-4)
    since = np.maximum(time - START_S, 0.0)
    value = 5e3 / inductance * since * np.exp(-0.5 * resistance / inductance * since)
    found = analyse(time, value, capacitance_farad=capacitance, charge_voltage_v=5e3)
    assert found.peak_current_a == pytest.approx(2.0 * 5e3 / (e * resistance), rel=1e-4)
    assert found.time_to_peak_s == pytest.approx(2.0 * inductance / resistance, rel=2e-3)
    assert found.first_current_zero_s is None
    assert found.resistance_ohm == pytest.approx(resistance, rel=2e-3)
    assert found.voltage_reversal_ratio < 1e-3


def test_ninety_five_of_a_hundred_intervals_hold_the_truth() -> None:
    """300 traces with 1 % noise, offset and drift: each interval of 1.96 errors covers between 90 and 98 %.

    The bounds allow for 300 draws: a true 95 % gives 90 % or less, or 98 % or more, about once in 1,000 runs.
    """
    seeds, time, truth = 300, times(1500), LOOP.truth()
    off: dict[str, list[float]] = {name: [] for name in truth}
    for seed in range(seeds):
        clean, random = LOOP.current(time), np.random.default_rng(seed)
        peak = clean.max()
        found = read(time, clean + 0.02 * peak + 150.0 * peak * time + random.normal(0.0, 0.01 * peak, time.size))
        for name, value in truth.items():
            off[name].append((getattr(found, name) - value) / getattr(found, ERROR_NAMES[name]))
    assert binom.cdf(0.90 * seeds, seeds, 0.95) < 1e-3
    for name, errors in off.items():
        assert 0.90 <= np.mean(np.abs(errors) < 1.96) <= 0.98, name
        # The scatter of 300 draws is known to 4 %.
        assert np.std(errors) == pytest.approx(1.0, abs=0.12), name


def test_a_coil_without_integrator_is_integrated() -> None:
    """What it gives is dI/dt, in closed form; an offset of the digitiser becomes a drift and is taken off."""
    time = times(20_000)
    since = np.maximum(time - START_S, 0.0)
    damping, omega = LOOP.damping, LOOP.omega
    rate = (
        np.exp(-damping * since) * (np.cos(omega * since) - damping / omega * np.sin(omega * since)) * (time > START_S)
    )
    volts = 2.5 * rate + 0.01  # 2.5 V for V / L = 5e9 A/s
    found = read(time, volts, probe=Probe(reads="rate_of_change", scale_a=2e9))
    assert found.peak_current_a == pytest.approx(LOOP.truth()["peak_current_a"], rel=1e-3)
    assert found.drift_a_per_s == pytest.approx(0.01 * 2e9, rel=0.02)
    assert found.inductance_henry == pytest.approx(2e-6, rel=2e-3)


def test_the_droop_of_an_integrator_is_undone() -> None:
    """A high pass of time constant T answers I with y, y' = I' - y / T; solved here by its own recursion."""
    time = times(20_000)
    clean, step, constant = LOOP.current(time), time[1] - time[0], 1e-3
    drooped = np.zeros(time.size)
    for i in range(1, time.size):
        drooped[i] = (drooped[i - 1] * (1 - 0.5 * step / constant) + clean[i] - clean[i - 1]) / (
            1 + 0.5 * step / constant
        )
    undone = read(time, drooped, probe=Probe(droop_time_constant_s=constant))
    left = read(time, drooped)
    assert undone.charge_balance_ratio == pytest.approx(1.0, abs=1e-3)
    assert undone.resistance_ohm == pytest.approx(2e-2, rel=2e-3)
    assert abs(left.resistance_ohm / 2e-2 - 1.0) > 0.02  # type: ignore[operator]


def test_units_delay_and_sign_of_the_probe_are_applied() -> None:
    """The same trace in microseconds and kiloamperes, upside down and 80 ns late."""
    time = times()
    probe = Probe(time_unit_s=1e-6, scale_a=-1e3, delay_s=8e-8)
    found = read((time + 8e-8) * 1e6, -LOOP.current(time) / 1e3, probe=probe)
    assert found.start_s == pytest.approx(START_S, abs=1e-10)
    assert found.peak_current_a == pytest.approx(63577.684, rel=1e-4)


def test_eight_bits_are_no_clipping_and_count_as_noise() -> None:
    """An oscilloscope of 256 levels rests for many points at the top of a sine without being overdriven."""
    time = times(200_000)
    clean = LOOP.current(time)
    level = 2.2 * clean.max() / 256
    found = read(time, np.round(clean / level) * level)
    assert found.noise_a == pytest.approx(level / sqrt(12.0), rel=0.01)
    assert found.peak_current_a == pytest.approx(63577.684, abs=0.5 * level)
    assert found.inductance_henry == pytest.approx(2e-6, rel=1e-3)


def test_a_million_points_keep_the_figures() -> None:
    """They are averaged down, which lowers the noise; the stated noise stays that of a stored point."""
    time = times(1_000_000)
    found = read(time, LOOP.current(time) + np.random.default_rng(1).normal(0.0, 1e3, time.size))
    assert found.points_count == 1_000_000
    assert found.noise_a == pytest.approx(1e3, rel=0.02)
    assert found.peak_current_a == pytest.approx(63577.684, rel=2e-4)
    assert found.inductance_error_henry < 2e-10  # type: ignore[operator]


def noisy(**change: Any) -> tuple[Floats, Floats]:
    """A good trace with 0.5 % noise, as `until`, `points`, and factors on its columns change it."""
    time = times(change.get("points", 3000), change.get("until", 2e-4))
    value = LOOP.current(time) + np.random.default_rng(2).normal(0.0, 300.0, time.size)
    return time * change.get("time", 1.0), value * change.get("value", 1.0)


@pytest.mark.parametrize(
    ("reason", "change"),
    [
        ("too_short", {"until": 1.5e-5}),
        ("too_short", {"points": 50}),
        ("too_coarse", {"points": 100}),
        ("wrong_sign", {"value": -1.0}),
        ("scale", {"value": 1e-3}),
        ("scale", {"value": 1e3}),
        ("time_unit", {"time": 1e6}),
        ("no_pulse", {"value": 0.0}),
    ],
)
def test_a_bad_trace_is_refused_with_its_reason(reason: str, change: dict[str, Any]) -> None:
    """Too short or coarse, upside down, kA for A, microseconds for seconds, nothing at all."""
    time, value = noisy(**change)
    if reason == "no_pulse":
        value = value + np.random.default_rng(3).normal(0.0, 300.0, value.size)
    with pytest.raises(TraceRefused) as refused:
        read(time, value)
    assert refused.value.reason == reason


def test_broken_columns_are_refused_with_the_point() -> None:
    """Columns of the wrong order, gaps, a clipped top with noise on it, and a trace that starts too late."""
    time, value = noisy()
    for broken, reason in [
        ((value, time), "time_not_rising"),
        ((time, np.where(np.arange(value.size) == 7, np.nan, value)), "not_finite"),
        ((time, np.minimum(value, 5e4)), "clipped"),
        ((time, np.maximum(value, -2e4)), "clipped"),
        ((time[400:], value[400:]), "no_start"),
        ((time[330:700], value[330:700]), "no_start"),
    ]:
        with pytest.raises(TraceRefused) as refused:
            read(*broken)
        assert refused.value.reason == reason


def test_a_shot_that_moves_is_told_from_a_constant_loop() -> None:
    """A fine run's own current as trace: the same peak, zero and charge as the run sums up, and a remark."""
    shot = changed(TRADE_SHOT, solver={"fidelity": "design"})
    result = simulate_shot(shot)
    assert result.series is not None
    assert result.summary is not None
    rows = result.series
    time = np.linspace(0.0, rows.time_s[-1], 4000)
    value = np.interp(time, rows.time_s, rows.current_a)
    time = np.concatenate((np.linspace(-2e-5, -1e-9, 400), time))
    value = np.concatenate((np.zeros(400), value)) + np.random.default_rng(4).normal(0.0, 50.0, time.size)
    found = analyse(time, value, capacitance_farad=1.5e-4, charge_voltage_v=7e3)
    assert not found.is_constant_circuit
    assert any("no constant circuit" in remark for remark in found.remarks)
    assert found.peak_current_a == pytest.approx(result.summary.peak_current_a, rel=5e-3)
    assert found.time_to_peak_s == pytest.approx(result.summary.time_to_peak_s, abs=6e-7)
    assert found.charge_coulomb == pytest.approx(result.summary.charge_coulomb, rel=0.01)


@pytest.mark.parametrize("before_s", [2e-6, 5e-6, 1e-5])
def test_a_long_trace_with_little_before_the_shot_keeps_its_baseline(before_s: float) -> None:
    """A coil that holds rings for long; the few points before the shot are still told from its rise."""
    shot = changed(TRADE_SHOT, bank={"charge_voltage_v": 3000.0}, solver={"fidelity": "screen"})
    result, series = simulate_whole(check_shot(shot))
    assert series is not None
    assert result.summary is not None
    known = np.array(series.time_s), np.array(series.current_a)
    assert known[0][-1] > 20.0 * before_s
    seconds = np.arange(-before_s, known[0][-1], 5e-8)
    error = np.random.default_rng(5).normal(0.0, 0.01 * result.summary.peak_current_a, seconds.size)
    found = analyse(
        seconds,
        np.interp(seconds, *known, left=0.0) + error,
        capacitance_farad=1.5e-4,
        charge_voltage_v=3000.0,
    )
    assert found.peak_current_a == pytest.approx(result.summary.peak_current_a, rel=0.01)
    assert found.time_to_peak_s == pytest.approx(result.summary.time_to_peak_s, rel=0.03)
    assert found.first_current_zero_s == pytest.approx(result.summary.first_current_zero_s, rel=0.01)
    assert abs(found.start_s) < 2e-7
    assert abs(found.drift_a_per_s) * known[0][-1] < 0.01 * result.summary.peak_current_a
