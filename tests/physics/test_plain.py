"""The model's kernels against the same equations in plain NumPy and SciPy, held still and cold."""

from __future__ import annotations

from typing import Any

import pytest

from physics import simulate_shot
from tests.physics.plain import discharge
from tests.physics.plausible import plausible_shots
from tests.physics.shots import TRADE_SHOT

STILL = {"motion": False, "heating": False}


def held(shot: dict[str, Any]) -> dict[str, Any]:
    """The shot through an ideal switch without a crowbar, nothing moving or warming."""
    return shot | {"switch": {"kind": "ideal"}, "crowbar": None, "solver": {"fidelity": "design", **STILL}}


@pytest.mark.parametrize("shot", [TRADE_SHOT, *plausible_shots(91, 7, "design")])
def test_peak_current_is_that_of_a_general_solver(shot: dict[str, Any]) -> None:
    """Peak current and its time agree within 4e-4 and 5e-3 with scipy.special's integrals and Radau's method."""
    fired = simulate_shot(held(shot)).summary
    assert fired is not None
    plain = discharge(held(shot), 1.3 * fired.time_to_peak_s)
    assert fired.peak_current_a == pytest.approx(plain.current_a.max(), rel=4e-4)
    assert fired.time_to_peak_s == pytest.approx(plain.time_s[plain.current_a.argmax()], rel=5e-3)
