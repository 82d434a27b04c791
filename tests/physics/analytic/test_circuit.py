"""The discharge of a bank through a fixed coil against the closed form, and what the step keeps when the coil moves."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import cos, cosh, e, exp, log2, sin, sinh, sqrt

import numpy as np
import pytest
from numpy.typing import NDArray

from physics.bundle import FINE, USUAL, Cut
from physics.circuit import (
    BANK,
    BOTH,
    FREEWHEEL,
    GAMMA,
    OPEN,
    RINGING,
    Discharge,
    Unknowns,
    add_resistance,
    carry_over,
    count,
    currents,
    generalise,
    linkages,
    loop_of,
    make_step_work,
    make_unknowns,
    step,
)
from physics.mesh import mesh_coil
from physics.peak import peak_of
from physics.switching import next_state
from physics.winding import Winding

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Bank:
    """A series circuit of constant values."""

    voltage_v: float
    capacitance_farad: float
    inductance_henry: float
    resistance_ohm: float

    def current(self, time_s: float) -> float:
        """Current (A) after closing: the textbook solution of L q'' + R q' + q/C = 0."""
        damping = self.resistance_ohm / (2.0 * self.inductance_henry)
        square = 1.0 / (self.inductance_henry * self.capacitance_farad) - damping**2
        rate = sqrt(abs(square))
        shape = time_s if rate * time_s < 1e-9 else (sin(rate * time_s) if square > 0 else sinh(rate * time_s)) / rate
        return self.voltage_v / self.inductance_henry * exp(-damping * time_s) * shape

    def voltage(self, time_s: float) -> float:
        """Voltage (V) left on the bank."""
        damping = self.resistance_ohm / (2.0 * self.inductance_henry)
        square = 1.0 / (self.inductance_henry * self.capacitance_farad) - damping**2
        turn = cos(sqrt(square) * time_s) if square > 0 else cosh(sqrt(-square) * time_s)
        even = self.voltage_v * exp(-damping * time_s) * turn
        return even + 0.5 * self.resistance_ohm * self.current(time_s)


@dataclass(frozen=True, eq=False)
class Trace:
    """Current (A) and bank voltage (V) over time (s)."""

    time_s: Floats
    current_a: Floats
    voltage_v: Floats


def one_coil() -> Unknowns:
    """A single filament in series with the bank."""
    none = np.zeros(0, dtype=np.int64)
    return Unknowns(none, none, np.zeros(0), np.zeros(1, dtype=np.int64), 1, 0, np.ones(1))


def plain_loop(bank: Bank) -> Discharge:
    """The bank with an ideal switch and no crowbar."""
    return Discharge(
        capacitance=bank.capacitance_farad,
        voltage=bank.voltage_v,
        bank_inductance=0.0,
        bank_resistance=bank.resistance_ohm,
        line_inductance=0.0,
        line_resistance=0.0,
        drop=0.0,
        conducts_reverse=True,
        switch_in_bank=False,
        spark=0.0,
        crowbar=False,
        crowbar_inductance=1.0,
        crowbar_resistance=0.0,
        crowbar_drop=0.0,
    )


def of_coil(henry: float) -> Floats:
    """Generalised inductance of one coil; the crowbar's current has none of its own."""
    return np.diag([henry, 0.0])


def discharge(bank: Bank, step_s: float, steps: int) -> Trace:
    """The bank's discharge by the project's own step."""
    unknowns = one_coil()
    loop = loop_of(plain_loop(bank), BANK, 0.0)
    inductance, flux, work = of_coil(bank.inductance_henry), np.zeros(2), make_step_work(unknowns)
    rows = [(0.0, 0.0, bank.voltage_v)]
    for k in range(1, steps + 1):
        ok, voltage = step(
            unknowns, loop, np.zeros(1), inductance, inductance,
            moved=False, factored=False, drop=0.0, crowbar_drop=0.0, h=step_s, flux=flux, voltage=rows[-1][2],
            work=work,
        )  # fmt: skip
        assert ok
        rows.append((k * step_s, float(work.second[0]), voltage))
    return Trace(*np.array(rows).T)


