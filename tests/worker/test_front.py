"""Front, recommendation and advice, against definitions worked out the slow way."""

from __future__ import annotations

import random

from hypothesis import given
from hypothesis import strategies as st

from tests.worker.samples import candidate, miss, request
from worker.front import best_fidelity, choose, evenly, explain_none, pareto_front, recommend, spread_over
from worker.records import Candidate, Confirmation, Miss, Robustness, SpreadShare

few = st.integers(min_value=1, max_value=6)


def made(number: int, energy: int, voltage: int, margin: int, fidelity: str = "design") -> Candidate:
    objectives = {
        "stored_energy_j": float(energy),
        "charge_voltage_v": float(voltage),
        "margin_ratio": margin / 10,
    }
    return candidate(number, objectives=objectives, charge_voltage_v=float(voltage), fidelity=fidelity)


def costs(found: Candidate) -> tuple[float, float, float]:
    assert found.objectives is not None
    return found.objectives.stored_energy_j, found.objectives.charge_voltage_v, -found.objectives.margin_ratio


def dominates(one: Candidate, other: Candidate) -> bool:
    """Pareto dominance as every textbook defines it: nowhere worse and somewhere better."""
    pairs = list(zip(costs(one), costs(other), strict=True))
    return all(a <= b for a, b in pairs) and any(a < b for a, b in pairs)


@given(st.lists(st.tuples(few, few, few), max_size=25))
def test_front_is_what_nobody_dominates(triples: list[tuple[int, int, int]]) -> None:
    """The front holds exactly the points that no other dominates, each point once, least energy first."""
    rows = [made(number, *triple) for number, triple in enumerate(triples)]
    front = pareto_front(rows)
    expected = {costs(row) for row in rows if not any(dominates(other, row) for other in rows)}
    assert {costs(row) for row in front} == expected
    assert len(front) == len(expected)
    assert [costs(row) for row in front] == sorted(costs(row) for row in front)


@given(st.lists(st.tuples(few, few, few), max_size=12), st.randoms())
def test_front_does_not_depend_on_the_order(triples: list[tuple[int, int, int]], shuffler: random.Random) -> None:
    """The same candidates in another order give the same front."""
    rows = [made(number, *triple) for number, triple in enumerate(triples)]
    front = pareto_front(rows)
    shuffler.shuffle(rows)
    assert pareto_front(rows) == front


def test_infeasible_candidates_are_never_on_the_front() -> None:
    """However little energy an infeasible trial takes, it is not on the front."""
    assert pareto_front([miss(0, 0.1), made(1, 5, 5, 5)]) == [made(1, 5, 5, 5)]


def test_figures_of_two_meshes_are_not_compared() -> None:
    """With settled candidates at hand the searched ones are left out; without any they are used."""
    coarse, fine = made(0, 1, 1, 1, "screen"), made(1, 5, 5, 5)
    assert best_fidelity([coarse, fine]) == [fine]
    assert best_fidelity([coarse]) == [coarse]


def test_choice_is_most_margin_within_a_tenth_of_least_energy() -> None:
    """A candidate 9 % above the least energy wins by its margin; one 11 % above does not, whatever its margin."""
    rows = [made(0, 1000, 9, 2), made(1, 1090, 8, 3), made(2, 1110, 7, 9)]
    chosen = choose(pareto_front(rows))
    assert chosen is not None
    assert chosen.number == 1


def with_chance(found: Candidate, chance: float, error: float = 0.01) -> Candidate:
    """The candidate with a made-up chance to land within the tolerance."""
    robustness = Robustness(
        chance_ratio=chance,
        chance_error_ratio=error,
        spread_m=1e-4,
        voltage_trim_ratio=0.002,
        trimmed_chance_ratio=chance,
        ranking=[SpreadShare(spread="gap_m", first_order_ratio=0.7, total_ratio=0.75)],
        unexplained_ratio=0.01,
        shots_count=67,
    )
    return found.model_copy(update={"robustness": robustness})


