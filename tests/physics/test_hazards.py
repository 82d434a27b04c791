"""The hazard block tells what can hurt; thresholds are published ones."""

from __future__ import annotations

import pytest

from physics.hazards import CAUTIONS, assess, stored_energy_statement
from tests.physics.shots import TRADE_SHOT, Fire


@pytest.mark.parametrize(
    ("voltage_v", "energy_j", "words"),
    [(99.0, 200.0, "below the 100 V"), (100.0, 9.9, "below the 10 J"), (100.0, 10.0, "shock"), (5e3, 1e4, "arc-blast")],
)
def test_stored_energy_is_judged_by_the_published_thresholds(voltage_v: float, energy_j: float, words: str) -> None:
    """Shock from 100 V and 10 J, arc blast from 10 kJ (LBNL Electrical Safety Manual, tables 2.2.13 and 2.3.3)."""
    assert words in stored_energy_statement(voltage_v, energy_j)


def test_charge_left_in_the_bank_is_told_with_its_voltage(fire: Fire) -> None:
    """A coil that bursts can leave the bank charged: energy and voltage (half C V^2) stand in the hazards."""
    result = fire(TRADE_SHOT)
    assert result.energy is not None
    left = result.energy.left_in_bank_j
    assert left > 100.0
    hazard = next(entry for entry in result.hazards.estimates if entry.name == "left_in_bank")
    assert hazard.value == left
    volts = (2.0 * left / result.shot.bank.capacitance_farad) ** 0.5
    assert f"{volts:.0f} V" in hazard.statement
    assert "lethal" in hazard.statement


def test_every_assessment_carries_the_cautions() -> None:
    """Even a run without figures shows stored energy and all cautions."""
    block = assess(7000.0, 3675.0, None)
    assert block.cautions == list(CAUTIONS)
    assert [entry.name for entry in block.estimates] == ["stored_energy"]