def worst_error(bank: Bank, end_s: float, steps: int) -> float:
    """Largest error of the current over its largest value."""
    trace = discharge(bank, end_s / steps, steps)
    exact = np.array([bank.current(t) for t in trace.time_s])
    return float(np.abs(trace.current_a - exact).max() / np.abs(exact).max())


# Closed form, evaluated: peak current, time to peak, reversal exp(-R T / 4L), action C V^2 / 2R.
UNDERDAMPED = [
    (Bank(10e3, 100e-6, 2e-6, 20e-3), 63577.684, 21.266813e-6, 0.8003536, 2.5e5),
    (Bank(6e3, 50e-6, 1e-6, 50e-3), 33034.927, 10.008223e-6, 0.5687885, 1.8e4),
    (Bank(8e3, 200e-6, 0.8e-6, 10e-3), 112378.869, 18.927373e-6, 0.7794673, 6.4e5),
]
CRITICAL = Bank(10e3, 100e-6, 2e-6, 2.0 * sqrt(2e-6 / 100e-6))
OVERDAMPED = Bank(10e3, 100e-6, 2e-6, 1.5)


@pytest.mark.parametrize(("bank", "peak_a", "peak_time_s", "reversal", "action_a2_s"), UNDERDAMPED)
def test_underdamped_discharge(
    bank: Bank, peak_a: float, peak_time_s: float, reversal: float, action_a2_s: float
) -> None:
    """Peak current, time to peak, reversal and action of a ringing discharge are those of the closed form."""
    step_s = peak_time_s / 200
    # Ten times L/R: the action left over is e^-10.
    trace = discharge(bank, step_s, int(10.0 * bank.inductance_henry / bank.resistance_ohm / step_s))
    peak, when = peak_of(trace.time_s, trace.current_a)
    assert peak == pytest.approx(peak_a, rel=2e-6)
    assert when == pytest.approx(peak_time_s, rel=1e-5)
    assert -trace.voltage_v.min() == pytest.approx(reversal * bank.voltage_v, rel=3e-5)
    assert np.trapezoid(trace.current_a**2, trace.time_s) == pytest.approx(action_a2_s, rel=1e-4)


def test_critically_damped_discharge() -> None:
    """A critically damped discharge peaks at 0.735759 V/R after 2L/R and never reverses."""
    # Closed form: V / (e R/2) at 2 L/R.
    when = 2.0 * CRITICAL.inductance_henry / CRITICAL.resistance_ohm
    trace = discharge(CRITICAL, when / 400, 4000)
    peak, peak_time = peak_of(trace.time_s, trace.current_a)
    assert peak == pytest.approx(0.735759 * CRITICAL.voltage_v / CRITICAL.resistance_ohm, rel=1e-6)
    assert peak == pytest.approx(2.0 * CRITICAL.voltage_v / (e * CRITICAL.resistance_ohm), rel=1e-6)
    assert peak_time == pytest.approx(when, rel=1e-5)
    assert trace.voltage_v.min() > 0.0
    assert trace.current_a.min() >= 0.0


@pytest.mark.parametrize(
    ("resistance_ohm", "peak_a", "precision"),
    # An ignitron test stand of 2.56 mF, 10 kV, 1 uH (theses of Texas Tech University, abstract, as read): undamped
    # 506.0 kA at 79.5 us, critically damped at 39.53 mohm with 186.1 kA; closed form, evaluated to four digits.
    [(0.0, 506.0e3, 2e-4), (39.53e-3, 186.1e3, 4e-4)],
)
def test_discharge_of_an_ignitron_stand(resistance_ohm: float, peak_a: float, precision: float) -> None:
    """A large published test stand peaks where the closed form puts it, without and with critical damping."""
    stand = Bank(10e3, 2.56e-3, 1e-6, resistance_ohm)
    trace = discharge(stand, 0.25e-6, 640)
    peak, when = peak_of(trace.time_s, trace.current_a)
    assert peak == pytest.approx(peak_a, rel=precision)
    assert when == pytest.approx(79.5e-6 if resistance_ohm == 0.0 else 2.0 * 1e-6 / resistance_ohm, rel=1e-3)


