"""How long shots take, beside other ways to the same answer and beside the machine's floor: `make bench`.

Times differ from machine to machine; the ratios, all of one run, are what to compare between two versions.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from functools import partial
from typing import Any, get_args

import numpy as np

import physics
from physics import state as c
from physics.circuit import make_step_work
from physics.inductance import Group, assemble
from physics.linear import factor, solve
from physics.shot import Fidelity, check_shot
from physics.simulate import build, run_shot
from tests.physics.fem.fixed_shot import solve as solve_by_elements
from tests.physics.fem.meshing import Fineness
from tests.physics.plain import discharge, filament_inductance
from tests.physics.plain_motion import PlainShot
from tests.physics.plausible import plausible_shots
from tests.physics.sections import groups_of, section_of

RUNS_COUNT = 5
#: Random shots of all kinds, and how many of those that complete are timed.
SEED, SHOTS_COUNT = 2024, {"screen": 200, "design": 200, "reference": 20}
SHOT: dict[str, Any] = {
    "bank": {"capacitance_farad": 1.5e-4, "charge_voltage_v": 6500.0, "inductance_henry": 6e-8, "resistance_ohm": 2e-3},
    "switch": {"kind": "ignitron", "inductance_henry": 4e-8, "resistance_ohm": 1e-3, "forward_drop_v": 30.0},
    "leads": {"inductance_henry": 1e-7, "resistance_ohm": 2e-3},
    "coil": {"turns_count": 8, "wire_diameter_m": 2.05e-3, "pitch_m": 2.3e-3},
    "gap_m": 1e-3,
    "workpiece": {
        "shape": "disc",
        "outer_diameter_m": 0.03,
        "thickness_m": 2e-3,
        "layers": [{"material": "copper"}],
    },
}
#: Until when it is compared with the plain oracle, most of its motion done.
MOVING_S = 5e-5
COPPER = {"conductivity_s_per_m": 5.8e7}
#: The same held still and cold, for comparison with solvers that know no motion.
STILL: dict[str, Any] = {
    **SHOT,
    "switch": {"kind": "ideal"},
    "leads": {"inductance_henry": 0.0, "resistance_ohm": 0.0},
    "coil": {**SHOT["coil"], "layers_count": 1, "material": COPPER},
    "workpiece": {
        **SHOT["workpiece"],
        "inner_diameter_m": 0.0,
        "layers": [{"material": COPPER, "fraction_ratio": 1.0}],
    },
    "solver": {"fidelity": "design", "motion": False, "heating": False, "stop_time_s": 6e-5},
}


def at(fidelity: str) -> dict[str, Any]:
    """The shot at a fidelity."""
    return {**SHOT, "solver": {"fidelity": fidelity}}


def seconds_of(run: Callable[[], object], runs_count: int = RUNS_COUNT) -> float:
    """Median time of a call; the first one, which compiles or loads kernels, is not counted."""
    run()
    times = []
    for _ in range(runs_count):
        start = time.perf_counter()
        run()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def seconds_of_random_shots(fidelity: str) -> tuple[list[float], list[float]]:
    """Time of every one of so many random shots that run to the end: of its whole answer, and of what a search asks."""
    wanted = SHOTS_COUNT[fidelity]
    whole: list[float] = []
    figures: list[float] = []
    for shot in plausible_shots(SEED, 2 * wanted, fidelity):
        start = time.perf_counter()
        result = physics.simulate_shot(shot)
        middle = time.perf_counter()
        if result.status == "completed":
            physics.shot_figures(check_shot(shot))
            whole.append(middle - start)
            figures.append(time.perf_counter() - middle)
        if len(whole) == wanted:
            break
    return whole, figures


def floor_seconds(fidelity: str) -> float:
    """Time that the shot's own factors, solves and pairs of loops take by themselves on this machine.

    One factor and two solves a step, and every assembly of the matrix: no motion, no heat, nothing written down.
    """
    run = run_shot(check_shot(at(fidelity)))
    section, work = section_of(run.model), make_step_work(run.model.unknowns)
    size, p = work.rhs.size, section.points
    matrix = np.eye(size) + 0.1
    lower, pair = matrix.copy(), np.empty((5, p.used[0]))
    factor(lower)

    def one_step() -> None:
        lower[:, :] = matrix
        factor(lower)
        solve(lower, work.rhs)
        solve(lower, work.rhs)

    def assembly_of(one: Group, other: Group) -> None:
        assemble(
            one, other, p.radius, p.height, p.mean_distance, p.weight, p.share, p.cell, pair,
            section.matrix, section.by_radius, section.by_height, section.by_swelling,
        )  # fmt: skip

    def of_coil() -> None:
        assembly_of(coil, coil)
        assembly_of(part, coil)

    coil, part = groups_of(section)
    steps, assemblies, of_part = (
        float(1 + count) for count in (len(run.rows) - 2, run.totals[c.ASSEMBLIES], run.totals[c.PART_ASSEMBLIES])
    )
    return (
        steps * seconds_of(one_step, 200)
        + assemblies * seconds_of(of_coil, 20)
        + of_part * seconds_of(partial(assembly_of, part, part), 20)
    )


def print_moving() -> None:
    """Times and ratio of the shot to a stated instant, before it bursts, beside the plain oracle with motion."""
    print(
        f"\nThe copper disc to {MOVING_S * 1e6:.0f} us, before it bursts, beside plain NumPy and SciPy (Radau, dense)"
    )
    print(f"{'fidelity':<10} {'ours, ms':>9} {'plain, ms':>10} {'times ours':>11}   current and diameter apart by")
    for fidelity in ("screen", "design"):
        shot = {**SHOT, "solver": {"fidelity": fidelity, "stop_time_s": MOVING_S}}
        ours = seconds_of(partial(physics.simulate_shot, shot))
        start = time.perf_counter()
        plain = PlainShot(shot).fire(np.array([MOVING_S]))
        there = time.perf_counter() - start
        series = physics.simulate_shot(shot).series
        assert series is not None
        current = series.current_a[-1] - plain.current_a[-1]
        diameter = series.outer_diameter_m[-1] - plain.outer_diameter_m[-1]
        print(
            f"{fidelity:<10} {ours * 1e3:9.2f} {there * 1e3:10.0f} {there / ours:11.0f}"
            f"   {current:.0f} A, {diameter * 1e6:.0f} um"
        )


def main() -> None:
    """Print times and ratios."""
    seconds = {fidelity: seconds_of(partial(physics.simulate_shot, at(fidelity))) for fidelity in get_args(Fidelity)}
    print(f"A copper disc of 30 mm that rings and bursts its coil, median of {RUNS_COUNT} runs")
    print(f"{'fidelity':<10} {'ms':>9} {'ratio to design':>16} {'floor, % of it':>15}")
    for fidelity, value in seconds.items():
        floor = floor_seconds(fidelity)
        print(f"{fidelity:<10} {value * 1e3:9.2f} {value / seconds['design']:16.2f} {100.0 * floor / value:15.0f}")

    print("\nRandom shots of all kinds that run to the end, ms")
    print(f"{'fidelity':<10} {'shots':>6} {'median':>8} {'9 of 10':>8}   what a search asks: median, 9 of 10, mean")
    for fidelity in get_args(Fidelity):
        times, asked = (np.array(found) * 1e3 for found in seconds_of_random_shots(fidelity))
        print(
            f"{fidelity:<10} {times.size:6d} {np.median(times):8.1f} {np.percentile(times, 90):8.1f}"
            f"   {np.median(asked):26.1f} {np.percentile(asked, 90):8.1f} {asked.mean():5.1f}"
        )

    ours = seconds_of(lambda: physics.simulate_shot(STILL))
    plain = seconds_of(lambda: discharge(STILL, STILL["solver"]["stop_time_s"]), 2)
    elements = seconds_of(lambda: solve_by_elements(STILL, Fineness(), 2e-7), 1)
    section = section_of(build(check_shot(STILL)))
    here, there = seconds_of(section.assemble, 20), seconds_of(lambda: filament_inductance(section), 20)
    print(f"\nInductance matrix of its section, which motion asks for anew: {here * 1e3:.2f} ms with slopes,")
    print(f"{there * 1e3:.2f} ms in plain NumPy and SciPy without them: {there / here:.0f} times ours")
    print("\nThe same held still and cold, to 60 us at design")
    print(f"{'ours':<44} {ours * 1e3:9.1f} ms")
    for name, value in (
        ("plain NumPy and SciPy (Radau, dense)", plain),
        ("finite elements of the test oracle", elements),
    ):
        print(f"{name:<44} {value * 1e3:9.1f} ms {value / ours:8.0f} times ours")
    print_moving()


if __name__ == "__main__":
    main()
