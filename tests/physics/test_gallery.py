"""The pictures of a shot: what they are drawn from is right, and they are small files that can be read."""

from __future__ import annotations

from collections.abc import Mapping
from math import cos, log, pi, sqrt
from pathlib import Path
from typing import Any
from xml.parsers.expat import ParserCreate

import numpy as np
import pytest
from matplotlib.figure import Figure
from numpy.typing import NDArray
from scipy.integrate import quad

from physics import section
from physics import state as c
from physics.constants import MU_0
from physics.field_lines import Loops, flux, loops_of
from physics.gallery.pictures import energy_areas, write_gallery
from physics.gallery.style import CAUTION, paper, save
from physics.run import Run
from physics.section import instants, section_of, sections
from physics.shot import check_shot
from physics.simulate import run_shot
from tests.physics.shots import TRADE_SHOT, VARIED_SHOTS, Fire, changed, part

Floats = NDArray[np.float64]

NAMES = {
    "1-current-and-voltage",
    "2-field",
    "3-diameters",
    "4-temperatures",
    "5-energy",
    "6-section",
    "7-profile",
}

_SVG = "http://www.w3.org/2000/svg"
_STRIP = {"strip_width_m": 2.4e-3, "strip_thickness_m": 0.8e-3, "pitch_m": 2.7e-3, "material": "copper"}
_CLAD = [("cupronickel_75_25", 0.2), ("copper", 0.6), ("cupronickel_75_25", 0.2)]

#: Round wire and strip, odd turns (one on the mid-plane) and layers, flat, clad and tall parts.
SECTIONS: dict[str, dict[str, Any]] = {
    "round": TRADE_SHOT,
    "round, odd, two layers": changed(TRADE_SHOT, coil={"turns_count": 9, "layers_count": 2}),
    "strip, odd": {**TRADE_SHOT, "coil": {"turns_count": 5, **_STRIP}},
    "strip, three layers": {**TRADE_SHOT, "coil": {"turns_count": 9, "layers_count": 3, **_STRIP}},
    "clad": changed(
        TRADE_SHOT, workpiece={"layers": [{"material": name, "fraction_ratio": share} for name, share in _CLAD]}
    ),
    "tube": changed(TRADE_SHOT, workpiece=part("tube", 0.024, 0.040, "copper", inner_m=0.019)),
}


def stopped(shot: Mapping[str, Any], time: float | None) -> Run:
    """A coarse run up to a time (s)."""
    return run_shot(check_shot(changed(shot, solver={"fidelity": "screen", "stop_time_s": time})))


def loop(radius: float, current: float, distance: float = 1e-9) -> Loops:
    """A single loop in the plane z = 0."""
    return Loops(*(np.array([value]) for value in (radius, 0.0, current, distance)))


def neumann(a: float, b: float, z: float) -> float:
    """Mutual inductance (H) of coaxial circles by Neumann's integral, evaluated numerically."""

    def part_of(angle: float) -> float:
        return cos(angle) / sqrt(a * a + b * b + z * z - 2.0 * a * b * cos(angle))

    return float(MU_0 * a * b * quad(part_of, 0.0, pi, epsabs=0.0, epsrel=1e-10)[0])


@pytest.mark.parametrize(("b", "z"), [(0.010, 0.004), (0.019, 0.001), (0.0205, 0.0), (0.035, 0.02), (0.001, 0.1)])
def test_flux_of_a_loop_is_its_mutual_inductance(b: float, z: float) -> None:
    """The flux of a loop through a coaxial circle is its current times Neumann's integral, which Maxwell solved."""
    assert float(flux(loop(0.020, 3.0), b, z)) == pytest.approx(3.0 * neumann(0.020, b, z), rel=1e-6)


@pytest.mark.parametrize("z", [0.0, 0.01, 0.05])
def test_flux_near_the_axis_gives_the_field_on_it(z: float) -> None:
    """Flux over area close to the axis is mu0 I a^2 / (2 (a^2 + z^2)^(3/2)), in the loop's plane mu0 I / 2a."""
    a, current, near = 0.020, 5e4, 2e-5
    expected = 0.5 * MU_0 * current * a**2 / (a**2 + z**2) ** 1.5
    assert float(flux(loop(a, current), near, z)) / (pi * near**2) == pytest.approx(expected, rel=1e-4)