@pytest.mark.parametrize("bank", [UNDERDAMPED[0][0], CRITICAL, OVERDAMPED], ids=["under", "critical", "over"])
def test_whole_discharge(bank: Bank) -> None:
    """Current and voltage follow the closed form at every instant, whatever the damping."""
    trace = discharge(bank, 1e-8, 3000)
    assert trace.current_a == pytest.approx(
        np.array([bank.current(t) for t in trace.time_s]), abs=3e-6 * trace.current_a.max()
    )
    assert trace.voltage_v == pytest.approx(
        np.array([bank.voltage(t) for t in trace.time_s]), abs=3e-6 * bank.voltage_v
    )


@pytest.mark.parametrize("bank", [UNDERDAMPED[0][0], CRITICAL], ids=["under", "critical"])
def test_step_is_of_second_order(bank: Bank) -> None:
    """Halving the step divides the error of the current by four."""
    errors = [worst_error(bank, 60e-6, steps) for steps in (100, 200, 400, 800)]
    orders = [log2(coarse / fine) for coarse, fine in pairwise(errors)]
    assert orders == pytest.approx([2.0] * 3, abs=0.1)


def test_step_damps_what_it_cannot_resolve() -> None:
    """A step a thousand times the circuit's L/R follows the slow decay and leaves no trace of the fast one."""
    # L-stability: R = 1 ohm, L/R = 1 ns, RC = 100 us.
    trace = discharge(Bank(1e3, 1e-4, 1e-9, 1.0), 1e-6, 50)
    assert trace.current_a[2:] == pytest.approx(1e3 * np.exp(-trace.time_s[2:] / 1e-4), rel=2e-3)


def test_moving_coil_keeps_its_flux() -> None:
    """In a loop without resistance and voltage the current follows the inductance so that the flux stays."""
    # Faraday: d(L I)/dt = 0. The bank is so large that it stays at zero volts.
    unknowns, work, flux = one_coil(), make_step_work(one_coil()), np.array([2e-6 * 5e4, 0.0])
    loop = loop_of(plain_loop(Bank(0.0, 1e6, 2e-6, 0.0)), BANK, 0.0)
    for before, after in pairwise(np.linspace(2e-6, 3e-6, 21)):
        ok, _ = step(
            unknowns, loop, np.zeros(1), of_coil(before), of_coil(after),
            moved=True, factored=False, drop=0.0, crowbar_drop=0.0, h=1e-6, flux=flux, voltage=0.0, work=work,
        )  # fmt: skip
        assert ok
        assert work.second[0] == pytest.approx(0.1 / after, rel=1e-9)


@pytest.mark.parametrize(("turns", "cut"), [(4, USUAL), (5, USUAL), (3, FINE)])
def test_turns_are_in_series_and_their_filaments_parallel(turns: int, cut: Cut) -> None:
    """Any choice of independent currents gives every turn the coil current, and energy and loss are kept."""
    winding = Winding(turns, 1, 2e-3, 2e-3, 2.3e-3, 2.3e-3, is_round=True)
    coil, cells = mesh_coil(winding, 9e-3, 1e-3, 4e-4, cut), 3
    unknowns, rng = make_unknowns(coil, cells), np.random.default_rng(5)
    n, size = coil.radius_m.size + cells, count(unknowns)
    root = rng.normal(size=(n, n))
    matrix, resistance = root @ root.T, rng.uniform(1e-4, 1e-3, n)
    q, filament = np.r_[rng.normal(size=size - 1), 0.0], np.zeros(n)
    currents(unknowns, q, filament)
    for turn in range(coil.centre.size):
        members = coil.turn == turn
        assert (coil.multiplicity * filament[: members.size])[members].sum() == pytest.approx(q[0])
    inductance, ohmic, flux = np.zeros((size, size)), np.zeros((size, size)), np.zeros(size)
    generalise(unknowns, matrix, np.zeros((n, size)), inductance)
    add_resistance(unknowns, resistance, 1.0, ohmic)
    ohmic += np.tril(ohmic, -1).T
    assert q @ inductance @ q == pytest.approx(filament @ matrix @ filament)
    assert q @ ohmic @ q == pytest.approx((unknowns.weight * resistance * filament**2).sum())
    # What lies outside the coil adds its own.
    outside = plain_loop(Bank(1.0, 1.0, 0.0, 0.0))._replace(line_inductance=3e-7, bank_inductance=2e-7)
    linkages(loop_of(outside, BANK, 0.0), inductance, q, flux)
    assert q @ flux == pytest.approx(filament @ matrix @ filament + 5e-7 * q[0] ** 2)


