"""Arcs between the pieces of a broken turn: electrode falls and a gradient over the opened length."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest

from physics.turns import arc_voltage, make_turns

FALL_V, GRADIENT_V_PER_M = 30.0, 1340.0


@pytest.mark.parametrize(("ago_s", "opened_m"), [(0.0, 2 * pi * 1e-3), (2e-6, 2 * pi * 6e-4), (1e-5, 0.0)])
def test_arcs_are_as_long_as_they_were(ago_s: float, opened_m: float) -> None:
    """A pair of turns that broke 1 mm back and flies at 200 m/s: the voltage of both, now and so long ago."""
    turns = make_turns(np.array([0.011, 0.012]), 3e-6, 8960.0, np.array([2.0, 1.0]))
    turns.rupture_time[0], turns.rupture_radius[0], turns.pieces[0], turns.speed[0] = 1e-5, 0.010, 7.0, 200.0
    expected = 2.0 * (7.0 * FALL_V + GRADIENT_V_PER_M * opened_m)
    assert arc_voltage(turns, FALL_V, GRADIENT_V_PER_M, ago_s) == pytest.approx(expected)