def test_no_flux_through_nothing() -> None:
    """Through a circle of radius nought there is no flux."""
    assert float(flux(loop(0.02, 1.0), 0.0, 0.0)) == 0.0


def test_flux_inside_a_conductor_is_that_of_its_section() -> None:
    """On the loop itself the flux is mu0 a (ln(8a/g) - 2) per ampere, g the section's mean distance (Maxwell)."""
    a, g = 0.020, 1e-4
    assert float(flux(loop(a, 1.0, g), a, 0.0)) == pytest.approx(MU_0 * a * (log(8.0 * a / g) - 2.0), rel=1e-4)


@pytest.mark.parametrize("name", SECTIONS)
def test_density_times_area_is_the_current(name: str) -> None:
    """In every turn density times area adds up to the coil's current, in the part to the part's."""
    run = stopped(SECTIONS[name], 1.2e-5)
    found = section_of(run, name)
    assert len(found.turns) == SECTIONS[name]["coil"]["turns_count"]
    for turn in found.turns:
        carried = sum(patch.area_m2 * patch.density_a_per_m2 for patch in turn.patches)
        assert carried == pytest.approx(run.rows[-1, c.CURRENT], rel=1e-6)
    carried = sum(patch.area_m2 * patch.density_a_per_m2 for patch in found.part)
    assert carried == pytest.approx(run.rows[-1, c.PART_CURRENT], rel=1e-9)


@pytest.mark.parametrize("name", SECTIONS)
def test_patches_fill_the_conductors(name: str) -> None:
    """Before anything moves the patches of a turn have its section's area and stay inside it."""
    shot = check_shot(SECTIONS[name])
    for turn in section_of(stopped(SECTIONS[name], 1e-7), name).turns:
        assert sum(patch.area_m2 for patch in turn.patches) == pytest.approx(shot.coil.section_m2, rel=1e-6)
        corners = np.concatenate([patch.corners_m for patch in turn.patches])
        offset = np.abs(corners - [turn.radius_m, turn.height_m]).max(axis=0)
        # A polygon of a circle's area stands out by a thousandth.
        assert offset == pytest.approx(0.5 * np.array(turn.size_m), rel=5e-3)


@pytest.mark.parametrize("name", SECTIONS)
def test_cells_keep_the_volume_of_the_part(name: str) -> None:
    """The part's cells, turned round the axis, have the volume of the part at rest while it deforms."""
    run = stopped(SECTIONS[name], 2.5e-5)
    volume = sum(turned_volume(patch.corners_m) for patch in section_of(run, name).part)
    # Cells are drawn with straight edges between bent levels, and copper under a gigapascal gives 0.7 %.
    assert volume == pytest.approx(2.0 * run.model.part.cell_volume_m3.sum(), rel=0.01)


@pytest.mark.parametrize("name", SECTIONS)
def test_cells_are_drawn_where_the_model_has_them(name: str) -> None:
    """The outlines follow the deformation as the model's own sub-cells do."""
    run = stopped(SECTIONS[name], 2.5e-5)
    points = run.model.points
    for s in range(run.model.body.metal.size):
        cells = np.arange(run.model.coil.point_filament.size, points.used[0])
        cells = cells[points.slice[cells] == s]
        rest, share = points.rest_radius[cells], points.z_fraction[cells]
        low, high = (section._present_level(run, level, rest) for level in (s, s + 1))
        assert section._present_radius(run, s, rest) == pytest.approx(points.radius[cells], rel=1e-9)
        assert low + share * (high - low) == pytest.approx(points.height[cells], rel=1e-9)


def turned_volume(corners: Floats) -> float:
    """Volume (m^3) of a polygon turned round the axis (Pappus)."""
    (r, z), (r_next, z_next) = corners.T, np.roll(corners, -1, axis=0).T
    return float(abs(pi / 3.0 * ((r + r_next) * (r * z_next - r_next * z)).sum()))


