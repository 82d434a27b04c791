"""Coils of several layers and of flat strip, and their tails, against handbook formulas."""

from __future__ import annotations

from dataclasses import replace
from math import acosh, log, pi

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ellipe, ellipk, jv

from physics.bundle import COARSE, FINE, USUAL, Cut
from physics.constants import MU_0
from physics.deformation import make_body
from physics.leads import go_and_return_inductance, helix_inductance, skin_resistance
from physics.mesh import CoilMesh, Slice, mesh_coil, mesh_part
from physics.turns import make_turns
from physics.winding import Winding, places
from tests.physics.coils import GAP_M, PART_RADIUS_M, coil_shot, current_sheet, peak_through
from tests.physics.sections import Section, make_section
from tests.physics.shots import Fire, changed

Floats = NDArray[np.float64]

#: Deep enough that the current density is even.
NO_SKIN_M = 1.0


def wire_winding(turns: int, layers: int, wire: float = 1e-3, pitch: float = 1.2e-3) -> Winding:
    return Winding(turns, layers, wire, wire, pitch, pitch, is_round=True)


def strip_winding(turns: int, radial: float, axial: float) -> Winding:
    return Winding(turns, 1, radial, axial, 1.1 * axial, 1.1 * radial, is_round=False)


def section_of_coil(coil: CoilMesh, section_m2: float) -> Section:
    """The coil round a speck far inside."""
    part = mesh_part(0.0, 1e-4, [Slice(1e-4, 0, 1)], 1e-4, 3, 1.5, 3)
    body = make_body(part.node_radius_m, part.level_m, np.ones(1), part.slice_metal)
    return make_section(coil, part, make_turns(coil.turn_radius_m, section_m2, 1.0, coil.turn_weight), body)


def direct_current_inductance(
    winding: Winding, bore_radius: float, section_m2: float, skin: float = NO_SKIN_M
) -> float:
    """Inductance (H) of a coil that carries an even current density, cut as `skin` (m) asks."""
    coil = mesh_coil(winding, bore_radius, 1e-9, skin, replace(USUAL, to_faces=()))
    filaments = coil.radius_m.size
    current = coil.area_m2 / section_m2
    matrix = section_of_coil(coil, section_m2).matrix[:filaments, :filaments]
    return float(current @ matrix @ current)


# Where the turns lie.


@pytest.mark.parametrize("layers", [1, 2, 3, 4])
@pytest.mark.parametrize("turns", [4, 5, 6, 7, 12, 13, 29])
def test_turns_are_counted_and_centred(turns: int, layers: int) -> None:
    """All turns are there, the inner layers have the odd ones, and each layer lies evenly about the mid-plane."""
    winding = wire_winding(turns, layers)
    coil = mesh_coil(winding, 9e-3, 1e-3, 3e-4, USUAL)
    assert coil.turn_weight.sum() == turns
    counts = [int(coil.turn_weight[coil.turn_layer == layer].sum()) for layer in range(layers)]
    assert sum(counts) == turns
    assert counts == sorted(counts, reverse=True)
    assert counts[0] - counts[-1] <= 1
    for layer, count in enumerate(counts):
        own = coil.turn_layer == layer
        # A turn off the mid-plane stands for its mirror image as well.
        z = np.concatenate([coil.turn_z_m[own], -coil.turn_z_m[own & (coil.turn_weight == 2.0)]])
        assert np.sort(z) == pytest.approx((np.arange(count) - 0.5 * (count - 1)) * 1.2e-3, abs=1e-15)
        assert coil.turn_radius_m[own] == pytest.approx(np.full(own.sum(), 10e-3 + 0.5e-3 + layer * 1.2e-3))


@pytest.mark.parametrize("winding", [wire_winding(5, 1), wire_winding(7, 2), strip_winding(3, 1e-3, 4e-3)])
@pytest.mark.parametrize("cut", [COARSE, USUAL, FINE])
def test_filaments_keep_the_section(winding: Winding, cut: Cut) -> None:
    """The filaments of a turn add up to its section and lie evenly about its middle, those on the mid-plane too."""
    area = 0.25 * pi * winding.radial_m**2 if winding.is_round else winding.radial_m * winding.axial_m
    coil = mesh_coil(winding, 9e-3, 1e-3, 3e-4, cut)
    for turn, radius in enumerate(coil.turn_radius_m):
        own = coil.turn == turn
        share = coil.multiplicity[own] * coil.area_m2[own]
        assert share.sum() == pytest.approx(area, rel=1e-12)
        assert share @ coil.radius_m[own] == pytest.approx(area * radius, rel=1e-12)
    # Points share out their filament's current.
    for filament in range(coil.radius_m.size):
        points = coil.point_filament == filament
        times = coil.point_multiplicity[points] / coil.multiplicity[filament]
        assert (times * coil.point_share[points]).sum() == pytest.approx(1.0)


