"""The numerical error that a result states, against the finest mesh for 200 random shots of all kinds."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from physics import simulate_shot
from physics.numerical_error import bend
from physics.software import MODEL_VERSION
from tests.physics.convergence.make_reference_shots import DATA_PATH, FIGURES, shots
from tests.physics.shots import TRADE_SHOT, Fire

CONTENT: dict[str, Any] = json.loads(DATA_PATH.read_text(encoding="utf-8"))
FINEST: dict[int, dict[str, float]] = {
    found["place"]: found for found in CONTENT["shots"] if found["status"] == "completed"
}
COUNT = 200
#: Shots of those whose reference is run anew, so that the file cannot grow stale unseen.
RUN_ANEW = 4


def test_file_belongs_to_this_model() -> None:
    """The stored shots were made with this version of the model, and there are 200 that completed."""
    assert CONTENT["model_version"] == MODEL_VERSION
    assert len(FINEST) >= COUNT


def test_file_is_what_the_model_finds() -> None:
    """Shots run anew at `reference` give the stored figures within half of the error they state."""
    for place in sorted(FINEST)[:RUN_ANEW]:
        result = simulate_shot(shots("reference")[place])
        assert result.numerical_error is not None
        for name in FIGURES:
            stated = getattr(result.numerical_error, name)
            assert getattr(result.summary, name) == pytest.approx(FINEST[place][name], abs=0.5 * stated)


@pytest.mark.parametrize("fidelity", ["screen", "design"])
def test_stated_error_covers_the_true_one(fidelity: str) -> None:
    """In at least 95 % of 200 random shots each figure is within its stated error of the finest mesh's."""
    misses: dict[str, list[int]] = {name: [] for name in FIGURES}
    drawn = shots(fidelity)
    for place in sorted(FINEST)[:COUNT]:
        result = simulate_shot(drawn[place])
        assert result.numerical_error is not None
        for name in FIGURES:
            stated = getattr(result.numerical_error, name)
            if abs(getattr(result.summary, name) - FINEST[place][name]) > stated:
                misses[name].append(place)
    assert all(len(places) <= 0.05 * COUNT for places in misses.values()), misses


def test_bend_is_that_of_general_differences() -> None:
    """Four unequally spaced rows bend at the second one as NumPy's `gradient`, applied twice, says."""
    rng = np.random.default_rng(4)
    for _ in range(20):
        time, current = np.cumsum(rng.uniform(0.5, 2.0, 4)), rng.normal(size=4)
        assert bend(time.tolist(), current.tolist()) == pytest.approx(
            np.gradient(np.gradient(current, time), time)[1], rel=1e-9
        )


def test_finer_meshes_state_smaller_errors(fire: Fire) -> None:
    """The same shot states an ever smaller error from screen to reference, and says what is not in it."""
    errors = [
        fire(TRADE_SHOT | {"solver": {"fidelity": fidelity}}).numerical_error
        for fidelity in ("screen", "design", "reference")
    ]
    for name in FIGURES:
        stated = [getattr(error, name) for error in errors]
        assert stated == sorted(stated, reverse=True)
        assert stated[-1] > 0.0
    assert errors[0] is not None
    assert "strength" in errors[0].statement
