"""Coils that melt: when a turn gives way, and what is asked before a coil is taken to be at rest."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from physics import state as c
from physics.run import Run
from physics.shot import check_shot
from physics.simulate import run_shot
from physics.turns import make_turns, rupture
from tests.physics.shots import TRADE_SHOT, changed


def run_of(wire_m: float, **changes: Any) -> Run:
    coil = {"wire_diameter_m": wire_m, "pitch_m": 1.25 * wire_m} | changes.pop("coil", {})
    return run_shot(check_shot(changed(TRADE_SHOT, coil=coil, solver={"fidelity": "screen"}, **changes)))


def test_turn_breaks_once_all_of_it_has_melted() -> None:
    """Its filaments' shares add up to one but for rounding, as those of a strip do."""
    for molten, broken in ((1.0, 1), (float(np.nextafter(1.0, 0.0)), 1), (0.999, 0)):
        turns = make_turns(np.array([0.02]), 1.5e-6, 8960.0, np.array([1.0]))
        turns.speed[0] = 100.0
        assert rupture.py_func(turns, 8960.0, 0.4, np.array([molten]), 4e4, 1e-5) == broken
        assert turns.melted[0] == broken


def test_time_of_melting_follows_the_voltage_smoothly() -> None:
    """More voltage melts a thin turn sooner, whatever steps that time falls between: the action it takes is given."""
    voltage = np.linspace(3000.0, 3300.0, 7)
    runs = [run_of(8e-4, coil={"turns_count": 1}, gap_m=0.002, bank={"charge_voltage_v": float(v)}) for v in voltage]
    assert all(run.model.turns.melted.all() for run in runs)
    time = np.array([run.totals[c.BURST_TIME] for run in runs])
    smooth = np.polynomial.Polynomial.fit(voltage, np.log(time), 2)
    assert np.log(time) == pytest.approx(smooth(voltage), abs=1e-3)
    assert (np.diff(time) < 0.0).all()


@pytest.mark.parametrize("crowbar", [False, True])
def test_coil_that_softens_long_after_the_part_is_still_bursts(*, crowbar: bool) -> None:
    """A large bank at low voltage heats a thin coil over milliseconds: at more voltage it bursts sooner.

    The part has long come to rest by then.
    """
    diode = {"across": "bank", "inductance_henry": 5e-8, "resistance_ohm": 1e-4, "forward_drop_v": 5.0}
    more = {"crowbar": diode} if crowbar else {}
    volts = (412.0, 424.0, 436.0, 447.0)
    runs = [run_of(8e-4, bank={"charge_voltage_v": v, "capacitance_farad": 0.02}, **more) for v in volts]
    assert [run.code for run in runs] == [c.COMPLETED] * 4
    times = [run.totals[c.BURST_TIME] for run in runs]
    assert times[0] == -1.0
    assert runs[0].rows[-1, c.COIL_TEMPERATURE] > 1300.0
    assert times[1] > times[2] > times[3] > 1e-3