def test_chance_outweighs_margin_when_it_is_clearly_better() -> None:
    """Within a tenth of the least energy a clearly better chance wins; a chance not told apart leaves it to margin."""
    clear = [with_chance(made(0, 1000, 9, 2), 0.9), with_chance(made(1, 1050, 8, 4), 0.6)]
    alike = [with_chance(made(0, 1000, 9, 2), 0.9), with_chance(made(1, 1050, 8, 4), 0.87)]
    unsure = [with_chance(made(0, 1000, 9, 2), 0.9), with_chance(made(1, 1050, 8, 4), 0.75, error=0.1)]
    assert [chosen.number for chosen in map(choose, (clear, alike, unsure)) if chosen] == [0, 1, 1]


def test_reason_tells_chance_and_what_matters() -> None:
    """The reason says how likely the shot lands within the tolerance, which spread matters most and the trim."""
    found = recommend(request(), [with_chance(made(0, 2000, 5000, 3), 0.62)])
    assert found is not None
    for word in ("62% of shots", "gap", "75% of the variance", "+0.20% of voltage"):
        assert word in found.reason


@given(st.lists(st.tuples(few, few, few), min_size=1, max_size=25), st.integers(min_value=1, max_value=8))
def test_spread_over_keeps_the_ends(triples: list[tuple[int, int, int]], count: int) -> None:
    """Points spread over a front are distinct, as many as asked for, the recommended one first; ends come next."""
    front = pareto_front([made(number, *triple) for number, triple in enumerate(triples)])
    found = spread_over(front, count)
    assert len(found) == min(count, len(front))
    assert len({one.number for one in found}) == len(found)
    assert found[0] == choose(front)
    if count >= 4:
        assert front[0] in found


def test_only_settled_candidates_are_recommended() -> None:
    """A front that was only searched, as after cancelling early, has no recommendation."""
    assert recommend(request(), [made(0, 1, 1, 1, "screen")]) is None


def test_reason_names_coil_energy_and_margins() -> None:
    """The reason can be read at the bench: coil, voltage, energy and the distance to each limit."""
    found = recommend(request(), [made(0, 2000, 5000, 3)])
    assert found is not None
    for word in (
        "8 turns of awg_12",
        "5.00 kV",
        "2.00 kJ",
        "50% below the voltage limit",
        "75% below the energy limit",
    ):
        assert word in found.reason


def test_numerical_error_beyond_the_tolerance_is_admitted() -> None:
    """When the finest mesh misses the tolerance, the reason says so."""
    confirmation = Confirmation(
        final_outer_diameter_m=0.0243, difference_m=3e-4, peak_current_a=5e4, within_tolerance=False
    )
    found = recommend(request(), [made(0, 2000, 5000, 3).model_copy(update={"confirmation": confirmation})])
    assert found is not None
    assert "24.30 mm" in found.reason
    assert "larger than the tolerance of 0.10 mm" in found.reason


def test_advice_says_what_limits_and_what_would_have_to_give() -> None:
    """With nothing feasible the advice counts the commonest reason, names the closest trial and what to change."""
    misses = [Miss(reason="energy_limit", trials_count=50), Miss(reason="current_limit", trials_count=11)]
    limiting = explain_none(request(), misses, miss(3, 0.2, "energy_limit"))
    assert limiting.nearest is not None
    for word in (
        "None of 61 trials",
        "50 were stopped by the energy limit",
        "80% of the wanted shrink",
        "stored energy",
    ):
        assert word in limiting.advice


def test_even_choice_keeps_both_ends() -> None:
    """Of more items than wanted the first, the last and even steps between are taken; of fewer, all."""
    assert evenly(range(11), 6) == [0, 2, 4, 6, 8, 10]
    assert evenly("abc", 3) == ["a", "b", "c"]
    assert evenly([], 2) == []
