"""Laws that hold for any shot: energy, monotony, similarity, symmetry and limits."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from physics import simulate_shot
from physics import state as c
from physics.inductance import Group, assemble
from physics.run import Run
from physics.shot import check_shot
from physics.simulate import build, run_shot
from tests.physics.plausible import plausible_shots
from tests.physics.sections import section_of
from tests.physics.shots import TRADE_SHOT, changed, part

SEEDS = st.integers(min_value=0, max_value=2**31)


def lawful(examples: int) -> settings:
    """The same few examples in every run, however long one takes."""
    return settings(max_examples=examples, derandomize=True, deadline=None, database=None)


def plausible_shot(seed: int, **solver: bool) -> dict[str, Any]:
    return plausible_shots(seed, 1, "screen", **solver)[0]


def is_quick(shot: dict[str, Any]) -> bool:
    """Whether it takes well under a second: many turns of strip are cut into thousands of filaments."""
    return "strip_width_m" not in shot["coil"] or shot["coil"]["turns_count"] <= 5


# Energy.


@lawful(40)
@given(SEEDS)
def test_energy_is_kept_in_any_shot(seed: int) -> None:
    """Whatever the part, coil, switch and crowbar: a shot that runs to its end accounts for all energy but 0.3 %."""
    shot = plausible_shot(seed)
    assume(is_quick(shot))
    result = simulate_shot(shot)
    assert result.status != "not_converged"
    if result.status == "completed":
        assert result.energy is not None
        assert abs(result.energy.residual_ratio) <= 0.003


# More voltage.


def final_diameter(shot: dict[str, Any]) -> float | None:
    """Final outer diameter (m) of a shot that completes without burst."""
    result = simulate_shot(shot)
    whole = result.status == "completed" and result.summary is not None and result.summary.burst_time_s is None
    return result.summary.final_outer_diameter_m if whole and result.summary is not None else None


@lawful(15)
@given(SEEDS, st.floats(min_value=1.05, max_value=1.5))
def test_more_voltage_never_leaves_a_larger_part(seed: int, more: float) -> None:
    """Before the coil bursts, a higher charge voltage never leaves the part larger."""
    shot = plausible_shot(seed)
    assume(is_quick(shot))
    lower = shot["bank"]["charge_voltage_v"] / 3.0
    weak, strong = (final_diameter(changed(shot, bank={"charge_voltage_v": v})) for v in (lower, more * lower))
    assume(weak is not None and strong is not None)
    assert weak is not None
    assert strong is not None
    # A part that hardly yields keeps ringing by some millionths.
    assert strong <= weak * (1.0 + 1e-4)


# Similarity.

LENGTHS = {
    "coil": ("wire_diameter_m", "strip_width_m", "strip_thickness_m", "pitch_m"),
    "workpiece": ("outer_diameter_m", "inner_diameter_m", "thickness_m"),
}


def enlarged(shot: dict[str, Any], scale: float) -> dict[str, Any]:
    """The shot with all lengths multiplied."""
    larger = shot | {"gap_m": scale * shot["gap_m"]}
    for name, lengths in LENGTHS.items():
        larger[name] = shot[name] | {key: scale * shot[name][key] for key in lengths if key in shot[name]}
    return larger


def scaled(member: dict[str, Any], **factors: float) -> dict[str, Any]:
    """The member with some of its numbers multiplied."""
    return member | {name: factor * member[name] for name, factor in factors.items()}


def assert_similar(one: Run, other: Run, factors: dict[int, float], precision: float = 1e-7) -> None:
    """The same steps, each recorded column multiplied by its factor, as far as rounding errors grow."""
    assert one.code == other.code
    assert len(one.rows) == len(other.rows)
    for column, factor in factors.items():
        expected = factor * one.rows[:, column]
        assert other.rows[:, column] == pytest.approx(expected, abs=precision * np.abs(expected).max()), column


@lawful(12)
@given(SEEDS, st.floats(min_value=0.7, max_value=1.4))
def test_diffusion_is_similar(seed: int, scale: float) -> None:
    """At rest, s times lengths and stray L, 1/s stray R, s^3 C: times go as s^2, currents as s, fields stay."""
    # Linear, metals the same: L goes as the length, R as its inverse, so L/R as s^2; LC as s^4 asks for C as s^3. At
    # the same voltage V t / L makes currents go as s, fields (current over length) stay, forces (B^2 area) go as s^2.
    shot = plausible_shot(seed, motion=False, heating=False) | {"switch": {"kind": "ideal"}, "crowbar": None}
    assume(is_quick(shot))
    large = enlarged(shot, scale) | {
        "bank": scaled(shot["bank"], capacitance_farad=scale**3, inductance_henry=scale, resistance_ohm=1.0 / scale),
        "leads": scaled(shot["leads"], inductance_henry=scale, resistance_ohm=1.0 / scale),
    }
    one, other = (run_shot(check_shot(each)) for each in (shot, large))
    assert_similar(
        one,
        other,
        {c.TIME: scale**2, c.CURRENT: scale, c.VOLTAGE: 1.0, c.FIELD: 1.0, c.FORCE: scale**2, c.COIL_VOLTAGE: 1.0},
    )


def own_metal(conductivity: float, yield_pa: float) -> dict[str, Any]:
    """A metal that is not sensitive to strain rate and never ruptures."""
    return {
        "conductivity_s_per_m": conductivity,
        "resistivity_coefficient_per_k": 0.004,
        "density_kg_per_m3": 8960.0,
        "specific_heat_j_per_kg_k": 385.0,
        "melting_temperature_k": 1358.0,
        "latent_heat_j_per_kg": 2.05e5,
        "boiling_temperature_k": 2835.0,
        "youngs_modulus_pa": 1.2e11,
        "poisson_ratio": 0.34,
        "flow_stress": {"a_pa": yield_pa, "b_pa": 2.9e8, "n_ratio": 0.31, "c_ratio": 0.0, "m_ratio": 1.09},
    }


@pytest.mark.parametrize("scale", [0.5, 2.0])
@pytest.mark.parametrize(
    ("workpiece", "coil"),
    [
        (part("disc", 0.024, 1.75e-3, "copper"), {}),
        (part("washer", 0.024, 2e-3, "copper", inner_m=0.008), {"turns_count": 11, "layers_count": 2}),
        (part("tube", 0.024, 0.02, "copper", inner_m=0.020), {"turns_count": 5}),
    ],
    ids=["disc", "washer, two layers", "tube"],
)
def test_motion_is_similar(workpiece: dict[str, Any], coil: dict[str, Any], scale: float) -> None:
    """With s times lengths, L, C, voltage, resistivities, times and sizes go as s; fields, speeds, heat stay."""

    # Times go as lengths over speeds. L/R as s then asks for resistivities as s (R stays), LC as s^2 for C as s, the
    # same field for currents as s, and so L I / t for voltages as s. Heat a volume, rho j^2 t, stays; so does stress.
    # Strain rate goes as 1/s: the metal must not feel it.
    def shot(size: float) -> dict[str, Any]:
        base = changed(TRADE_SHOT, bank={"charge_voltage_v": 4000.0}, workpiece=workpiece, coil=coil)
        base["workpiece"]["layers"] = [{"material": own_metal(1.6e7 / size, 1e8)}]
        base["coil"]["material"] = own_metal(5.8e7 / size, 6e7)
        return enlarged(base, size) | {
            "bank": scaled(base["bank"], capacitance_farad=size, inductance_henry=size, charge_voltage_v=size),
            "leads": scaled(base["leads"], inductance_henry=size),
            "switch": scaled(base["switch"], inductance_henry=size, forward_drop_v=size),
            "solver": {"fidelity": "screen"},
        }

    one, other = (run_shot(check_shot(shot(size))) for size in (1.0, scale))
    assert one.rows[-1, c.OUTER] < 0.97 * workpiece["outer_diameter_m"]
    assert_similar(
        one,
        other,
        {c.TIME: scale, c.CURRENT: scale, c.VOLTAGE: scale, c.FIELD: 1.0, c.FORCE: scale**2, c.OUTER: scale,
         c.SPEED: 1.0, c.PART_TEMPERATURE: 1.0, c.COIL_TEMPERATURE: 1.0, c.WORK_PART: scale**3},
    )  # fmt: skip


# Symmetry.


@lawful(8)
@given(SEEDS)
def test_half_a_section_stands_for_the_whole(seed: int) -> None:
    """The matrix and radial slopes of the stored half are those of the whole section, both sides written out."""
    section = section_of(build(check_shot(plausible_shot(seed))))
    assume(section.points.used[0] < 800)
    points, used = section.points, int(section.points.used[0])
    mirrored = np.flatnonzero(points.weight[:used] == 2.0)
    both = np.concatenate([np.arange(used), mirrored])
    height = np.concatenate([points.height[:used], -points.height[mirrored]])
    matrix, by_radius = np.zeros_like(section.matrix), np.zeros((both.size, len(section.matrix)))
    whole = Group(0, both.size, 0, len(matrix))
    assemble(
        whole, whole, points.radius[both], height, points.mean_distance[both], np.ones(both.size), points.share[both],
        points.cell[both], np.empty((5, both.size)), matrix, by_radius, np.zeros_like(by_radius),
        np.empty(both.size),
    )  # fmt: skip
    assert matrix == pytest.approx(section.matrix, rel=1e-9, abs=1e-12 * section.matrix.max())
    # The field of the whole is the same on both sides.
    largest = float(np.abs(section.by_radius).max())
    assert by_radius[:used] == pytest.approx(section.by_radius[:used], abs=1e-9 * largest)
    assert by_radius[used:] == pytest.approx(section.by_radius[mirrored], abs=1e-9 * largest)


# Limits.


@lawful(8)
@given(SEEDS)
def test_weak_shot_is_linear_and_moves_nothing(seed: int) -> None:
    """As the voltage goes to zero the current becomes proportional to it, and nothing moves, yields or warms."""
    shot = plausible_shot(seed) | {"switch": {"kind": "ideal"}, "crowbar": None}
    assume(is_quick(shot))
    one, two = (run_shot(check_shot(changed(shot, bank={"charge_voltage_v": volts}))) for volts in (1.0, 2.0))
    factors = {c.TIME: 1.0, c.CURRENT: 2.0, c.VOLTAGE: 2.0, c.FIELD: 2.0, c.TURN_VOLTAGE: 2.0}
    assert_similar(one, two, factors, precision=1e-5)
    # Elastic motion and heat go as the square.
    assert two.rows[-1, c.OUTER] == pytest.approx(shot["workpiece"]["outer_diameter_m"], rel=1e-7)
    assert two.model.body.strain.max() == 0.0
    assert two.model.turns.strain.max() == 0.0
    assert two.rows[:, c.PART_TEMPERATURE].max() == pytest.approx(293.15, abs=1e-3)


@lawful(8)
@given(SEEDS)
def test_part_that_does_not_conduct_feels_nothing(seed: int) -> None:
    """Heat and impulse of a poor conductor go as its conductivity; with hardly any it stays as it is."""
    shot = plausible_shot(seed)
    assume(is_quick(shot))
    poor, better = (
        run_shot(check_shot(changed(shot, workpiece={"layers": [{"material": own_metal(conductivity, 1e8)}]})))
        for conductivity in (1e3, 1e4)
    )
    stored = 0.5 * shot["bank"]["capacitance_farad"] * shot["bank"]["charge_voltage_v"] ** 2
    heat, ten_times = (run.rows[-1, c.HEAT_PART] / stored for run in (poor, better))
    # What it takes of the energy it leaves less of, which the better conductor feels first.
    assert 0.99 <= heat / (0.1 * ten_times) <= 1.01 + 2.0 * ten_times
    assert np.abs(poor.rows[:, c.OUTER] / poor.rows[0, c.OUTER] - 1.0).max() < 1e-4
    assert poor.model.body.strain.max() == 0.0


# Again.


def arrays_of(model: c.Model) -> list[np.ndarray[Any, Any]]:
    """All that is kept from shot to shot."""
    tables = (model.coil, model.part, model.tables)
    return [array for table in tables for array in table if isinstance(array, np.ndarray)]


@lawful(10)
@given(SEEDS)
def test_a_run_leaves_its_meshes_as_they_were(seed: int) -> None:
    """Meshes and tables of a shot are kept for the next one of its coil and part: no run may change them."""
    shot = check_shot(plausible_shot(seed))
    assume(is_quick(plausible_shot(seed)))
    kept = arrays_of(build(shot))
    before = [array.copy() for array in kept]
    stronger = shot.bank.model_copy(update={"charge_voltage_v": 1.2 * shot.bank.charge_voltage_v})
    used = arrays_of(run_shot(shot.model_copy(update={"bank": stronger})).model)
    assert all(now is one for now, one in zip(used, kept, strict=True))
    assert all(np.array_equal(now, then) for now, then in zip(used, before, strict=True))
