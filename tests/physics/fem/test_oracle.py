"""The finite-element oracle itself, against closed forms and against another finite-element program's results."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.sparse.linalg import splu
from scipy.special import ellipe, ellipk, jv

from tests.physics.fem.fixed_shot import Solution, circuit_of, conductors_of, figures, solve, turn_centres_m
from tests.physics.fem.meshing import Box, Circle, Fineness, Region, Shape, mesh_section
from tests.physics.fem.oracle import VACUUM_PERMEABILITY as MU0
from tests.physics.fem.oracle import Circuit, Conductor, Matrices, assemble, run

FOLDER = Path(__file__).parent
NORMAL, COARSE = Fineness(), Fineness(coarseness=2.0)
OTHER_PROGRAM: list[dict[str, Any]] = json.loads((FOLDER / "fe_cases.json").read_text(encoding="utf-8"))["cases"]
STORED: dict[str, dict[str, Any]] = {
    case["name"]: case for case in json.loads((FOLDER / "oracle_cases.json").read_text(encoding="utf-8"))["cases"]
}

#: Cases that differ in kind from the two above and from each other, and are quick.
RECOMPUTED = [
    "two layers",
    "flat strip, odd turns",
    "tube longer than the coil",
    "clad disc",
    "thin wire, open winding",
]

#: Relative differences that two finite-element solutions of the same shot may have, one of them on a coarse mesh.
TOLERANCE = {
    "peak_current_a": 1e-4,
    "time_to_peak_s": 1e-4,
    "first_current_zero_s": 1e-4,
    "peak_workpiece_current_a": 2e-4,
    "peak_force_n": 5e-4,
    "time_of_peak_force_s": 1e-4,
    "impulse_n_s": 5e-4,
    "peak_gap_field_tesla": 2e-3,
    "peak_axial_force_half_n": 1e-3,
    "coil_heat_j": 1e-3,
    "workpiece_heat_j": 1e-3,
    "stray_heat_j": 2e-4,
}


def exceeded(solution: Solution, expected: dict[str, float]) -> dict[str, float]:
    """Differences from the expected figures that are larger than allowed."""
    differences = {name: value / expected[name] - 1 for name, value in figures(solution.history).items()}
    return {name: value for name, value in differences.items() if abs(value) > TOLERANCE[name]}


def ring(radius_m: float, wire_radius_m: float, edge_m: float, conductivity_s_per_m: float = 1e7) -> Conductor:
    return Conductor(Circle(radius_m, 0.0, wire_radius_m), conductivity_s_per_m, edge_m, is_turn=True)


def inductance_at_rest(matrices: Matrices) -> float:
    """Inductance with the current distributed as direct current is."""
    potential = splu(matrices.stiffness).solve(matrices.turns @ (matrices.share / matrices.conductance))
    return 2 * float(potential @ (matrices.stiffness @ potential))


def slowest_decay_s(matrices: Matrices) -> float:
    """Time constant of the slowest current pattern of the part, by power iteration."""
    solver = splu(matrices.stiffness)
    pattern, time_s = matrices.part_current, 0.0
    for _ in range(60):
        grown = solver.solve(matrices.part_mass @ pattern)
        time_s = float(np.linalg.norm(grown) / np.linalg.norm(pattern))
        pattern = grown / np.linalg.norm(grown)
    return time_s


def disc_decay_ratio(thickness_ratio: float) -> float:
    """Slowest decay of a disc of radius a over µ0 σ h a."""
    disc = Conductor(Box(-1.0, 1.0, -thickness_ratio / 2, thickness_ratio / 2), 1.0, thickness_ratio / 2, is_turn=False)
    return slowest_decay_s(assemble([disc], Fineness(growth_ratio=0.4))) / (MU0 * thickness_ratio)


def test_mesh_fills_each_region_exactly() -> None:
    """Triangles of a circle, of half a circle and of a box have the area of the shape."""
    shapes: list[Shape] = [Circle(3.0, 1.2, 0.5), Circle(3.0, 0.0, 0.5), Box(-2.0, 2.0, -0.3, 0.3)]
    section = mesh_section([Region(shape, 0.1, i) for i, shape in enumerate(shapes)], 20.0, Fineness())
    p = section.mesh.p[:, section.mesh.t]
    areas = np.abs((p[0, 1] - p[0, 0]) * (p[1, 2] - p[1, 0]) - (p[0, 2] - p[0, 0]) * (p[1, 1] - p[1, 0])) / 2
    filled = [areas[section.region == number].sum() for number in range(3)]
    # Straight edges of 0.1 on a circle of 0.5 cut off 0.7 %; the box has to be exact.
    assert filled[:2] == pytest.approx([shape.area() for shape in shapes[:2]], rel=1e-2)
    assert filled[2] == pytest.approx(shapes[2].area(), rel=1e-12)
    assert areas.sum() == pytest.approx(np.pi * 20.0**2 / 4, rel=1e-2)


def test_inductance_of_a_round_ring() -> None:
    """A ring of 25 cm radius of 1 cm wire with uniform current has the inductance that Rayleigh and Niven give.

    E. B. Rosa and L. Cohen, Bull. Bur. Stand. 4 (1907) 149 (formula from memory, high); their example by Wien's
    formula, 424.1761 π cm (read in test/test_electromagnetics.py of cfsem-py as the paper's), is 5e-6 less.
    """
    radius_m, wire_m = 0.25, 0.005
    square = (wire_m / radius_m) ** 2
    expected = MU0 * radius_m * ((1 + square / 8) * np.log(8 * radius_m / wire_m) + square / 24 - 1.75)
    assert expected == pytest.approx(424.1761e-9 * np.pi, rel=1e-5)
    m = assemble([ring(radius_m, wire_m, 0.0008)], NORMAL)
    everywhere = np.ones(m.stiffness.shape[0])
    uniform = m.coil_mass @ everywhere * (m.share / (m.turns.T @ everywhere))
    assert 2 * float(uniform @ splu(m.stiffness).solve(uniform)) == pytest.approx(expected, rel=3e-5)


def test_inductance_of_thin_turns_is_the_sum_over_loops() -> None:
    """Layers of thin wire, odd and even, have the inductance of coaxial loops by Maxwell's formula."""
    shot = OTHER_PROGRAM[0]["shot"]
    coil = {**shot["coil"], "turns_count": 5, "layers_count": 2, "wire_diameter_m": 4e-4, "pitch_m": 2.5e-3}
    shot = {**shot, "coil": coil}
    turns = [c for c in conductors_of(shot) if c.is_turn]
    expected = sum(loop_inductance(a, b, 2e-4) for a in turn_centres_m(shot) for b in turn_centres_m(shot))
    assert inductance_at_rest(assemble(turns, COARSE)) == pytest.approx(expected, rel=1e-3)


def loop_inductance(first: tuple[float, float], second: tuple[float, float], wire_radius_m: float) -> float:
    """Maxwell's mutual inductance of coaxial circles, or the self inductance of one of round wire."""
    (a, _), (b, _) = first, second
    height = first[1] - second[1]
    if first == second:
        return float(MU0 * a * (np.log(8 * a / wire_radius_m) - 1.75))
    m = 4 * a * b / ((a + b) ** 2 + height**2)
    k = np.sqrt(m)
    return float(MU0 * np.sqrt(a * b) * ((2 / k - k) * ellipk(m) - 2 / k * ellipe(m)))


def test_eddy_currents_in_a_sphere_decay_with_its_time_constant() -> None:
    """The slowest decay of a sphere is µ0 σ a²/π² (H. Lamb, Phil. Trans. 174 (1883) 519; from memory, high)."""
    sphere = Conductor(Circle(0.0, 0.0, 1.0), 1.0, 0.06, is_turn=False)
    assert slowest_decay_s(assemble([sphere], NORMAL)) == pytest.approx(MU0 / np.pi**2, rel=3e-5)


def test_eddy_currents_in_a_thin_disc_decay_with_its_time_constant() -> None:
    """The slowest decay of a disc tends to 0.1815 µ0 σ h a as it gets thin (our own sum over thin rings)."""
    thick, thin = disc_decay_ratio(0.02), disc_decay_ratio(0.01)
    assert thick < thin < 0.1815
    assert 2 * thin - thick == pytest.approx(0.1815, rel=5e-3)


def test_skin_effect_of_a_round_wire() -> None:
    """The resistance of a large ring rises with frequency as that of a straight wire, k a J0(ka) / 2 J1(ka)."""
    wire_m, sigma, frequency = 1e-3, 5.8e7, 2 * np.pi * 40e3
    m = assemble([ring(0.1, wire_m, 8e-5, sigma)], Fineness())
    potential = splu((m.stiffness + 1j * frequency * m.mass).tocsc()).solve(m.turns[:, 0].astype(complex))
    current = (m.conductance[0] - 1j * frequency * (m.turns[:, 0] @ potential)) / m.share[0]
    ka = np.sqrt(-1j * frequency * MU0 * sigma) * wire_m
    expected = float((ka * jv(0, ka) / (2 * jv(1, ka))).real)
    resistance_at_rest = m.share[0] / m.conductance[0]
    assert float((1 / current).real) / resistance_at_rest == pytest.approx(expected, rel=2e-3)


def test_bank_rings_as_formula_says_without_eddy_currents() -> None:
    """With wire of high resistance and no part the current is that of a circuit of fixed L, R and C."""
    matrices = assemble([ring(0.02, 1e-3, 2e-4, conductivity_s_per_m=1e6)], COARSE)
    circuit = Circuit(1e-4, 5e3, 1e-7, 5e-3)
    history = run(matrices, circuit, 2e-7, 3e-5)
    resistance = circuit.resistance_ohm + float(
        np.sum(matrices.share * 2) * matrices.share[0] / matrices.conductance[0]
    )
    inductance = circuit.inductance_henry + inductance_at_rest(matrices)
    decay = resistance / (2 * inductance)
    pulsation = np.sqrt(1 / (inductance * circuit.capacitance_farad) - decay**2)
    t = history.time_s
    expected = circuit.charge_voltage_v / (pulsation * inductance) * np.exp(-decay * t) * np.sin(pulsation * t)
    assert np.abs(history.current_a - expected).max() < 2e-3 * expected.max()


@pytest.mark.parametrize("case", OTHER_PROGRAM, ids=[case["name"] for case in OTHER_PROGRAM])
def test_figures_are_those_of_another_program(case: dict[str, Any]) -> None:
    """On a coarse mesh the figures are those that another finite-element program found, and energy closes."""
    solution = solve(case["shot"], COARSE, 2e-7)
    assert exceeded(solution, case["result"]) == {}
    assert solution.history.energy_residual_ratio(circuit_of(case["shot"])) < 1e-4


def test_peak_current_converges_with_the_square_of_the_step() -> None:
    """Each halving of the step brings the peak current four times nearer to its limit."""
    case = STORED["poor conductor"]
    matrices = solve(case["shot"], Fineness(coarseness=3.0), 4e-6).matrices
    histories = [run(matrices, circuit_of(case["shot"]), step_s, 1e-4) for step_s in (1.6e-6, 0.8e-6, 0.4e-6)]
    peaks = [figures(history)["peak_current_a"] for history in histories]
    assert (peaks[1] - peaks[0]) / (peaks[2] - peaks[1]) == pytest.approx(4.0, rel=0.1)


@pytest.mark.parametrize("name", RECOMPUTED)
def test_stored_cases_are_what_the_oracle_computes(name: str) -> None:
    """A run on a coarse mesh finds the stored figures within that mesh's error."""
    case = STORED[name]
    solution = solve(case["shot"], COARSE, 2 * case["computed"]["step_s"])
    assert exceeded(solution, case["result"]) == {}


@pytest.mark.parametrize("name", STORED)
def test_stored_cases_are_converged(name: str) -> None:
    """Neither a finer step, nor a finer mesh, nor more air round the coil changes a stored figure noticeably."""
    computed = STORED[name]["computed"]
    changes = {
        (change, figure): value
        for change in ("half_step_change_ratio", "finer_mesh_change_ratio", "wider_air_change_ratio")
        for figure, value in computed[change].items()
    }
    large = {key: value for key, value in changes.items() if abs(value) > 0.2 * TOLERANCE[key[1]]}
    assert large == {}
    assert computed["energy_residual_ratio"] < 1e-5
