"""Shots shared by the physics tests: the same shot is computed once a session."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import pytest

from physics import ShotResult, simulate_shot
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
