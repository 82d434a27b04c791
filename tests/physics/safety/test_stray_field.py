"""The field outside the coil against the law of Biot and Savart, summed by the test itself."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from physics.constants import MU_0
from physics.hazards.stray_field import distance_to_m, field_bound_tesla


def loop_field(ampere: float, radius: float, point: tuple[float, float]) -> float:
    """Field (T) of a circular loop at (r, z), by summing Biot and Savart's law over 4,000 straight pieces."""
    angle = (np.arange(4000) + 0.5) * 2.0 * pi / 4000
    wire = radius * np.stack((np.cos(angle), np.sin(angle), np.zeros_like(angle)), axis=1)
    along = radius * 2.0 * pi / 4000 * np.stack((-np.sin(angle), np.cos(angle), np.zeros_like(angle)), axis=1)
    apart = np.array([point[0], 0.0, point[1]]) - wire
    distance = np.linalg.norm(apart, axis=1)
    field = MU_0 * ampere / (4.0 * pi) * (np.cross(along, apart) / distance[:, None] ** 3).sum(axis=0)
    return float(np.linalg.norm(field))


@pytest.mark.parametrize("distance", [0.3, 1.0, 3.0])
def test_far_away_it_is_the_field_on_the_axis(distance: float) -> None:
    """Of a dipole, which the loop is from twenty radii on: (1 + R^2 / d^2)^(3/2) more than the loop's own."""
    own = loop_field(5e4, 0.015, (0.0, distance))
    assert field_bound_tesla(5e4, 0.015, distance) == pytest.approx(
        own * (1.0 + (0.015 / distance) ** 2) ** 1.5, rel=1e-5
    )


@settings(deadline=None, max_examples=60)
@given(distance=st.floats(0.001, 1.0), angle=st.floats(0.0, pi / 2))
def test_no_direction_has_more(distance: float, angle: float) -> None:
    """Not even close to the wire, as long as the point lies outside it."""
    radius = 0.015
    point = (distance * float(np.sin(angle)), distance * float(np.cos(angle)))
    if np.hypot(point[0] - radius, point[1]) < 1e-3:
        return
    assert loop_field(5e4, radius, point) <= field_bound_tesla(5e4, radius, distance) * (1.0 + 1e-4)


def test_the_implant_distance_has_the_limit() -> None:
    """0.5 mT (Directive 2013/35/EU; Univ. Twente and radiology rules, as read): 8 turns of 50 kA."""
    distance = distance_to_m(4e5, 0.015, 5e-4)
    assert loop_field(4e5, 0.015, (0.0, distance)) == pytest.approx(5e-4, rel=2e-3)
    assert loop_field(4e5, 0.015, (0.0, distance)) <= 5e-4
