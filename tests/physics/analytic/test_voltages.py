"""Voltages along turns, layers and the whole coil, and what the insulation makes of them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from physics import ShotResult
from physics import state as c
from physics.run import Run
from physics.shot import check_shot
from physics.simulate import run_shot
from tests.physics.shots import STRIP, TRADE_SHOT, Fire, changed

Floats = NDArray[np.float64]

#: Enamel and former of common make.
INSULATION = {
    "former_wall_m": 5e-4,
    "former_strength_v_per_m": 2e7,
    "enamel_thickness_m": 5e-5,
    "enamel_pair_breakdown_v": 5000.0,
}
SHOTS: dict[str, dict[str, Any]] = {
    "one layer": TRADE_SHOT,
    "odd turns": changed(TRADE_SHOT, coil={"turns_count": 7}),
    "two layers": changed(TRADE_SHOT, coil={"turns_count": 11, "layers_count": 2}, bank={"charge_voltage_v": 5000.0}),
    "strip": changed(TRADE_SHOT, coil=STRIP, bank={"charge_voltage_v": 4000.0}),
}


def run_of(shot: dict[str, Any], **solver: Any) -> Run:
    return run_shot(check_shot(shot | {"solver": {"fidelity": "screen", **solver}}))


@pytest.mark.usefixtures("fine_steps")
@pytest.mark.parametrize("motion", [True, False])
@pytest.mark.parametrize("shot", SHOTS.values(), ids=SHOTS)
def test_coil_voltage_is_what_the_bank_has_left_after_the_strays(shot: dict[str, Any], *, motion: bool) -> None:
    """Kirchhoff's law: the turns' voltages add up to the bank's less strays and drop, from step to step."""
    rows = run_of(shot, fidelity="design", motion=motion, stop_time_s=2.5e-5).rows
    assert len(rows) > 25
    assert rows[2:, c.COIL_VOLTAGE] == pytest.approx(left_for_the_coil(shot, rows)[1:], abs=3e-4 * rows[0, c.VOLTAGE])


def left_for_the_coil(shot: dict[str, Any], rows: Floats) -> Floats:
    """What the bank's voltage has left for the coil after strays and drop (V), in the mean of each step."""
    pieces = [shot[name] for name in ("bank", "switch", "leads")]
    inductance = sum(piece.get("inductance_henry", 0.0) for piece in pieces)
    resistance = sum(piece.get("resistance_ohm", 0.0) for piece in pieces)
    time, current, voltage = rows[:, c.TIME], rows[:, c.CURRENT], rows[:, c.VOLTAGE]
    left: Floats = 0.5 * (voltage[1:] + voltage[:-1]) - resistance * 0.5 * (current[1:] + current[:-1])
    left -= inductance * np.diff(current) / np.diff(time) + shot["switch"]["forward_drop_v"]
    return left


@pytest.mark.usefixtures("fine_steps")
def test_coil_voltage_holds_that_of_the_arcs() -> None:
    """Kirchhoff's law between burst and current zero, where the arcs lie along the turns that they break."""
    run = run_of(TRADE_SHOT, fidelity="design")
    burst, zero = (int(np.searchsorted(run.rows[:, c.TIME], run.totals[k])) for k in (c.BURST_TIME, c.ZERO_TIME))
    arcs = run.model.turns.arc @ run.model.turns.weight
    left = left_for_the_coil(TRADE_SHOT, run.rows)[burst : zero - 1]
    assert zero - burst > 20
    assert arcs > 500.0
    assert run.rows[burst + 1 : zero, c.COIL_VOLTAGE] == pytest.approx(left, abs=1e-3 * run.rows[0, c.VOLTAGE])


def test_no_arc_burns_beside_a_bank_that_rings_on() -> None:
    """Once the coil's current is gone, all that lies along it is what the part's currents induce."""
    crowbar = {"across": "bank", "inductance_henry": 5e-7, "resistance_ohm": 5e-4, "forward_drop_v": 5.0}
    run = run_of(changed(TRADE_SHOT, bank={"charge_voltage_v": 9000.0}) | {"crowbar": crowbar})
    rows, turns = run.rows, run.model.turns
    alone = (np.abs(rows[:, c.CURRENT]) < 1e-6) & (np.abs(rows[:, c.BANK_CURRENT]) > 100.0)
    ringing = np.flatnonzero(alone & (rows[:, c.TIME] > run.totals[c.BURST_TIME]))
    assert len(ringing) > 3
    assert turns.weight @ turns.arc > 3000.0
    # The step in which the arcs went out still holds them.
    assert np.abs(rows[ringing[1:], c.COIL_VOLTAGE]).max() < 300.0


def test_insulation_bears_the_voltages_of_a_whole_coil(fire: Fire) -> None:
    """Arcs and the current that they chop raise the voltage of a turn that has broken: nothing is left to insulate."""
    shot = changed(TRADE_SHOT, leads={"inductance_henry": 1.5e-6}, bank={"capacitance_farad": 4e-4})
    run = run_shot(check_shot(shot))
    whole = run.rows[run.rows[:, c.TIME] <= run.totals[c.BURST_TIME]]
    assert run.rows[:, c.TURN_VOLTAGE].max() > 1.2 * whole[:, c.TURN_VOLTAGE].max()
    assert np.abs(run.rows[:, c.COIL_VOLTAGE]).max() > 1.1 * np.abs(whole[:, c.COIL_VOLTAGE]).max()
    checks = checks_of(fire(shot))
    assert checks["turns"].peak_voltage_v == pytest.approx(whole[:, c.TURN_VOLTAGE].max(), rel=1e-9)
    assert checks["gap"].peak_voltage_v == pytest.approx(np.abs(whole[:, c.COIL_VOLTAGE]).max(), rel=1e-9)


