"""The section through time, and the shot told in steps: both agree with the run and with textbook laws."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ellipe, ellipk

from physics import simulate_shot
from physics.gallery.frames import Frame, SectionFrames, section_frames
from physics.shot import check_shot
from tests.physics.shots import TRADE_SHOT, VARIED_SHOTS, changed, part

Floats = NDArray[np.float64]

MU_0 = 4e-7 * np.pi  # CODATA 2018 differs in the tenth digit
RING = changed(TRADE_SHOT, workpiece=part("ring", 0.030, 6e-3, "aluminium_6061_t6", inner_m=0.024))


@pytest.fixture(scope="module", params=[TRADE_SHOT, RING], ids=["disc", "ring"])
def seen(request: pytest.FixtureRequest) -> tuple[dict[str, object], SectionFrames]:
    """A shot and its frames."""
    return request.param, section_frames(check_shot(request.param), 12)


def area_and_middle(corners: Floats) -> tuple[float, Floats]:
    """Area (m2) and centroid (m) of a polygon (shoelace formula)."""
    x, y = corners.T
    cross = x * np.roll(y, -1) - y * np.roll(x, -1)
    area = 0.5 * cross.sum()
    middle = np.array([((x + np.roll(x, -1)) * cross).sum(), ((y + np.roll(y, -1)) * cross).sum()]) / (6.0 * area)
    return abs(float(area)), middle


def carried(frame: Frame, kinds: set[str]) -> float:
    """Current (A) through all pieces of some kinds."""
    chosen = [piece for piece in frame.pieces if piece.of in kinds]
    return sum(piece.density_a_per_m2 * area_and_middle(np.array(piece.corners_m))[0] for piece in chosen)


def test_pieces_carry_the_currents_of_the_run(seen: tuple[dict[str, object], SectionFrames]) -> None:
    """Turns the coil's current each, the part what the series says of it at that time."""
    shot, frames = seen
    series = simulate_shot(shot).series
    assert series is not None
    assert len(frames.frames) >= 12
    for frame in frames.frames[:-1]:
        assert carried(frame, {"turn", "broken_turn"}) == pytest.approx(8.0 * frame.current_a, rel=5e-3, abs=20.0)
        wanted = np.interp(frame.time_s, series.time_s, series.workpiece_current_a)
        assert carried(frame, {"part"}) == pytest.approx(wanted, rel=0.02, abs=0.02 * max(map(abs, series.current_a)))


def test_part_keeps_its_volume(seen: tuple[dict[str, object], SectionFrames]) -> None:
    """Pappus: the volume of a body of revolution is its section times the way of the centroid; metal keeps it."""
    _, frames = seen
    volumes = []
    for frame in frames.frames:
        pieces = [area_and_middle(np.array(piece.corners_m)) for piece in frame.pieces if piece.of == "part"]
        volumes.append(sum(2.0 * np.pi * middle[0] * area for area, middle in pieces))
    assert np.array(volumes) == pytest.approx(volumes[0], rel=0.01)


def test_flux_is_constant_along_a_line(seen: tuple[dict[str, object], SectionFrames]) -> None:
    """Each piece as one loop at its centroid, with SciPy's elliptic integrals; away from metal, at the peak."""
    _, frames = seen
    frame = next(frame for frame in frames.frames if frame.label == "peak current")
    pieces = [(piece, *area_and_middle(np.array(piece.corners_m))) for piece in frame.pieces]
    middles = np.array([middle for _, _, middle in pieces])
    currents = np.array([piece.density_a_per_m2 * area for piece, area, _ in pieces])
    judged = 0
    for line in frame.field_lines_m:
        points = np.array(line)
        away = np.hypot(*(points[:, None, :] - middles[None, :, :]).transpose(2, 0, 1)).min(axis=1) > 3e-3
        if away.sum() < 4:
            continue
        a, b = middles[:, 0][None, :], points[away, 0][:, None]
        far = (a + b) ** 2 + (points[away, 1][:, None] - middles[:, 1][None, :]) ** 2
        m = 4.0 * a * b / far
        linked = (MU_0 * np.sqrt(far) * ((1.0 - 0.5 * m) * ellipk(m) - ellipe(m)) * currents).sum(axis=1)
        assert np.ptp(linked) < 0.25 * frames.flux_step_weber
        # At odd halves of the step, as is said, so that there is one step between two neighbours.
        place = float(linked.mean()) / frames.flux_step_weber - 0.5
        assert place == pytest.approx(round(place), abs=0.2)
        judged += 1
    assert judged >= 4


def test_frames_are_in_order_and_marked(seen: tuple[dict[str, object], SectionFrames]) -> None:
    """Times grow; the marked instants are among them, and everything fits its frame but debris."""
    _, frames = seen
    times = [frame.time_s for frame in frames.frames]
    assert times == sorted(times)
    assert {"switch just closed", "peak current", "end of the run"} <= {frame.label for frame in frames.frames}
    corners = np.concatenate([piece.corners_m for piece in frames.frames[0].pieces])
    assert (np.abs(corners).max(axis=0) < [frames.half_width_m, frames.half_height_m]).all()
    density = max(abs(piece.density_a_per_m2) for frame in frames.frames for piece in frame.pieces)
    assert density == frames.largest_density_a_per_m2


@pytest.mark.parametrize("name", sorted(VARIED_SHOTS))
def test_steps_tell_the_run(name: str) -> None:
    """Their numbers are those of the summary, their moments lie in the run, and only what happened is told."""
    result = simulate_shot(VARIED_SHOTS[name])
    assert result.summary is not None
    assert result.series is not None
    steps = {step.name: step for step in result.explanation}
    shot, summary = result.shot, result.summary
    assert steps["charge"].value == pytest.approx(0.5 * shot.bank.capacitance_farad * shot.bank.charge_voltage_v**2)
    assert steps["current"].value == summary.peak_current_a
    assert steps["field"].value == summary.peak_gap_field_tesla
    assert steps["push"].value == summary.peak_force_n
    assert ("breaks" in steps) == (summary.burst_time_s is not None)
    assert ("yields" in steps) == ("stops" in steps)
    if "stops" in steps:
        assert 0.0 < steps["yields"].time_s < steps["stops"].time_s
        assert steps["stops"].value == summary.final_outer_diameter_m
    assert all(0.0 <= step.time_s <= result.series.time_s[-1] for step in result.explanation)
    assert [step for step in result.explanation if "e+" in step.statement] == []


def test_pressure_of_the_field_is_magnetic() -> None:
    """B^2 / 2 mu0: 25.066 T press like 250 MPa, by the definition of the tesla."""
    result = simulate_shot(TRADE_SHOT)
    assert result.summary is not None
    told = next(step for step in result.explanation if step.name == "field").statement
    bar = float(told.partition("presses like ")[2].partition(" bar")[0].replace(",", ""))
    assert bar == pytest.approx(result.summary.peak_gap_field_tesla**2 / (2.0 * MU_0) / 1e5, rel=0.05)
