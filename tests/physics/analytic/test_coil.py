"""A whole run without eddy currents against handbook inductance and resistance of a coil of round wire."""

from __future__ import annotations

from math import pi

import pytest

from tests.physics.coils import GAP_M, PART_RADIUS_M, coil_shot, peak_through, round_wire_coil
from tests.physics.shots import Fire, changed


@pytest.mark.parametrize("conductivity", [5.8e7, 2e7], ids=["ringing", "damped"])
@pytest.mark.parametrize(
    ("turns", "wire", "pitch"), [(1, 6e-4, 8e-4), (2, 6e-4, 8e-4), (5, 6e-4, 1e-3), (10, 6e-4, 1e-3), (20, 5e-4, 2e-3)]
)
def test_coil_discharges_as_its_handbook_values_say(
    fire: Fire, turns: int, wire: float, pitch: float, conductivity: float
) -> None:
    """Peak current and time to peak follow from the handbook inductance and the resistance of the wire."""
    radius = PART_RADIUS_M + GAP_M + 0.5 * wire
    inductance = round_wire_coil(radius, pitch, wire, turns)
    resistance = turns * 2.0 * pi * radius / (conductivity * 0.25 * pi * wire**2)
    peak = peak_through(inductance, resistance)
    # Much resistance brings the peak forward, to where the coarser steps of `design` are 0.44 % off.
    shot = changed(coil_shot(turns, wire, pitch, conductivity), solver={"fidelity": "reference"})
    summary = fire(shot).summary
    assert summary is not None
    # What skin and proximity effect still do to this thin wire, and where its filaments sit for them, is 2 per mille.
    assert summary.peak_current_a == pytest.approx(peak.current_a, rel=1.5e-3)
    assert summary.time_to_peak_s == pytest.approx(peak.time_s, rel=1.5e-3)
