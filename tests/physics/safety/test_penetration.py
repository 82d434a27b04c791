"""Barriers against published penetration formulae, and that more barrier never lets more through."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from physics.hazards.debris import needed_thickness_m
from physics.hazards.penetration import (
    Piece,
    brick_m,
    concrete_depth_ndrc_m,
    concrete_fragment_m,
    concrete_m,
    mild_steel_m,
    plate_perforated_m,
    steel_fragment_depth_m,
)

#: 4000 psi, for which the constants of the formula for fragments are.
PSI_4000 = 27.579e6

pieces = st.builds(
    Piece,
    mass_kg=st.floats(1e-5, 0.05),
    speed_m_per_s=st.floats(20.0, 1500.0),
    diameter_m=st.floats(5e-4, 1e-2),
)


@pytest.mark.parametrize(
    ("gram", "speed", "soft_mm", "hard_mm"),
    [
        (28.349523, 304.8, 5.334, 7.620),
        (5.0, 300.0, 2.951, 4.216),
        (5.0, 600.0, 6.874, 9.820),
        (1.0, 500.0, 3.24, 4.62),
        (10.0, 1000.0, 16.11, 23.02),
    ],
)
def test_depth_into_mild_steel(gram: float, speed: float, soft_mm: float, hard_mm: float) -> None:
    """UFC 3-340-02, ch. 4, X = 0.21 (mild steel) or 0.30 (armour-piercing) W^0.33 V^1.22, evaluated by hand to 1e-3.

    The constants are from memory (high); 1 oz at 1,000 ft/s gives them back in inches.
    """
    piece = Piece(gram / 1e3, speed, 5e-3)
    assert 1e3 * steel_fragment_depth_m(piece, armour_piercing=False) == pytest.approx(soft_mm, rel=2e-3)
    assert 1e3 * steel_fragment_depth_m(piece) == pytest.approx(hard_mm, rel=2e-3)


@pytest.mark.parametrize(
    ("energy_j", "diameter_mm", "plate_mm"),
    [(90.0, 6.0, 2.62), (515.0, 9.0, 5.59), (1570.0, 5.7, 18.57), (3414.0, 7.8, 22.78), (1000.0, 10.0, 7.84)],
)
def test_steel_plate_just_perforated(energy_j: float, diameter_mm: float, plate_mm: float) -> None:
    """BRL formula of BC-TOP-9A Rev. 2 (1974), T = E^(2/3) / 672 D (in, ft lbf), by hand; from memory (high)."""
    mass = 2.0 * energy_j / 500.0**2
    assert 1e3 * plate_perforated_m(Piece(mass, 500.0, diameter_mm / 1e3)) == pytest.approx(plate_mm, rel=2e-3)


@pytest.mark.parametrize(
    ("gram", "speed", "depth_mm", "perforated_mm", "spalled_mm"),
    [(5.0, 300.0, 12.74, 26.08, 35.08), (5.0, 600.0, 24.13, 37.80, 47.67), (10.0, 500.0, 25.99, 43.72, 55.87)],
)
def test_fragment_into_concrete(
    gram: float, speed: float, depth_mm: float, perforated_mm: float, spalled_mm: float
) -> None:
    """UFC 3-340-02, ch. 4, 4,000 psi, evaluated by hand; constants from memory (med-high).

    They are consistent with the general form with K = 12.91 / sqrt(f'c), which gives 2.865e-3 and 2.05e-6.
    """
    found = concrete_fragment_m(Piece(gram / 1e3, speed, 5e-3), PSI_4000)
    assert [1e3 * value for value in found] == pytest.approx([depth_mm, perforated_mm, spalled_mm], rel=2e-3)


@pytest.mark.parametrize(
    ("gram", "diameter_mm", "speed", "depth_mm"),
    [(8.0, 10.0, 500.0, 21.48), (2.0, 6.0, 300.0, 8.30), (20.0, 12.0, 800.0, 60.15)],
)
def test_missile_into_concrete(gram: float, diameter_mm: float, speed: float, depth_mm: float) -> None:
    """Modified NDRC in SI (Kennedy 1976, as transcribed; 30 MPa, flat nose N = 0.72), evaluated by hand."""
    piece = Piece(gram / 1e3, speed, diameter_mm / 1e3)
    assert 1e3 * concrete_depth_ndrc_m(piece, 3e7, nose=0.72) == pytest.approx(depth_mm, rel=2e-3)


@given(piece=pieces, faster=st.floats(1.0, 3.0), heavier=st.floats(1.0, 10.0))
def test_a_faster_or_heavier_piece_never_needs_less(piece: Piece, faster: float, heavier: float) -> None:
    """So that an upper bound on speed and mass is an upper bound on the barrier."""
    quick = Piece(piece.mass_kg, faster * piece.speed_m_per_s, piece.diameter_m)
    heavy = Piece(heavier * piece.mass_kg, piece.speed_m_per_s, piece.diameter_m)
    for thickness in (mild_steel_m, lambda p: concrete_m(p, 2.5e7)):
        assert thickness(quick) >= thickness(piece) * (1 - 1e-9)
        assert thickness(heavy) >= thickness(piece) * (1 - 1e-9)


@given(piece=pieces, strength=st.floats(5e6, 1e8))
def test_barriers_are_thicker_than_what_is_penetrated(piece: Piece, strength: float) -> None:
    """Errs thick: no barrier is thinner than any of the depths, brick never thinner than such concrete."""
    assert mild_steel_m(piece) > max(steel_fragment_depth_m(piece), plate_perforated_m(piece))
    depth, perforated, _ = concrete_fragment_m(piece, strength)
    assert concrete_m(piece, strength) > max(depth, perforated, concrete_depth_ndrc_m(piece, strength))
    assert brick_m(piece, strength) >= concrete_m(piece, strength) * (1 - 1e-9)


@given(piece=pieces, margin=st.floats(1.0, 5.0))
def test_margin_multiplies_and_polycarbonate_is_not_rated(piece: Piece, margin: float) -> None:
    """No ballistic limits of polycarbonate could be read, so no thickness of it is called enough."""
    just = needed_thickness_m(piece, "mild_steel", 2.5e7, 1.0)
    assert just is not None
    assert needed_thickness_m(piece, "mild_steel", 2.5e7, margin) == pytest.approx(margin * just)
    assert needed_thickness_m(piece, "polycarbonate", 2.5e7, margin) is None