# Inductance.


def maxwell(a: Floats, b: Floats, z: Floats) -> Floats:
    """Mutual inductance (H) of coaxial circles, Maxwell's formula as printed (Rosa & Grover 1912, eq. 1)."""
    modulus = 4.0 * a * b / ((a + b) ** 2 + z**2)
    k = np.sqrt(modulus)
    bracket = (2.0 / k - k) * ellipk(modulus) - 2.0 / k * ellipe(modulus)
    return np.asarray(MU_0 * np.sqrt(a * b) * bracket)


def sum_of_mutuals(winding: Winding, bore_radius: float) -> float:
    """Inductance (H) of all turns as circles, each with itself as a ring of round wire (Rosa & Grover 1912)."""
    place = [
        (
            bore_radius + 0.5 * winding.radial_m + layer * winding.layer_pitch_m,
            (k - 0.5 * (count - 1)) * winding.pitch_m,
        )
        for layer, count in enumerate(winding.turns_in_layers)
        for k in range(count)
    ]
    total = sum(MU_0 * radius * (log(16.0 * radius / winding.radial_m) - 1.75) for radius, _ in place)
    one, other = np.triu_indices(len(place), 1)
    radius, z = np.array(place).T
    return float(total + 2.0 * maxwell(radius[one], radius[other], z[one] - z[other]).sum())


@pytest.mark.parametrize(("turns", "layers"), [(1, 1), (7, 1), (8, 1), (11, 2), (12, 2), (20, 3), (33, 4)])
def test_layered_coil_has_the_sum_of_its_mutuals(turns: int, layers: int) -> None:
    """A coil of one to four layers, odd or even, has the inductance that Maxwell's formula gives turn by turn."""
    winding = wire_winding(turns, layers)
    found = direct_current_inductance(winding, 0.02, 0.25 * pi * 1e-6)
    assert found == pytest.approx(sum_of_mutuals(winding, 0.02), rel=1e-3)


def test_two_layers_are_two_current_sheets() -> None:
    """Long layers of close turns have the inductance of two current sheets, one inside the other."""
    # L = L1 + L2 + 2 M. Sheets of length l: Lorenz; M of coaxial sheets of equal length by quadrature of Maxwell's
    # formula. Round wire against a sheet: Rosa's corrections, each below 1 % here.
    turns, pitch, bore = 80, 1.0e-3, 0.02
    winding = Winding(turns, 2, 1e-3, 1e-3, pitch, pitch, is_round=True)
    inner, outer, length = bore + 0.5e-3, bore + 1.5e-3, 40 * pitch
    node, weight = np.polynomial.legendre.leggauss(60)
    z = 0.5 * length * (node[:, None] - node[None, :])
    loops = maxwell(np.full_like(z, inner), np.full_like(z, outer), z)
    mutual = 40**2 * float((0.25 * weight[:, None] * weight[None, :] * loops).sum())
    sheets = current_sheet(inner, length, 40) + current_sheet(outer, length, 40) + 2.0 * mutual
    found = direct_current_inductance(winding, bore, 0.25 * pi * 1e-6)
    assert found == pytest.approx(sheets, rel=0.01)


@pytest.mark.parametrize(("radial", "axial"), [(1e-3, 1e-3), (1e-3, 4e-3), (3e-3, 1e-3), (0.5e-3, 6e-3)])
def test_strip_turn_is_a_ring_of_its_mean_distance(radial: float, axial: float) -> None:
    """A turn of strip has the inductance of a ring with the geometric mean distance of its rectangle."""
    # L = mu0 R (ln(8R/g) - 2), g = 0.2235 (b + c) (Rosa & Grover 1912; Lyle 1914).
    bore = 0.03
    radius = bore + 0.5 * radial
    ring = MU_0 * radius * (log(8.0 * radius / (0.2235 * (radial + axial))) - 2.0)
    found = direct_current_inductance(strip_winding(1, radial, axial), bore, radial * axial, skin=0.3e-3)
    assert found == pytest.approx(ring, rel=5e-3)


@pytest.mark.parametrize("width", [5e-3, 15e-3, 40e-3])
def test_wide_strip_is_a_current_sheet(width: float) -> None:
    """A turn of wide thin strip with an even current has Lorenz's inductance of a current sheet."""
    # Its thickness takes away mu0 R ln(1 + thickness / width) or so: 0.7 % of the narrowest.
    thickness, bore = 1e-4, 0.02
    found = direct_current_inductance(strip_winding(1, thickness, width), bore, thickness * width, skin=1e-3)
    assert found == pytest.approx(current_sheet(bore + 0.5 * thickness, width, 1), rel=8e-3)


