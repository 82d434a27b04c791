"""A design in words before it is sent."""

from __future__ import annotations

import copy

import pytest

from api import examples
from worker.request import DesignRequest
from worker.request_check import told


def words_of(**changes: object) -> tuple[str, str]:
    """Summary and remarks of the example with some members replaced."""
    body = {**copy.deepcopy(examples.DESIGN), **changes}
    said = told(DesignRequest.model_validate(body), None)
    return " ".join(said.summary), " ".join(said.remarks)


def test_summary_tells_part_search_limits_and_budget() -> None:
    """In the units of the bench, every stated limit by name."""
    summary, _ = words_of()
    for phrase in (
        "disc of copper, 30.00 mm across and 2.00 mm thick, to 24.00 mm within 0.10 mm",
        "4 to 12 turns",
        "a bank of 60 µF to 300 µF",
        "10 kV of charge voltage, 8 kJ of stored energy, 120 kA of peak current",
        "120 trials",
    ):
        assert phrase in summary


@pytest.mark.parametrize(
    ("changes", "phrase"),
    [
        ({"target": {"shrink_ratio": 0.5}}, "50% of the first diameter"),
        ({"limits": {"charge_voltage_v": 1e4, "stored_energy_j": 8e3}}, "No limit of the current"),
        ({"budget_trials_count": 20}, "20 trials are few"),
        ({"target": {"shrink_ratio": 0.8, "tolerance_m": 2e-5}}, "few shots will land in it"),
    ],
)
def test_remarks_tell_what_to_think_over(changes: dict[str, object], phrase: str) -> None:
    """Each only where it applies."""
    assert phrase in words_of(**changes)[1]
    assert phrase not in words_of()[1]


def test_durations_are_told_as_people_do() -> None:
    """Hours and minutes."""
    body = {name: value for name, value in examples.DESIGN.items() if name != "budget_trials_count"}
    said = told(DesignRequest.model_validate({**body, "budget_duration_s": 5400.0}), None)
    assert "within 1 h 30 min" in " ".join(said.summary)
