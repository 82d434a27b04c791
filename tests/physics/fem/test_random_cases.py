"""Random shots of all kinds, held still, against finite elements (`random_cases.json`).

The chosen cases beside this file are those that the model is asked to be near in each; here it is nine of ten that are,
and the rest not far off. Nothing was fitted to them. The field in the gap is left out where the oracle's own mesh is
coarse against the gap.
"""

from __future__ import annotations

import json

import numpy as np
import pytest

from physics import simulate_shot
from tests.physics.fem.make_random_cases import DATA_PATH, held_still

FIGURES = (
    "peak_current_a",
    "time_to_peak_s",
    "first_current_zero_s",
    "peak_force_n",
    "impulse_n_s",
    "peak_gap_field_tesla",
    "workpiece_heat_j",
    "coil_heat_j",
)
#: Smallest gap (m) with enough nodes of the oracle in it: at 0.41 mm it is 6 % off by itself (seen with edges halved).
RESOLVED_GAP_M = 0.6e-3
#: Allowed relative difference in nine of ten coils of wire and of strip, as FIGURES are ordered; any is within FARTHEST
#: times that.
NINE_OF_TEN = {
    ("screen", "wire"): (0.0035, 0.012, 0.007, 0.015, 0.015, 0.055, 0.04, 0.055),
    ("design", "wire"): (0.003, 0.005, 0.003, 0.009, 0.008, 0.007, 0.022, 0.042),
    ("reference", "wire"): (0.0015, 0.002, 0.001, 0.0035, 0.0032, 0.002, 0.008, 0.014),
    ("screen", "strip"): (0.005, 0.004, 0.004, 0.026, 0.024, 0.019, 0.065, 0.06),
    ("design", "strip"): (0.003, 0.002, 0.002, 0.008, 0.007, 0.006, 0.015, 0.022),
    ("reference", "strip"): (0.0013, 0.0012, 0.001, 0.004, 0.003, 0.002, 0.009, 0.011),
}
FARTHEST = 3.2


@pytest.mark.parametrize(("fidelity", "kind"), NINE_OF_TEN)
def test_random_shots_agree_with_finite_elements(fidelity: str, kind: str) -> None:
    """Current, times, impulse, field and heat of random shots agree, of strips, layers and tubes too."""
    shots, differences = held_still(), []
    cases = json.loads(DATA_PATH.read_text(encoding="utf-8"))["cases"]
    cases = [c for c in cases if "result" in c and (kind == "strip") == ("strip_width_m" in shots[c["place"]]["coil"])]
    assert len(cases) > 12
    for case in cases:
        shot = shots[case["place"]]
        # As far as the oracle's figures go: with the current the other way the field may be higher once more.
        until = {"stop_time_s": 1.02 * case["result"]["first_current_zero_s"]}
        summary = simulate_shot(shot | {"solver": shot["solver"] | {"fidelity": fidelity} | until}).summary
        assert summary is not None
        off = [getattr(summary, name) / case["result"][name] - 1.0 for name in FIGURES]
        if shot["gap_m"] < RESOLVED_GAP_M:
            off[FIGURES.index("peak_gap_field_tesla")] = np.nan
        differences.append(off)
    found = np.abs(differences)
    allowed = np.array(NINE_OF_TEN[fidelity, kind])
    assert (np.nanquantile(found, 0.9, axis=0) < allowed).all(), np.nanquantile(found, 0.9, axis=0)
    farthest = FARTHEST * allowed
    assert (np.nanmax(found, axis=0) < farthest).all(), [cases[k]["place"] for k in np.nanargmax(found, axis=0)]
