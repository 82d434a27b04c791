"""How the section of a conductor is cut into filaments."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest

from physics.bundle import COARSE, FINE, USUAL, Cut, round_bundle, strip_bundle

CUTS = [COARSE, USUAL, FINE]
RADIUS_M, GAP_M = 1e-3, 2e-3


def second_moment(skin: float, cut: Cut) -> float:
    """Of a bundle about the wire's own axis, over that of the wire, pi r^4 / 2."""
    wire = round_bundle(RADIUS_M, GAP_M, skin, cut)
    sectors = (wire.x_m.size - 1) // sum(range(1, len(cut.rings.skins) + 1))
    # What a filament's section has about its own middle: a circle's for the core, a rectangle's for a sector.
    area, first = wire.area_m2, 1
    own, inner = 0.5 * area[0] ** 2 / pi, np.sqrt(area[0] / pi)
    for ring in range(len(cut.rings.skins)):
        count = sectors * (ring + 1)
        outer = np.sqrt(inner**2 + count * area[first] / pi)
        own += count * area[first] * ((pi * (inner + outer) / count) ** 2 + (outer - inner) ** 2) / 12.0
        first, inner = first + count, outer
    assert inner == pytest.approx(RADIUS_M)
    return float(((area * (wire.x_m**2 + wire.y_m**2)).sum() + own) / (0.5 * pi * RADIUS_M**4))


@pytest.mark.parametrize("cut", CUTS)
def test_bundle_without_a_skin_is_the_solid_wire(cut: Cut) -> None:
    """Area and second moment, which a slowly changing field's loss goes by, are the wire's as the skin gets thick."""
    wire = round_bundle(RADIUS_M, GAP_M, 1.0, cut)
    assert wire.area_m2.sum() == pytest.approx(pi * RADIUS_M**2)
    assert second_moment(1.0, cut) == pytest.approx(1.0, rel=1e-6)
    # A thin skin has its current further out.
    assert second_moment(0.4e-3, cut) > 1.01


@pytest.mark.parametrize("cut", CUTS)
@pytest.mark.parametrize("skin", [0.1e-3, 0.3e-3, 0.5e-3, 0.7e-3, 1.1e-3, 5e-3])
def test_strip_is_filled_with_cells_no_thicker_than_the_skin_asks(cut: Cut, skin: float) -> None:
    """Cells fill the strip; those at the faces are as thin as asked, unless so many cells would not do."""
    radial, axial = 0.7e-3, 4e-3
    strip = strip_bundle(radial, axial, skin, cut)
    assert strip.area_m2.sum() == pytest.approx(radial * axial)
    for place, width in ((strip.x_m, radial), (strip.y_m, axial)):
        cells = np.unique(np.round(place, 9)).size
        face = 2.0 * (0.5 * width - place.max())
        if width < cut.whole * skin:
            assert cells == 1
        elif width == radial and width < cut.halves * skin:
            # One outside the other.
            assert cells == 2
        else:
            assert cells % 2 == 1
            assert face < cut.face_skins * skin * 1.0001 or cells == 2 * cut.faces + 1
    # The current flows towards the faces, evenly about the middle.
    middle = strip.point_share * strip.area_m2[strip.point_filament]
    assert (middle * strip.point_x_m).sum() == pytest.approx(0.0, abs=1e-15)
    assert (middle * strip.point_y_m).sum() == pytest.approx(0.0, abs=1e-15)
    assert np.abs(strip.point_x_m).max() <= 0.5 * radial
    if np.unique(np.round(strip.x_m, 9)).size > 1:
        assert (middle * np.abs(strip.point_x_m)).sum() > (strip.area_m2 * np.abs(strip.x_m)).sum() * 1.01


@pytest.mark.parametrize("cut", CUTS)
def test_thick_wire_has_more_sectors_and_one_faces_the_part(cut: Cut) -> None:
    """Wire that is thick against gap or skin has more filaments; there is always one on the side of the part."""
    counts = []
    for gap, skin in ((4e-3, 0.5e-3), (0.4e-3, 0.5e-3), (4e-3, 0.15e-3)):
        wire = round_bundle(RADIUS_M, gap, skin, cut)
        counts.append(wire.x_m.size)
        assert wire.x_m.min() == pytest.approx(-wire.x_m.max())
        assert wire.y_m[wire.x_m.argmin()] == pytest.approx(0.0, abs=1e-12)
    assert counts[1] > counts[0] < counts[2]


def test_screen_cuts_thick_wire_as_design_does() -> None:
    """Four sectors do for wire no thicker than the gap and two skins and a half."""
    for gap, skin, same in ((1.1e-3, 0.5e-3, False), (0.9e-3, 0.5e-3, True), (1.1e-3, 0.3e-3, True)):
        coarse, usual = (round_bundle(RADIUS_M, gap, skin, cut) for cut in (COARSE, USUAL))
        assert np.array_equal(coarse.x_m, usual.x_m) == same