def test_strip_resists_as_its_section_says() -> None:
    """For direct current a turn of strip resists rho 2 pi / (w ln(r2/r1)), less than its mean radius says."""
    # Even field along each circle, E = U / (2 pi r) (textbook).
    resistivity, width, thickness, bore = 1.7e-8, 3e-3, 4e-3, 8e-3
    coil = mesh_coil(strip_winding(1, thickness, width), bore, 1e-9, 0.5e-3, FINE)
    section = section_of_coil(coil, width * thickness)
    each = section.resistance(resistivity)[: coil.radius_m.size]
    found = 1.0 / float((coil.multiplicity / each).sum())
    exact = resistivity * 2.0 * pi / (width * log((bore + thickness) / bore))
    assert found == pytest.approx(exact, rel=2e-3)
    assert found < 0.99 * resistivity * 2.0 * pi * (bore + 0.5 * thickness) / (width * thickness)


# Tails.


def test_go_and_return_has_its_published_inductance() -> None:
    """Two round wires of 2.05 mm, 10 mm apart and 100 mm long, have 90.69 nH."""
    # mu0 l / pi arcosh(d / 2 rho), d = 10 mm, rho = 1.025 mm (Smythe; evaluated).
    assert go_and_return_inductance(0.1, 0.010, 2.05e-3) == pytest.approx(90.69e-9, rel=1e-4)
    # Far apart it is mu0 l / pi ln(d / rho), the textbook's line without inner inductance.
    assert go_and_return_inductance(0.1, 1.0, 2e-3) == pytest.approx(MU_0 * 0.1 / pi * log(1.0 / 1e-3), rel=1e-6)
    assert 0.0 <= go_and_return_inductance(0.1, 2e-3, 2.05e-3) < 1e-9


@pytest.mark.parametrize(
    ("depth_over_radius", "precision"),
    # Against the exact solution for a round wire; between the limits the one-skin rule is rough.
    [(0.05, 1e-3), (0.1, 2e-3), (0.2, 0.01), (0.5, 0.06), (3.0, 1e-3), (10.0, 1e-5)],
)
def test_skin_resistance_has_the_right_limits(depth_over_radius: float, precision: float) -> None:
    """The resistance of a round wire is right where the skin is thin and where it is thicker than the wire."""
    # R = Re[k rho / (2 pi a) J0(ka) / J1(ka)], k = (1 - i) / depth (Kelvin; Smythe 10.3).
    radius, resistivity = 1e-3, 1.7e-8
    depth = depth_over_radius * radius
    k = (1.0 - 1.0j) / depth
    exact = float((k * resistivity / (2.0 * pi * radius) * jv(0, k * radius) / jv(1, k * radius)).real)
    found = skin_resistance(1.0, 2.0 * pi * radius, pi * radius**2, resistivity, depth)
    assert found == pytest.approx(exact, rel=precision)


def test_run_along_the_axis_is_the_field_between_sheet_and_tail() -> None:
    """A tail close outside a winding makes the inductance of a thin coaxial gap, mu0 l d / (2 pi a)."""
    assert helix_inductance(0.1, 0.02, 2e-5) == pytest.approx(MU_0 * 0.1 * 1e-3 / (2.0 * pi), rel=1e-3)


@pytest.mark.parametrize(("turns", "layers"), [(10, 1), (10, 2)])
def test_tails_are_part_of_the_loop(fire: Fire, turns: int, layers: int) -> None:
    """Tails delay and lower the peak by the inductance and resistance of their wire; layers wound back run no way."""
    wire, pitch, conductivity, tails = 6e-4, 1e-3, 5.8e7, {"length_m": 0.5, "spacing_m": 0.05}
    winding = wire_winding(turns, layers, wire, pitch)
    bore = PART_RADIUS_M + GAP_M
    radii = [place.radius_m for place in places(winding, bore) for _ in range(1 if place.z_m == 0.0 else 2)]
    section = 0.25 * pi * wire**2
    inductance = sum_of_mutuals(winding, bore) + MU_0 * 0.5 / pi * acosh(0.05 / wire)
    if layers == 1:
        inductance += helix_inductance(turns * pitch, bore + 0.5 * wire, wire)
    resistance = (2.0 * pi * sum(radii) + 1.0) / (conductivity * section)
    shot = changed(coil_shot(turns, wire, pitch, conductivity), coil={"layers_count": layers}, leads={"tails": tails})
    peak = peak_through(inductance, resistance)
    summary = fire(shot).summary
    assert summary is not None
    assert summary.peak_current_a == pytest.approx(peak.current_a, rel=2e-3)
    assert summary.time_to_peak_s == pytest.approx(peak.time_s, rel=2e-3)