@pytest.mark.parametrize(("cells", "growth"), [(10, 1.005), (120, 1.005), (10, 3.0)])
def test_step_solves_its_equations_while_the_section_moves(cells: int, growth: float) -> None:
    """Both stages agree with dense solutions of the step's equations (Alexander 1977), however far all moves."""
    # What a factor at the end can be corrected for, and what it cannot.
    winding = Winding(4, 1, 2e-3, 2e-3, 2.3e-3, 2.3e-3, is_round=True)
    coil, rng = mesh_coil(winding, 9e-3, 1e-3, 4e-4, USUAL), np.random.default_rng(3)
    unknowns = make_unknowns(coil, cells)
    n, size = coil.radius_m.size + cells, count(unknowns)
    root = rng.normal(size=(n, n)) / n
    first = 1e-6 * (np.eye(n) + root @ root.T)
    resistance = rng.uniform(0.1, 1.0, n)
    before, after = np.zeros((size, size)), np.zeros((size, size))
    generalise(unknowns, first, np.zeros((n, size)), before)
    generalise(unknowns, growth * first + 2e-9 * np.diag(rng.uniform(size=n)), np.zeros((n, size)), after)
    bank, h, volts = plain_loop(Bank(5e3, 1e-4, 3e-7, 1e-3)), 2e-7, 5e3
    loop, flux, work = loop_of(bank, BANK, 0.0), np.r_[1e-3 * rng.normal(size=size - 1), 0.0], make_step_work(unknowns)

    ohmic = np.zeros((size, size))
    add_resistance(unknowns, resistance, 1.0, ohmic)
    ohmic += np.tril(ohmic, -1).T
    ohmic[0, 0] += loop.resistance
    unit = np.eye(size)[0]
    outside = loop.inductance * np.outer(unit, unit)

    def stage(inductance: Floats, known: Floats, voltage: float) -> Floats:
        whole = inductance + outside + GAMMA * h * ohmic + (GAMMA * h) ** 2 * loop.elastance * np.outer(unit, unit)
        whole[-1, -1] = 1.0
        return np.linalg.solve(whole, known + GAMMA * h * voltage * unit)

    one = stage((1.0 - GAMMA) * before + GAMMA * after, flux, volts)
    slope = -ohmic @ one + (volts - GAMMA * h * loop.elastance * one[0]) * unit
    two = stage(after, flux + (1.0 - GAMMA) * h * slope, volts - (1.0 - GAMMA) * h * loop.elastance * one[0])
    ok, _ = step(
        unknowns, loop, resistance, before, after,
        moved=True, factored=False, drop=0.0, crowbar_drop=0.0, h=h, flux=flux, voltage=volts, work=work,
    )  # fmt: skip
    assert ok
    scale = np.abs(two).max()
    assert work.first == pytest.approx(one, abs=1e-6 * scale)
    assert work.second == pytest.approx(two, abs=1e-6 * scale)


def test_peak_between_coarse_samples_is_that_of_the_double_exponential() -> None:
    """exp(-t) - exp(-4 t) is highest at ln(4)/3; samples a quarter of that apart show the skew top."""
    at, errors = np.log(4.0) / 3.0, []
    for offset in np.linspace(0.0, 0.11, 12):
        time = offset + 0.115 * np.arange(20)
        peak, when = peak_of(time, np.exp(-time) - np.exp(-4.0 * time))
        assert peak == pytest.approx(4.0 ** (-1.0 / 3.0) - 4.0 ** (-4.0 / 3.0), rel=1e-4)
        errors.append(abs(when / at - 1.0))
    assert max(errors) < 3e-3


