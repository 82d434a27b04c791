"""How the section of a conductor is cut into filaments."""

from __future__ import annotations

from math import exp, pi

import numpy as np
import pytest

from physics.bundle import COARSE, FINE, USUAL, Bundle, Cut, Floats, round_bundle, strip_bundle
from physics.loops import annulus_mean_distance

CUTS = [COARSE, USUAL, FINE]
RADIUS_M, GAP_M = 1e-3, 2e-3


def distances_of(wire: Bundle) -> Floats:
    """Distances (m) of filaments from each other, and mean ones of each from itself."""
    apart = np.hypot(wire.x_m[:, None] - wire.x_m, wire.y_m[:, None] - wire.y_m)
    np.fill_diagonal(apart, wire.point_mean_distance_m)
    return apart


def mean_distance(wire: Bundle) -> float:
    """Geometric mean distance (m) of a bundle from itself with an even current."""
    share = wire.area_m2 / wire.area_m2.sum()
    return float(np.exp(share @ np.log(distances_of(wire)) @ share))


@pytest.mark.parametrize("cut", CUTS)
@pytest.mark.parametrize("gap", [0.4e-3, 2e-3])
def test_bundle_without_a_skin_is_the_solid_wire(cut: Cut, gap: float) -> None:
    """Area and geometric mean distance, which its inductance goes by, are the wire's as the skin gets thick."""
    wire = round_bundle(RADIUS_M, gap, 1.0, cut)
    assert wire.area_m2.sum() == pytest.approx(pi * RADIUS_M**2)
    # exp(-1/4) r of a solid circle (Maxwell; Rosa & Grover 1912).
    assert mean_distance(wire) == pytest.approx(0.7788008 * RADIUS_M, rel=1e-6)
    # What a slowly changing field's loss goes by, pi r^4 / 2: filaments have none of their own.
    second_moment = (wire.area_m2 * (wire.x_m**2 + wire.y_m**2)).sum() / (0.5 * pi * RADIUS_M**4)
    assert 0.75 < second_moment < 1.0
    thin = round_bundle(RADIUS_M, gap, 0.2e-3, cut)
    # A thin skin has its current further out.
    assert np.hypot(thin.x_m, thin.y_m).max() > 1.02 * np.hypot(wire.x_m, wire.y_m).max()


def test_mean_distance_of_a_ring_lies_between_circle_and_thin_ring() -> None:
    """Of an annulus: exp(-1/4) of the radius as its bore closes, the radius as it gets thin (Maxwell)."""
    assert annulus_mean_distance(1e-6, 1.0) == pytest.approx(exp(-0.25), rel=1e-6)
    assert annulus_mean_distance(0.9999, 1.0) == pytest.approx(1.0, rel=1e-4)
    # Of half its radius by quadrature of Gauss: ln of the larger radius of two circles, over both areas.
    node, weight = np.polynomial.legendre.leggauss(200)
    radius, share = 0.75 + 0.25 * node, 0.25 * weight
    share = share * radius / (share * radius).sum()
    larger = np.log(np.maximum(radius[:, None], radius))
    assert annulus_mean_distance(0.5, 1.0) == pytest.approx(exp(share @ larger @ share), rel=1e-4)


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
    """Wire that is thick against gap or skin has more filaments; one faces the part."""
    counts = []
    for gap, skin in ((4e-3, 0.6e-3), (0.4e-3, 0.6e-3), (4e-3, 0.15e-3)):
        wire = round_bundle(RADIUS_M, gap, skin, cut)
        counts.append(wire.x_m.size)
        assert wire.y_m[wire.x_m.argmin()] == pytest.approx(0.0, abs=1e-12)
        assert (wire.area_m2 * wire.x_m).sum() == pytest.approx(0.0, abs=1e-15)
        # Neighbours in a ring stay further apart than each has of itself: the matrix would not be definite.
        apart = np.hypot(wire.x_m[-1] - wire.x_m[-2], wire.y_m[-1] - wire.y_m[-2])
        assert wire.point_mean_distance_m[-1] < 0.46 * apart
    assert counts[1] > counts[0] < counts[2]


@pytest.mark.parametrize("cut", CUTS)
@pytest.mark.parametrize("gap", [0.15e-3, 0.3e-3, 0.7e-3, 5e-3])
@pytest.mark.parametrize("skin", [0.12e-3, 0.3e-3, 0.6e-3, 0.9e-3, 1.1e-3, 2e-3, 20e-3])
def test_energy_of_a_bundle_is_positive_whatever_currents_flow_in_it(cut: Cut, gap: float, skin: float) -> None:
    """Currents that add up to nothing have a field, as the matrix of minus the logarithms of distances tells."""
    wire = round_bundle(RADIUS_M, gap, skin, cut)
    energy = -np.log(distances_of(wire) / RADIUS_M)
    inner = np.linalg.qr(np.ones((len(energy), 1)), mode="complete")[0][:, 1:]
    assert np.linalg.eigvalsh(inner.T @ energy @ inner).min() > 0.1


def test_bundles_are_as_fine_as_their_fidelity() -> None:
    """Three, six, and six and twelve sectors round the core of a wire thinner than gap and skin."""
    assert [round_bundle(RADIUS_M, GAP_M, 0.6e-3, cut).x_m.size for cut in CUTS] == [4, 7, 19]


def test_pieces_of_a_strip_are_about_as_long_as_asked() -> None:
    """A strip ten times as wide as thick, in one cell: loops stand for squares, at `screen` for 1.4 times as much."""
    pieces = [strip_bundle(0.2e-3, 2e-3, 10e-3, cut) for cut in CUTS]
    assert [strip.point_x_m.size for strip in pieces] == [7, 10, 10]
    assert all(strip.point_share.sum() == pytest.approx(1.0) for strip in pieces)
