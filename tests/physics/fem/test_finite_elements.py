"""Fixed geometry and constant conductivity against finite-element solutions.

`fe_cases.json` comes from an independent program, `oracle_cases.json` from the solver beside this file
(`python -m tests.physics.fem.make_cases`), which agrees with the former within 0.002 % (0.06 % in field).
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from physics import ShotResult
from physics import state as c
from physics.shot import check_shot
from physics.simulate import run_shot
from tests.physics.fem.fixed_shot import circuit_of, conductors_of
from tests.physics.fem.meshing import Fineness
from tests.physics.fem.oracle import AxisProbe, assemble, run
from tests.physics.shots import Fire


def _cases(name: str) -> list[dict[str, Any]]:
    cases: list[dict[str, Any]] = json.loads((Path(__file__).parent / name).read_text(encoding="utf-8"))["cases"]
    return cases


CASES = _cases("fe_cases.json") + _cases("oracle_cases.json")
NAMES = [case["name"] for case in CASES]

# Allowed relative difference: what the model promises at design and at reference. At screen, three sectors of a wire
# are coarse for field and heat, and few cells for the workpiece's heat where it is thicker than the skin.
TOLERANCE: dict[str, dict[str, float]] = {
    "screen": {
        "peak_current_a": 0.01,
        "time_to_peak_s": 0.02,
        "first_current_zero_s": 0.01,
        "peak_force_n": 0.025,
        "impulse_n_s": 0.025,
        "peak_gap_field_tesla": 0.08,
        "workpiece_heat_j": 0.1,
        "coil_heat_j": 0.07,
    },
    "design": {
        "peak_current_a": 0.005,
        "time_to_peak_s": 0.01,
        "first_current_zero_s": 0.01,
        "peak_force_n": 0.015,
        "impulse_n_s": 0.01,
        "peak_gap_field_tesla": 0.01,
        "workpiece_heat_j": 0.03,
        "coil_heat_j": 0.05,
    },
    "reference": {
        "peak_current_a": 0.002,
        "time_to_peak_s": 0.005,
        "first_current_zero_s": 0.003,
        "peak_force_n": 0.005,
        "impulse_n_s": 0.003,
        "peak_gap_field_tesla": 0.005,
        "workpiece_heat_j": 0.01,
        "coil_heat_j": 0.02,
    },
}

#: Allowed difference of the current at any instant, over the peak.
CURRENT_TOLERANCE = {"screen": 0.03, "design": 0.016, "reference": 0.007}

#: Allowed difference of the peak current in the workpiece.
PART_CURRENT_TOLERANCE = {"screen": 0.02, "design": 0.01, "reference": 0.005}


def result_of(fire: Fire, case: dict[str, Any], fidelity: str) -> ShotResult:
    shot = case["shot"]
    return fire(shot | {"solver": shot["solver"] | {"fidelity": fidelity}})


@pytest.mark.parametrize("fidelity", TOLERANCE)
@pytest.mark.parametrize("case", CASES, ids=NAMES)
def test_summary_agrees_with_finite_elements(fire: Fire, case: dict[str, Any], fidelity: str) -> None:
    """Current, times, force, impulse, field and heat agree with the finite-element solution."""
    summary = result_of(fire, case, fidelity).summary
    assert summary is not None
    ours = summary.model_dump()
    differences = {name: ours[name] / case["result"][name] - 1.0 for name in TOLERANCE[fidelity]}
    exceeded = {name: value for name, value in differences.items() if abs(value) > TOLERANCE[fidelity][name]}
    assert not exceeded, differences


@pytest.mark.parametrize(("fidelity", "tolerance"), CURRENT_TOLERANCE.items())
@pytest.mark.parametrize("case", CASES, ids=NAMES)
def test_current_agrees_at_every_instant(fire: Fire, case: dict[str, Any], fidelity: str, tolerance: float) -> None:
    """Up to its first zero the coil current differs from the finite elements' by a per cent or two of the peak."""
    series = result_of(fire, case, fidelity).series
    assert series is not None
    expected = np.array(case["current_series"]["current_a"])
    time = case["current_series"]["time_step_s"] * np.arange(expected.size)
    before_zero = time <= case["result"]["first_current_zero_s"]
    ours = np.interp(time, series.time_s, series.current_a)
    assert np.abs(ours - expected)[before_zero].max() < tolerance * case["result"]["peak_current_a"]


@pytest.mark.parametrize("fidelity", TOLERANCE)
@pytest.mark.parametrize("case", CASES, ids=NAMES)
def test_workpiece_current_and_stray_heat_agree(fire: Fire, case: dict[str, Any], fidelity: str) -> None:
    """The workpiece's peak current runs against the coil's and agrees; so does the stray heat."""
    result = result_of(fire, case, fidelity)
    assert result.series is not None
    extreme = min(result.series.workpiece_current_a)
    assert extreme == pytest.approx(case["result"]["peak_workpiece_current_a"], rel=PART_CURRENT_TOLERANCE[fidelity])
    time, current = np.array(result.series.time_s), np.array(result.series.current_a)
    before_zero = time <= case["result"]["first_current_zero_s"]
    action = np.trapezoid(current[before_zero] ** 2, time[before_zero])
    stray_heat = case["shot"]["bank"]["resistance_ohm"] * action
    assert stray_heat == pytest.approx(case["result"]["stray_heat_j"], rel=0.012 if fidelity == "screen" else 0.01)


#: Allowed difference of the field on the axis at any instant, over the highest in the gap.
AXIS_TOLERANCE = {"screen": 0.005, "design": 0.005, "reference": 0.003}


@pytest.mark.parametrize("name", ["one turn", "thin wire, open winding", "slow bank, odd turns, washer"])
def test_field_on_the_axis_is_that_of_finite_elements(name: str) -> None:
    """What comes through to the axis, from a disc that lets 0.2 % of the gap's field in to a washer round air.

    Currents of the part cancel nearly all of the coil's field there, so the field is told by the flux that has come in.
    """
    case = next(case for case in CASES if case["name"] == name)
    shot = case["shot"]
    bore = shot["workpiece"]["inner_diameter_m"]
    probe = AxisProbe(0.3 * bore if bore else 0.04 * shot["workpiece"]["outer_diameter_m"])
    matrices = assemble(conductors_of(shot), Fineness(coarseness=1.3), probe)
    history = run(matrices, circuit_of(shot), 2.0 * case["computed"]["step_s"], 1e-3)
    highest = case["result"]["peak_gap_field_tesla"]
    for fidelity, tolerance in AXIS_TOLERANCE.items():
        rows = run_shot(check_shot(shot | {"solver": shot["solver"] | {"fidelity": fidelity}})).rows
        field = np.interp(history.time_s, rows[:, c.TIME], rows[:, c.CENTRE_FIELD])
        assert np.abs(field - history.gap_field_tesla).max() < tolerance * highest
