"""Shots shared by the physics tests: the same shot is computed once a session."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest

from physics import ShotResult, simulate_shot
from physics.simulate import FIDELITIES
from tests.physics.shots import Fire


@pytest.fixture(scope="session")
def fire() -> Fire:
    results: dict[str, ShotResult] = {}

    def result_of(shot: Mapping[str, Any]) -> ShotResult:
        key = json.dumps(shot, sort_keys=True)
        if key not in results:
            results[key] = simulate_shot(shot)
        return results[key]

    return result_of


@pytest.fixture
def fine_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    """`design` in four times as many steps: what is left of a difference is the law's. Not for what `fire` keeps."""
    usual = FIDELITIES["design"]
    fine = replace(usual, steps_to_peak=4 * usual.steps_to_peak, current_change=usual.current_change / 4.0)
    monkeypatch.setitem(FIDELITIES, "design", fine)
