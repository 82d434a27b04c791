"""The go or no-go list of a shot: in order, with its numbers, and no-go on top when something forbids it."""

from __future__ import annotations

from physics.shot_check import inspect_shot
from tests.physics.safety.test_ratings import EQUIPMENT
from tests.physics.shots import TRADE_SHOT, Fire, changed

ORDER = ["before_charging", "charging", "firing", "after"]


def test_items_are_in_order_and_carry_the_shots_numbers(fire: Fire) -> None:
    """Charge voltage, bleed time, barrier and sound are those of the shot; every stage has something to do."""
    result = fire(changed(TRADE_SHOT, equipment=EQUIPMENT))
    stages = [item.stage for item in result.checklist]
    assert stages == sorted(stages, key=ORDER.index)
    assert set(stages) == set(ORDER)
    items = {item.name: item for item in result.checklist}
    assert len(items) == len(result.checklist)
    assert items["charge_voltage"].value == 7000.0
    estimates = {entry.name: entry.value for entry in (*result.bench_load, *result.hazards.estimates)}
    for name, estimate in [
        ("bleed", "bleed_time"),
        ("charge_time", "charge_time"),
        ("barrier", "barrier_mild_steel"),
        ("ears", "peak_sound"),
        ("implants", "implant_distance"),
        ("hot_part", "part_temperature"),
        ("short", "recovery_voltage"),
    ]:
        assert items[name].value == estimates[estimate]
    for item in result.checklist:
        assert item.source
        assert item.action.endswith(".")


def test_no_go_stands_first(fire: Fire) -> None:
    """A shot over a limit begins with why not."""
    item = fire(changed(TRADE_SHOT, limits={"charge_voltage_v": 6000.0})).checklist[0]
    assert item.action.startswith("no-go: Not to be fired")
    assert "6000 V" in item.action


def test_the_steps_that_save_lives_are_always_there(fire: Fire) -> None:
    """Two persons, bank dead, barrier, cleared room, misfire, bleed, short: with and without a run."""
    wanted = {"people", "bank_dead", "barrier", "ears", "cleared", "misfire", "bleed", "short"}
    assert wanted <= {item.name for item in fire(TRADE_SHOT).checklist}
    assert wanted <= {item.name for item in inspect_shot(TRADE_SHOT).checklist}
