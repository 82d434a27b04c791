"""Arcs between the pieces of a broken turn: electrode falls and a gradient over the opened length, and their end."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest

from physics import state as c
from physics.constants import ARC_GRADIENT_V_PER_M, ARC_RELIGHTING_V
from physics.run import Run
from physics.shot import check_shot
from physics.simulate import run_shot
from physics.turns import arc_voltage, make_turns, voltage_to_relight
from tests.physics.shots import TRADE_SHOT, changed

FALL_V, GRADIENT_V_PER_M = 30.0, 1340.0


@pytest.mark.parametrize(("ago_s", "opened_m"), [(0.0, 2 * pi * 1e-3), (2e-6, 2 * pi * 6e-4), (1e-5, 0.0)])
def test_arcs_are_as_long_as_they_were(ago_s: float, opened_m: float) -> None:
    """A pair of turns that broke 1 mm back and flies at 200 m/s: the voltage of both, now and so long ago."""
    turns = make_turns(np.array([0.011, 0.012]), 3e-6, 8960.0, np.array([2.0, 1.0]))
    turns.rupture_time[0], turns.rupture_radius[0], turns.pieces[0], turns.speed[0] = 1e-5, 0.010, 7.0, 200.0
    expected = 2.0 * (7.0 * FALL_V + GRADIENT_V_PER_M * opened_m)
    assert arc_voltage(turns, FALL_V, GRADIENT_V_PER_M, ago_s) == pytest.approx(expected)
    relit = 2.0 * (7.0 * 250.0 + GRADIENT_V_PER_M * 2 * pi * 1e-3)
    assert voltage_to_relight(turns, 250.0, GRADIENT_V_PER_M) == pytest.approx(relit)


def zeros_after_burst(run: Run) -> int:
    current = run.rows[run.rows[:, c.TIME] >= run.totals[c.BURST_TIME], c.CURRENT]
    flowing = np.sign(current[np.abs(current) > 1e-6])
    return int((flowing[1:] != flowing[:-1]).sum())


def test_a_few_gaps_strike_again_and_many_do_not() -> None:
    """Each short arc between copper takes several hundred volts to strike again after a current zero.

    Restriking of Short A. C. Arcs (Todd & Browne, Phys. Rev. 36 (1930) 732; abstract read): so a single turn in a dozen
    pieces, at 20 kV, rings on until the bank holds no more than its gaps bear, and eight turns in a hundred pieces keep
    what the bank has at the first zero.
    """
    wire = {"turns_count": 1, "wire_diameter_m": 0.004, "pitch_m": 0.0044}
    bank = {"charge_voltage_v": 20e3, "capacitance_farad": 5e-5}
    few = run_shot(check_shot(changed(TRADE_SHOT, coil=wire, gap_m=0.002, bank=bank, solver={"fidelity": "screen"})))
    many = run_shot(check_shot(changed(TRADE_SHOT, solver={"fidelity": "screen"})))
    assert few.code == many.code == c.COMPLETED
    assert zeros_after_burst(few) >= 2
    assert zeros_after_burst(many) == 0
    for run in (few, many):
        turns, left = run.model.turns, abs(run.rows[-1, c.VOLTAGE])
        opened = 2.0 * np.pi * (turns.radius - turns.rupture_radius)
        assert 0.0 < left < turns.weight @ (turns.pieces * ARC_RELIGHTING_V + ARC_GRADIENT_V_PER_M * opened)
