"""The coupled model against the same equations in plain NumPy and SciPy: motion, flow and heat until a turn breaks."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from physics import state as c
from physics.peak import peak_of
from physics.run import Run
from physics.shot import check_shot
from physics.simulate import FIDELITIES, run_shot
from tests.physics.plain_motion import Floats, PlainShot, Shown
from tests.physics.shots import VARIED_SHOTS, changed

#: A disc with a node on its axis, a washer and a ring with a bore and a turn on the mid-plane; copper and aluminium.
SHOTS = ["disc of copper", "washer, ideal switch, odd turns", "ring of aluminium, odd turns"]
#: Instants of the plain solution, its start left out: far past the peak, with most of the motion done, all turns whole.
TIMES_S = np.linspace(0.0, 3e-5, 61)[1:]
#: Which of them are compared.
COMPARED = (19, 39, 59)


@dataclass(frozen=True)
class Closeness:
    """How near the model comes with steps and windows so many times finer than usual.

    Shares of the largest value, of sizes of the largest change.
    """

    finer: int
    current: float
    peak: float
    time_to_peak: float
    size: float
    thickness: float
    speed: float
    heat: float


#: Fine steps leave that cells are split anew at other moments, and that speeds stand half a step behind. Half of each
#: tolerance has been seen, a quarter of the peak's. Forces taken half a sub-step late miss by four times the peak's.
FINE = Closeness(
    finer=16, current=3e-4, peak=1e-4, time_to_peak=4e-3, size=1.5e-3, thickness=6e-3, speed=4e-3, heat=7e-4
)
#: A shot as it is run at `screen`, with a dozen steps to the peak and as many windows. Half has been seen, in speed by
#: a turn that is pushed ever harder. Without making good what a step has pushed too little, sizes miss by a hundredth.
AS_RUN = Closeness(
    finer=1, current=2.5e-3, peak=5e-4, time_to_peak=7e-3, size=6e-3, thickness=0.02, speed=0.05, heat=0.011
)


def screened(name: str) -> dict[str, Any]:
    return changed(VARIED_SHOTS[name], solver={"fidelity": "screen"})


@cache
def plain(name: str) -> Shown:
    return PlainShot(screened(name)).fire(np.append(0.0, TIMES_S))


def modelled(monkeypatch: pytest.MonkeyPatch, name: str, stop_s: float, finer: int) -> Run:
    """The model's run up to an instant, on the same mesh."""
    usual = FIDELITIES["screen"]
    fine = replace(usual, steps_to_peak=finer * usual.steps_to_peak, window=usual.window / finer)
    with monkeypatch.context() as patch:
        patch.setitem(FIDELITIES, "screen", fine)
        return run_shot(check_shot(changed(screened(name), solver={"stop_time_s": stop_s})))


@pytest.mark.parametrize("closeness", [FINE, AS_RUN], ids=["fine steps", "as run"])
@pytest.mark.parametrize("name", SHOTS)
def test_model_follows_the_plain_solution(monkeypatch: pytest.MonkeyPatch, name: str, closeness: Closeness) -> None:
    """Current, voltage, sizes, speeds and heats at three instants, and the peak, are those of a general solver."""
    expected = plain(name)
    for index in COMPARED:
        run = modelled(monkeypatch, name, TIMES_S[index], closeness.finer)
        row, body, turns = run.rows[-1], run.model.body, run.model.turns
        assert row[c.TIME] == pytest.approx(TIMES_S[index])
        assert run.totals[c.BURST_TIME] < 0.0
        for field, value, share in (
            ("current_a", row[c.CURRENT], closeness.current),
            ("voltage_v", row[c.VOLTAGE], closeness.current),
            ("outer_diameter_m", row[c.OUTER], closeness.size),
            ("inner_diameter_m", row[c.INNER], closeness.size),
            ("rim_thickness_m", 2.0 * body.level[1, -1], closeness.thickness),
            ("turn_radius_m", turns.radius[0], closeness.size),
            ("rim_speed_m_per_s", row[c.SPEED], closeness.speed),
            ("turn_speed_m_per_s", turns.speed[0], closeness.speed),
            ("coil_heat_j", row[c.HEAT_COIL], closeness.heat),
            ("part_heat_j", row[c.HEAT_PART], closeness.heat),
        ):
            values = getattr(expected, field)[1:]
            largest = np.abs(values - getattr(expected, field)[0]).max()
            # The middle of a disc has no bore and gets none.
            assert value == pytest.approx(values[index], abs=share * max(largest, 1e-6)), field
    peak, time_to_peak = peak_of(TIMES_S, expected.current_a[1:])
    found_peak, found_time = peak_of(run.rows[:, c.TIME], run.rows[:, c.CURRENT])
    assert found_peak == pytest.approx(peak, rel=closeness.peak)
    assert found_time == pytest.approx(time_to_peak, rel=closeness.time_to_peak)


@pytest.mark.parametrize("name", SHOTS)
def test_energy_of_the_plain_solution_stays(name: str) -> None:
    """What has left the bank is all found again, within 1e-3: cells that are split anew change their field."""
    energy = plain(name).energy_j
    assert energy == pytest.approx(np.full(energy.size, energy[0]), rel=1e-3)


def test_forces_of_the_plain_field_are_the_slope_of_its_energy() -> None:
    """By differences of the energy at constant currents, for a bent section."""
    shot = PlainShot(screened("washer, ideal switch, odd turns"))
    start, field, generator = shot.start, shot.field, np.random.default_rng(5)
    places = np.concatenate([start.turn, start.node, start.level])
    places *= generator.uniform(0.98, 1.02, places.size)
    currents = 1e4 * generator.normal(size=start.flux.size)
    cuts = [start.turn.size, start.turn.size + start.node.size]

    def energy(moved: Floats) -> float:
        return 0.5 * float(currents @ field.inductance_and_slopes(field.places(*np.split(moved, cuts)))[0] @ currents)

    now = field.places(*np.split(places, cuts))
    force = field.force(now, field.inductance_and_slopes(now)[1], currents)
    step = 1e-7 * np.eye(places.size)
    slope = [(energy(places + one) - energy(places - one)) / 2e-7 for one in step]
    assert force == pytest.approx(np.array(slope), abs=1e-7 * np.abs(force).max())