def test_field_lines_carry_the_recorded_field() -> None:
    """The slope of the flux across the gap is the gap field that the run recorded."""
    run = stopped(TRADE_SHOT, 1.2e-5)
    middle = 0.25 * (run.rows[-1, c.OUTER] + run.rows[-1, c.COIL_INNER])
    below, above = flux(loops_of(run), middle + np.array([-1e-6, 1e-6]), 0.0)
    assert (above - below) / 2e-6 / (2.0 * pi * middle) == pytest.approx(run.rows[-1, c.FIELD], rel=1e-4)


def test_five_instants_up_to_the_broken_coil() -> None:
    """A shot that bursts is shown at five instants in order, its turns whole at the peak and broken at the burst."""
    shown = sections(stopped(TRADE_SHOT, None))
    assert [instant.label for instant in shown] == [
        "switch just closed", "half the time to peak", "peak current", "coil bursts", "end of the run",
    ]  # fmt: skip
    assert np.all(np.diff([instant.time_s for instant in shown]) > 0.0)
    broken = [sum(turn.broken for turn in instant.turns) for instant in shown]
    assert broken[:3] == [0, 0, 0]
    assert broken[3] >= 1
    assert shown[2].current_a > max(shown[k].current_a for k in (0, 1, 3, 4))


def test_instants_without_burst_or_motion() -> None:
    """A coil that holds is shown when the rim is fastest; where nothing moves there is no such instant."""
    weak = changed(TRADE_SHOT, bank={"charge_voltage_v": 3000.0})
    assert "rim at its fastest" in [label for label, _ in instants(stopped(weak, None))]
    rigid = run_shot(check_shot(changed(weak, solver={"fidelity": "screen", "motion": False, "stop_time_s": 4e-5})))
    assert [label for label, _ in instants(rigid)] == ["switch just closed", "half the time to peak", "peak current"]


@pytest.mark.parametrize("name", VARIED_SHOTS)
def test_energy_areas_add_up(name: str, fire: Fire) -> None:
    """At every instant the stacked areas reach the energy that the bank held, within 0.5 %, and none is negative."""
    result = fire(VARIED_SHOTS[name])
    assert result.series is not None
    areas = np.array([area.energy_j for area in energy_areas(result.shot, result.series)])
    assert areas.sum(axis=0) == pytest.approx(result.shot.stored_energy_j, rel=5e-3)
    assert areas.min() > -1e-3 * result.shot.stored_energy_j


def test_gallery_is_written_as_small_svg_with_text(tmp_path: Path) -> None:
    """Every picture is an SVG below 300 kB whose text can be read, with the caution and the shot in it."""
    files = write_gallery(changed(TRADE_SHOT, solver={"fidelity": "screen"}), tmp_path / "new")
    assert {path.name for path in files} == {f"{name}.svg" for name in NAMES}
    assert set((tmp_path / "new").iterdir()) == set(files)
    for path in files:
        words = text_of(path)
        assert CAUTION in words
        assert "150 µF at 7 kV" in words
        assert path.stat().st_size < 300_000


def text_of(path: Path) -> str:
    """What the text elements of an SVG file say; raises ExpatError where it is not well-formed."""
    open_elements: list[str] = []
    words: list[str] = []
    parser = ParserCreate(namespace_separator=" ")
    parser.StartElementHandler = lambda name, _: open_elements.append(name)
    parser.EndElementHandler = lambda _: open_elements.pop()
    parser.CharacterDataHandler = lambda data: words.append(data) if f"{_SVG} text" in open_elements else None
    with path.open("rb") as file:
        parser.ParseFile(file)
    return " ".join("".join(words).split())


def test_png_on_request(tmp_path: Path) -> None:
    """A picture is written as SVG, the same bytes each time, and as PNG beside it when asked."""
    with paper():
        figure = Figure()
        figure.subplots().plot([0.0, 1.0], label="line")
        (vector,) = save(figure, tmp_path, "one", png=False)
        first = vector.read_bytes()
        again, raster = save(figure, tmp_path, "one", png=True)
    assert again.read_bytes() == first
    assert raster.read_bytes().startswith(b"\x89PNG")
