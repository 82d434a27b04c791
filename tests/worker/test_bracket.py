"""Closing in on a voltage, on curves whose root is known in closed form."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from worker.bracket import Bracket, Sample

Curve = Callable[[float], float | None]
WANTED = 6e-3
CLOSE = 2.5e-5
HIGHEST = 10_000.0


def shots_to_hit(curve: Curve, first_v: float) -> tuple[int, Bracket]:
    """Shoot until hit, out of reach or narrow; returns the number of shots."""
    bracket = Bracket(WANTED, HIGHEST)
    voltage = first_v
    for shots in range(1, 41):
        shrink = curve(voltage)
        bracket.add(Sample(voltage, shrink))
        hit = shrink is not None and abs(shrink - WANTED) <= CLOSE
        if hit or bracket.is_out_of_reach or bracket.is_narrow:
            return shots, bracket
        voltage = bracket.next_voltage()
        assert 0.0 < voltage <= HIGHEST
    pytest.fail("did not end")


def power_law(root_v: float, exponent: float) -> Curve:
    return lambda v: WANTED * (v / root_v) ** exponent


def with_onset(root_v: float, onset_ratio: float) -> Curve:
    """Nothing moves below the onset, then it goes up in a straight line."""
    onset = onset_ratio * root_v
    return lambda v: WANTED * max(0.0, (v - onset) / (root_v - onset))


@given(
    root_v=st.floats(1_000.0, 9_900.0),
    exponent=st.floats(1.0, 6.0),
    first_v=st.floats(300.0, HIGHEST),
)
def test_power_laws_are_solved_in_few_shots(root_v: float, exponent: float, first_v: float) -> None:
    """From any first guess a smooth curve is hit in at most 14 shots, and from a near one in five."""
    shots, bracket = shots_to_hit(power_law(root_v, exponent), first_v)
    last = bracket.samples[-1]
    assert last.shrink_m == pytest.approx(WANTED, abs=CLOSE)
    assert shots <= 14
    near, _ = shots_to_hit(power_law(root_v, exponent), min(1.1 * root_v, HIGHEST))
    assert near <= 5


@given(root_v=st.floats(1_000.0, 9_900.0), onset_ratio=st.floats(0.1, 0.9), first_v=st.floats(300.0, HIGHEST))
def test_onset_does_not_mislead(root_v: float, onset_ratio: float, first_v: float) -> None:
    """A part that does not move at all below some voltage is solved as well."""
    shots, bracket = shots_to_hit(with_onset(root_v, onset_ratio), first_v)
    assert bracket.samples[-1].shrink_m == pytest.approx(WANTED, abs=CLOSE)
    assert shots <= 14


@given(root_v=st.floats(HIGHEST * 1.02, 1e5), exponent=st.floats(1.0, 6.0), first_v=st.floats(5_000.0, HIGHEST))
def test_out_of_reach_is_seen_at_the_highest_voltage(root_v: float, exponent: float, first_v: float) -> None:
    """When even the highest voltage is too weak, that is found by a shot there, and soon."""
    shots, bracket = shots_to_hit(power_law(root_v, exponent), first_v)
    assert bracket.is_out_of_reach
    assert bracket.samples[-1].voltage_v == HIGHEST
    assert shots <= 6


@given(edge_v=st.floats(1_000.0, 9_900.0), first_v=st.floats(500.0, HIGHEST))
def test_shots_without_a_size_bound_the_voltage(edge_v: float, first_v: float) -> None:
    """A part that is destroyed before it reaches its target leaves a narrow bracket round that voltage."""

    def curve(voltage: float) -> float | None:
        return 0.8 * WANTED * (voltage / edge_v) ** 2 if voltage < edge_v else None

    shots, bracket = shots_to_hit(curve, first_v)
    assert bracket.is_narrow
    assert bracket.high is not None
    assert bracket.low.voltage_v <= edge_v <= bracket.high.voltage_v
    assert shots <= 16


def test_jump_over_the_target_ends_narrow() -> None:
    """A curve that jumps over the target has no solution, and the search ends instead of going on for ever."""
    _, bracket = shots_to_hit(lambda v: 2e-3 if v < 5_000.0 * math.sqrt(1.5) else 9e-3, 5_000.0)
    assert bracket.is_narrow
