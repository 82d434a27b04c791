"""The inductance matrix of any section is that of a field: symmetric, definite, and the forces are its slopes."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from physics.circuit import count, generalise, make_unknowns
from physics.geometry import Loads, inward_force, lorentz, make_loads
from physics.inductance import assemble, carry, follow
from physics.linear import factor
from physics.shot import check_shot
from physics.simulate import build
from physics.state import Model
from tests.physics.plausible import plausible_shots
from tests.physics.sections import Section, groups_of, section_of

Floats = NDArray[np.float64]

SECTIONS = 200


def deform(model: Model, rng: np.random.Generator) -> None:
    """Bring part and turns into a state such as a shot leads to: shrunk, uneven, thickened; turns spread outward."""
    body, turns = model.body, model.turns
    slices, cells = body.pressure.shape
    wall, top = body.radius[0, -1] - body.radius[0, 0], body.level[-1, 0]
    shrink = rng.uniform(0.5, 1.0)
    volume = np.diff(body.radius**2) * np.diff(body.level, axis=0)
    # Neighbouring columns of a flat part thicken unevenly, those of a tall one hardly.
    uneven = 0.3 * min(1.0, 2.0 * wall / cells / top)
    widths = np.diff(body.radius[0]) * rng.uniform(1.0 - uneven, 1.0 + uneven, cells)
    bore = shrink * rng.uniform(0.6, 1.0) * body.radius[0, 0]
    bend = rng.uniform(-0.3, 0.3) * wall * (np.arange(slices)[:, None] / slices) ** 2
    squeezed = bore + np.r_[0.0, np.cumsum(widths)] * (shrink * body.radius[0, -1] - bore) / widths.sum()
    body.radius[:] = squeezed + (bend if bore > 0.0 else 0.0)
    body.level[1:] = np.cumsum(volume / np.diff(body.radius**2), axis=0)
    layers = model.coil.turn_layer.max() + 1
    # Turns over one another stay so, and do not run into each other.
    turns.radius[:] *= rng.uniform(1.0, 1.3, turns.radius.size if layers == 1 else 1)


def random_sections(fidelity: str, count: int, seed: int) -> list[Section]:
    """Sections of plausible shots, each second one as it is during the shot."""
    rng, sections = np.random.default_rng(seed), []
    for index, shot in enumerate(plausible_shots(seed, count, fidelity)):
        model = build(check_shot(shot))
        if index % 2:
            deform(model, rng)
        sections.append(section_of(model))
    return sections


def energy(section: Section, current: Floats) -> float:
    """Field energy (J) of these currents where turns and body are now."""
    return 0.5 * float(current @ section.assemble() @ current)


def loads_of(section: Section, current: Floats) -> Loads:
    """Lorentz forces of these currents on turns, nodes and levels."""
    section.assemble()
    loads = make_loads(section.turns.radius.size, *section.body.pressure.shape)
    lorentz(
        section.coil, section.body, section.points, current, current, current,
        section.by_radius, section.by_height, section.by_swelling, loads,
    )  # fmt: skip
    return loads


def random_currents(section: Section, rng: np.random.Generator) -> Floats:
    """Any currents, of the size and sign of a shot's."""
    coil, part = section.coil.radius_m.size, section.part.cell_column.size
    return np.concatenate([rng.uniform(1e3, 1e4, coil), rng.uniform(-1e4, 1e3, part)])


@pytest.mark.parametrize("fidelity", ["screen", "design"])
def test_inductance_is_positive_definite(fidelity: str) -> None:
    """The inductance matrix of any section, at rest or deformed, is symmetric and positive definite."""
    for index, section in enumerate(random_sections(fidelity, SECTIONS, seed=8)):
        assert np.array_equal(section.matrix, section.matrix.T)
        assert np.linalg.eigvalsh(section.matrix)[0] > 0.0, index
        unknowns = make_unknowns(section.coil, section.part.cell_column.size)
        size = count(unknowns)
        reduced = np.zeros((size, size))
        generalise(unknowns, section.matrix, np.zeros((len(section.matrix), size)), reduced)
        reduced[-1, -1] = 1.0  # the crowbar's current has no inductance of its own here
        assert factor(reduced), index


def states_of(section: Section) -> tuple[Floats, Floats, Floats]:
    """Where turns, nodes and levels are."""
    return section.turns.radius, section.body.radius, section.body.level


def test_forces_are_the_slopes_of_the_energy() -> None:
    """Moving turns, nodes and levels at held currents changes the field's energy by force times way."""
    # Virtual work: F = dW/dx at constant current.
    rng = np.random.default_rng(12)
    for section in random_sections("screen", 30, seed=9):
        current = random_currents(section, rng)
        loads = loads_of(section, current)
        ways = [rng.normal(size=state.shape) for state in states_of(section)]
        # The axis and the mid-plane stay where they are.
        ways[1][section.body.radius == 0.0] = 0.0
        ways[2][0] = 0.0
        step = 1e-6 * section.body.radius[0, -1]
        energies = []
        for sign in (1.0, -1.0, 0.0):
            first = [state.copy() for state in states_of(section)]
            for state, way in zip(states_of(section), ways, strict=True):
                state[:] += sign * step * way
            energies.append(energy(section, current))
            for state, value in zip(states_of(section), first, strict=True):
                state[:] = value
        pairs = zip((section.coil.turn_weight * loads.turn, loads.node, loads.level), ways, strict=True)
        works = [force * way for force, way in pairs]
        scale = float(np.abs(works[0]).sum() + np.abs(works[1]).sum())
        total = float(sum(work.sum() for work in works))
        assert (energies[0] - energies[1]) / (2.0 * step) == pytest.approx(total, abs=1e-5 * scale)