def test_coil_and_crowbar_that_come_to_zero_in_one_step_both_open() -> None:
    """Broken turns let no current start again that the voltage left does not relight, whatever the diode does."""
    outside = plain_loop(Bank(1e3, 1e-4, 0.0, 0.0))._replace(crowbar=True, crowbar_drop=1.0)
    both_past_zero = np.array([-5.0, 0.0, -1.0])

    def state_after(state: int, q: Floats, *, burst: bool, volts: float = 5.0, circuit: Discharge = outside) -> int:
        relighting = 1000.0 if burst else 0.0
        return int(next_state.py_func(circuit, state, q, 1.0, 1.0, volts, volts, relighting))

    assert state_after(BOTH, both_past_zero, burst=True) == OPEN
    assert state_after(BOTH, both_past_zero, burst=False) == BANK
    assert state_after(BOTH, np.array([-5.0, 0.0, 1.0]), burst=True) == RINGING
    coil_past_zero = np.array([-5.0, 0.0, 0.0])
    assert state_after(BANK, coil_past_zero, burst=True) == OPEN
    # A reversed bank goes on through the diode across it, unless the switch between them is out as well.
    assert state_after(BANK, coil_past_zero, burst=True, volts=-5.0) == RINGING
    assert (
        state_after(BANK, coil_past_zero, burst=True, volts=-5.0, circuit=outside._replace(switch_in_bank=True)) == OPEN
    )
    assert state_after(BANK, coil_past_zero, burst=False, volts=-5.0) == BOTH
    # What the bank holds strikes the arcs again, but for a conducting diode across them.
    assert state_after(BANK, coil_past_zero, burst=True, volts=1001.0) == BANK
    assert state_after(BOTH, both_past_zero, burst=True, volts=1001.0) == OPEN


@pytest.mark.parametrize("overshoot_a", [0.0, 1500.0])
def test_a_coil_cut_off_past_zero_leaves_the_flux_of_all_other_loops(overshoot_a: float) -> None:
    """The bank's current goes on through the diode; only the energy of the cut current with all else shorted is lost.

    Constant flux linkage of closed loops without resistance (textbook); lost are I^2/2 times the inductance that a coil
    has beside shorted loops, one over the first entry of the inverse matrix.
    """
    outside = plain_loop(Bank(1e3, 1e-4, 0.0, 0.0))._replace(
        crowbar=True, bank_inductance=3e-7, line_inductance=1e-7, crowbar_inductance=2e-8
    )
    none = np.zeros(0, dtype=np.int64)
    unknowns = Unknowns(none, none, np.zeros(0), np.zeros(1, dtype=np.int64), 1, 1, np.array([1.0, 2.0]))
    coil_and_eddy = np.array([[1e-6, 4e-7, 0.0], [4e-7, 5e-7, 0.0], [0.0, 0.0, 0.0]])
    work, before, after = make_step_work(unknowns), np.zeros(3), np.zeros(3)
    flowing = np.array([overshoot_a, -2000.0, 33e3])
    both = loop_of(outside, BOTH, 0.0)
    linkages(both, coil_and_eddy, flowing, before)
    after[:] = before
    assert carry_over(unknowns, outside, RINGING, np.zeros(2), coil_and_eddy, after, work)
    assert work.second[0] == pytest.approx(0.0, abs=1e-9)
    assert after[1:] == pytest.approx(before[1:], rel=1e-12)
    whole = np.stack([np.zeros(3)] * 3)
    for k, one in enumerate(np.eye(3)):
        linkages(both, coil_and_eddy, one, whole[k])
    lost = 0.5 * overshoot_a**2 / np.linalg.inv(whole)[0, 0]
    assert 0.5 * work.second @ after == pytest.approx(0.5 * flowing @ before - lost, rel=1e-12)


def test_a_bank_cut_off_leaves_the_flux_of_coil_and_crowbar() -> None:
    """What the switch still carried is gone; coil and diode are one loop, whose flux stays."""
    outside = plain_loop(Bank(1e3, 1e-4, 0.0, 0.0))._replace(
        crowbar=True, switch_in_bank=True, bank_inductance=3e-7, line_inductance=1e-7, crowbar_inductance=2e-8
    )
    work, flux = make_step_work(one_coil()), np.zeros(2)
    linkages(loop_of(outside, BOTH, 0.0), of_coil(1e-6), np.array([40e3, 39e3]), flux)
    assert carry_over(one_coil(), outside, FREEWHEEL, np.zeros(1), of_coil(1e-6), flux, work)
    linked = (1e-6 + 1e-7) * 40e3 + 2e-8 * 39e3
    assert work.second == pytest.approx([linked / (1e-6 + 1e-7 + 2e-8), 0.0], rel=1e-12)