@pytest.mark.parametrize("shot", SHOTS.values(), ids=SHOTS)
def test_flux_of_the_turns_is_the_coils(shot: dict[str, Any]) -> None:
    """In mid-flight the fluxes of all turns, mirror images counted, are the loop's less that of the strays."""
    for stop in (1.5e-5, 1.7e-5, 1.9e-5):
        run = run_of(shot, stop_time_s=stop)
        turns, discharge = run.model.turns, run.model.discharge
        strays = (discharge.bank_inductance + discharge.line_inductance) * run.rows[-1, c.CURRENT]
        assert turns.speed.max() > 10.0
        assert turns.weight @ turns.linkage == pytest.approx(run.fields.flux[0] - strays, rel=1e-9)


@pytest.mark.parametrize("shot", SHOTS.values(), ids=SHOTS)
def test_turn_voltages_add_up(shot: dict[str, Any]) -> None:
    """The voltages along all turns, mirror images counted, are the coil's; the worst turn has more than its share."""
    run = run_of(shot, stop_time_s=1.5e-5)
    turns, last = run.model.turns, run.rows[-1]
    assert turns.weight @ turns.voltage == pytest.approx(last[c.COIL_VOLTAGE], rel=1e-9)
    assert last[c.TURN_VOLTAGE] == np.abs(turns.voltage).max()
    assert last[c.TURN_VOLTAGE] >= last[c.COIL_VOLTAGE] / shot["coil"].get("turns_count", 5)


def test_voltage_between_layers_is_that_of_both() -> None:
    """Two layers wound there and back have, at their open end, the whole coil's voltage between them."""
    run = run_of(SHOTS["two layers"])
    assert run.rows[:, c.LAYER_VOLTAGE] == pytest.approx(np.abs(run.rows[:, c.COIL_VOLTAGE]))
    assert not run_of(SHOTS["one layer"]).rows[:, c.LAYER_VOLTAGE].any()


def checks_of(result: ShotResult) -> dict[str, Any]:
    return {check.between: check for check in result.insulation}


def test_insulation_is_rated_against_its_breakdown(fire: Fire) -> None:
    """Each voltage is rated against the solids stated between the conductors, in series, and nothing else."""
    shot = changed(
        SHOTS["two layers"], insulation=INSULATION | {"layer_sheet_m": 2e-4, "layer_sheet_strength_v_per_m": 5e7}
    )
    result = fire(shot)
    assert result.status == "completed"
    checks = checks_of(result)
    assert set(checks) == {"turns", "layers", "gap"}
    # Two films; two films and the sheet; one film and the former.
    assert checks["turns"].breakdown_voltage_v == pytest.approx(5000.0)
    assert checks["layers"].breakdown_voltage_v == pytest.approx(5000.0 + 2e-4 * 5e7)
    assert checks["gap"].breakdown_voltage_v == pytest.approx(2500.0 + 5e-4 * 2e7)
    assert result.summary is not None
    assert checks["gap"].peak_voltage_v == result.summary.peak_coil_voltage_v
    assert checks["layers"].peak_voltage_v <= checks["gap"].peak_voltage_v
    assert checks["turns"].peak_voltage_v == max(turn.peak_voltage_v for turn in result.turns)
    for check in checks.values():
        assert check.margin_ratio == pytest.approx(1.0 - check.peak_voltage_v / check.breakdown_voltage_v)


def test_insulation_that_is_not_stated_is_not_rated(fire: Fire) -> None:
    """Without stated insulation the voltages are told, and nothing is claimed of what would bear them."""
    checks = checks_of(fire(TRADE_SHOT))
    assert set(checks) == {"turns", "gap"}
    assert {check.breakdown_voltage_v for check in checks.values()} == {None}
    assert {check.margin_ratio for check in checks.values()} == {None}
    assert checks["gap"].peak_voltage_v > 1000.0
    assert set(checks_of(fire(changed(TRADE_SHOT, coil={"turns_count": 1})))) == {"gap"}


@pytest.mark.parametrize(
    ("insulation", "fails"),
    [
        (INSULATION, None),
        (INSULATION | {"enamel_pair_breakdown_v": 400.0}, "turns"),
        (INSULATION | {"former_wall_m": 5e-5}, "gap"),
    ],
    ids=["sound", "thin enamel", "thin former"],
)
def test_weak_insulation_fails_the_shot(fire: Fire, insulation: dict[str, float], fails: str | None) -> None:
    """A voltage above the stated breakdown ends in `insulation_failed`, with all figures as if it had held."""
    sound, weak = fire(TRADE_SHOT), fire(changed(TRADE_SHOT, insulation=insulation))
    assert weak.status == ("completed" if fails is None else "insulation_failed")
    assert weak.summary == sound.summary
    failed = {name for name, check in checks_of(weak).items() if check.margin_ratio < 0.0}
    assert failed == ({fails} if fails else set())
