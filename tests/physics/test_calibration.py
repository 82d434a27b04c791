"""What a fit says about bench and part acts exactly like the quantity that it stands for."""

from __future__ import annotations

from typing import Any

import pytest

from physics import check_shot
from tests.physics.shots import TRADE_SHOT, Fire, changed

#: Constants of our own for a part, so that the test can scale them by itself.
METAL: dict[str, Any] = {
    "conductivity_s_per_m": 1.6e7,
    "resistivity_coefficient_per_k": 1.5e-3,
    "density_kg_per_m3": 8530.0,
    "specific_heat_j_per_kg_k": 375.0,
    "melting_temperature_k": 1190.0,
    "youngs_modulus_pa": 1.1e11,
    "poisson_ratio": 0.34,
    "flow_stress": {"a_pa": 1.12e8, "b_pa": 5.05e8, "n_ratio": 0.42, "c_ratio": 0.009, "m_ratio": 1.68},
}


def shot(metal: dict[str, Any] = METAL, **changes: Any) -> dict[str, Any]:
    return changed(TRADE_SHOT, workpiece={"layers": [{"material": metal}]}, solver={"fidelity": "screen"}, **changes)


@pytest.mark.parametrize(
    ("calibration", "same"),
    [
        ({"gap_offset_m": 1.5e-4}, shot(gap_m=1.15e-3)),
        ({"resistivity_ratio": 1.25}, shot({**METAL, "conductivity_s_per_m": 1.6e7 / 1.25})),
        (
            {"flow_stress_ratio": 1.1},
            shot({**METAL, "flow_stress": {**METAL["flow_stress"], "a_pa": 1.232e8, "b_pa": 5.555e8}}),
        ),
    ],
)
def test_a_calibrated_shot_is_the_shot_with_that_quantity_changed(
    fire: Fire, calibration: dict[str, float], same: dict[str, Any]
) -> None:
    """Gap, resistivity and flow stress stated otherwise give the same figures to nine digits."""
    found, wanted, plain = fire(shot(calibration=calibration)), fire(same), fire(shot())
    assert found.summary is not None
    assert wanted.summary is not None
    assert plain.summary is not None
    for name, value in wanted.summary.model_dump().items():
        assert getattr(found.summary, name) == pytest.approx(value, rel=1e-9, abs=1e-12), name
    assert found.summary.final_outer_diameter_m != pytest.approx(plain.summary.final_outer_diameter_m, rel=1e-4)


def test_the_coil_keeps_its_own_data(fire: Fire) -> None:
    """The factors are the part's: a coil of the same metal is as strong and as resistive as before."""
    still = {"motion": False, "heating": False, "fidelity": "screen"}
    plain = fire(changed(TRADE_SHOT, solver=still))
    strong = fire(changed(TRADE_SHOT, solver=still, calibration={"flow_stress_ratio": 2.0}))
    assert plain.summary == strong.summary
    poor = fire(changed(TRADE_SHOT, solver=still, calibration={"resistivity_ratio": 2.0}))
    assert plain.summary is not None
    assert poor.summary is not None
    assert poor.summary.coil_heat_j == pytest.approx(plain.summary.coil_heat_j, rel=0.1)


def test_an_offset_that_leaves_no_gap_is_refused() -> None:
    """Both numbers are named."""
    with pytest.raises(ValueError, match=r"gap_m 0\.0005 m and calibration\.gap_offset_m -0\.00045 m"):
        check_shot(changed(TRADE_SHOT, gap_m=5e-4, calibration={"gap_offset_m": -4.5e-4}))