def test_inward_force_by_itself_is_that_of_all_forces() -> None:
    """Where nothing moves only the total is asked for: it is the one that comes with the forces on nodes."""
    rng = np.random.default_rng(14)
    for section in random_sections("screen", 5, seed=10):
        current = random_currents(section, rng)
        loads = loads_of(section, current)
        alone = inward_force(section.points, current, current, section.by_radius)
        assert alone == pytest.approx(loads.inward[0], rel=1e-9)


def test_force_on_the_part_is_the_sum_over_its_nodes() -> None:
    """A thin shell's inward force, integral of J x B, is what its nodes are pushed with."""
    rng = np.random.default_rng(13)
    shot = plausible_shots(1, 1, "design")[0]
    shot["workpiece"] |= {
        "shape": "ring",
        "layers": [{"material": "copper"}],
        "outer_diameter_m": 0.030,
        "inner_diameter_m": 0.0293,
        "thickness_m": 3e-3,
    }
    section = section_of(build(check_shot(shot)))
    current = random_currents(section, rng)
    loads = loads_of(section, current)
    # Nodes also take a share of each sub-cell's own pinch, which presses on the wall from both sides.
    assert -loads.node.sum() == pytest.approx(loads.inward[0], rel=0.02)


def test_coil_and_part_push_each_other_apart() -> None:
    """Opposite currents in coil and part at rest push the part inward and the coil outward, every turn at its bore."""
    for section in random_sections("screen", 40, seed=10)[::2]:
        filaments = section.coil.radius_m.size
        current = np.r_[np.full(filaments, 1e3), np.full(section.part.cell_column.size, -1e3)]
        loads = loads_of(section, current)
        assert loads.inward[0] > 0.0
        assert section.coil.turn_weight @ loads.turn > 0.0
        # Outside the innermost layer the field of the coil itself points the other way.
        assert loads.turn[section.coil.turn_layer == 0].min() > 0.0


def place_of(section: Section) -> tuple[Floats, Floats, Floats]:
    """Radius, height and mean distance (m) of all points as they are now."""
    points = section.points
    return points.radius.copy(), points.height.copy(), points.mean_distance.copy()


def matrix_and_slopes(section: Section) -> tuple[Floats, Floats, Floats, Floats]:
    return section.matrix, section.by_radius, section.by_height, section.by_swelling


def test_matrix_is_assembled_in_blocks() -> None:
    """Coil, part and both together, each by itself over whatever was there, make the whole matrix and its slopes."""
    rng = np.random.default_rng(15)
    for section in random_sections("screen", 20, seed=12):
        coil, part = groups_of(section)
        p, whole = section.points, [values.copy() for values in matrix_and_slopes(section)]
        for values in matrix_and_slopes(section):
            values[:] = rng.normal(size=values.shape)
        for one, other in ((part, part), (part, coil), (coil, coil)):
            assemble(
                one, other, p.radius, p.height, p.mean_distance, p.weight, p.share, p.cell, np.empty((5, p.used[0])),
                section.matrix, section.by_radius, section.by_height, section.by_swelling,
            )  # fmt: skip
        for values, expected in zip(matrix_and_slopes(section), whole, strict=True):
            assert values == pytest.approx(expected, rel=1e-12, abs=1e-13 * np.abs(expected).max())


def test_what_the_part_has_by_itself_is_carried_as_the_matrix_follows() -> None:
    """Taken along to where part and coil are now, its block is the one that follows; all else stays as it was."""
    rng = np.random.default_rng(16)
    for section in random_sections("screen", 12, seed=13):
        base, p = place_of(section), section.points
        matrix, *slopes = (values.copy() for values in matrix_and_slopes(section))
        for state in states_of(section):
            state[:] = state * (1.0 + 1e-2 * rng.uniform(0.5, 1.0))
        section.assemble()
        now, rows, swelling = place_of(section), np.zeros_like(matrix), np.zeros(len(matrix))
        follow(p.used[0], now, base, p.weight, p.share, p.cell, *slopes, rows, swelling)
        carried, part = matrix.copy(), groups_of(section)[1]
        carry(part, now, base, p.weight, p.share, p.cell, *slopes, carried)
        cells = slice(part.cell, part.end_cell)
        # What follows in columns of the coil belongs to both.
        change = rows[cells, cells] + rows[cells, cells].T + np.diag(swelling[cells])
        assert (carried - matrix)[cells, cells] == pytest.approx(change, abs=1e-9 * np.abs(change).max())
        carried[cells, cells] = matrix[cells, cells]
        assert (carried == matrix).all()


def test_matrix_follows_small_motion_to_first_order() -> None:
    """The matrix carried along by its slopes differs from a fresh one by the square of the way."""
    rng = np.random.default_rng(14)
    for section in random_sections("screen", 6, seed=11):
        base = place_of(section)
        matrix, *slopes = (values.copy() for values in matrix_and_slopes(section))
        states = states_of(section)
        first = [state.copy() for state in states]
        ways = [1e-2 * rng.uniform(0.5, 1.0) * np.ones_like(state) for state in states]
        errors = []
        for share in (1.0, 0.5):
            for state, start, way in zip(states, first, ways, strict=True):
                state[:] = start * (1.0 + share * way)
            fresh, rows, swelling = section.assemble().copy(), np.zeros_like(matrix), np.zeros(len(matrix))
            p = section.points
            follow(p.used[0], place_of(section), base, p.weight, p.share, p.cell, *slopes, rows, swelling)
            carried = matrix + rows + rows.T + np.diag(swelling)
            errors.append(np.abs(carried - fresh).max() / np.abs(fresh - matrix).max())
        assert errors[1] == pytest.approx(0.5 * errors[0], rel=0.15)
        assert errors[0] < 0.1
