"""The hazard block of real shots: thresholds, what depends on the surroundings, and that it errs on the safe side."""

from __future__ import annotations

from math import log, pi
from typing import Any

import pytest

from physics import ShotResult, check_shot
from physics.facts import Facts
from physics.hazards import CAUTIONS, assess
from physics.hazards.electric_shock import reflex_statement, stored_energy_statement
from physics.hazards.hot_part import cooling_time_s, part_heat_j_per_k
from physics.hazards.metal_vapour import air_changes, vapour_bound_kg
from physics.hazards.residual_charge import recovered_energy_j
from physics.result import Estimate
from tests.physics.shots import TRADE_SHOT, Fire, changed

#: What is expected of a shot that was run, and of one that was only described.
ALWAYS = {"stored_energy", "recovery_voltage", "peak_sound"}
OF_A_RUN = {
    "left_in_bank",
    "debris_energy",
    "debris_velocity",
    "worst_piece_energy",
    "stray_field",
    "implant_distance",
    "induced_voltage",
    "flash",
    "part_temperature",
    "part_cooling_time",
    "coil_temperature",
    "metal_vapour",
}


def named(result: ShotResult) -> dict[str, Estimate]:
    return {hazard.name: hazard for hazard in result.hazards.estimates}


def number(hazard: Estimate) -> float:
    assert hazard.value is not None
    return hazard.value


@pytest.fixture
def found(fire: Fire) -> dict[str, Estimate]:
    return named(fire(TRADE_SHOT))


@pytest.mark.parametrize(
    ("voltage_v", "energy_j", "words"),
    [(99.0, 200.0, "below the 100 V"), (100.0, 9.9, "below the 10 J"), (100.0, 10.0, "shock"), (5e3, 1e4, "arc-blast")],
)
def test_stored_energy_is_judged_by_the_published_thresholds(voltage_v: float, energy_j: float, words: str) -> None:
    """Shock from 100 V and 10 J, arc blast from 10 kJ (LBNL Electrical Safety Manual, tables 2.2.13 and 2.3.3)."""
    assert words in stored_energy_statement(voltage_v, energy_j)


def test_the_reflex_threshold_is_a_scheme_of_its_own() -> None:
    """Above 400 V and 0.25 J (DOE-HDBK-1092, as quoted), far below the 10 J of the other scheme."""
    assert "throws" in reflex_statement(401.0, 0.26)
    assert "below" in reflex_statement(400.0, 1.0)
    assert "below the 10 J" in stored_energy_statement(5000.0, 0.26)


def test_charge_left_in_the_bank_is_told_with_its_voltage(fire: Fire) -> None:
    """A coil that bursts can leave the bank charged: energy and voltage (half C V^2) stand in the hazards."""
    result = fire(TRADE_SHOT)
    assert result.energy is not None
    left = result.energy.left_in_bank_j
    assert left > 100.0
    hazard = named(result)["left_in_bank"]
    assert hazard.value == left
    volts = (2.0 * left / result.shot.bank.capacitance_farad) ** 0.5
    assert f"{volts:.0f} V" in hazard.statement
    assert "lethal" in hazard.statement


def test_every_estimate_says_how_it_was_found_and_which_way_it_errs(found: dict[str, Estimate]) -> None:
    """Name, equation, source, validity and direction; every name once."""
    assert set(found) >= ALWAYS | OF_A_RUN
    for hazard in found.values():
        for words in (hazard.equation, hazard.source, hazard.validity, hazard.errs, hazard.statement):
            assert len(words) > 3, hazard.name
        assert (hazard.limit is None) == (hazard.exceeded is None), hazard.name


def test_a_shot_that_was_not_run_carries_cautions_and_what_is_known() -> None:
    """Stored energy, recovery and sound need no run."""
    block = assess(Facts(check_shot(TRADE_SHOT), None))
    assert block.cautions == list(CAUTIONS)
    assert {hazard.name for hazard in block.estimates} == ALWAYS


def test_a_coil_that_holds_is_still_judged_as_if_it_burst(fire: Fire) -> None:
    """At 3 kV nothing ruptures: no debris, but its worst piece is a turn at the speed that it had at most."""
    result = fire(changed(TRADE_SHOT, bank={"charge_voltage_v": 3000.0}))
    hazards = named(result)
    assert hazards["debris_energy"].value == 0.0
    assert number(hazards["worst_piece_energy"]) > 0.0
    assert "barrier_mild_steel" in hazards


def test_the_worst_piece_is_worse_than_any_piece_of_the_run(fire: Fire) -> None:
    """Energy of a turn over its pieces, for every turn that ruptured."""
    result = fire(TRADE_SHOT)
    worst = number(named(result)["worst_piece_energy"])
    broken = [turn for turn in result.turns if turn.pieces_count > 0]
    assert broken
    assert all(turn.debris_energy_j / turn.pieces_count <= worst * (1 + 1e-9) for turn in broken)


@pytest.mark.parametrize("material", ["mild_steel", "concrete", "brick"])
def test_a_thin_barrier_forbids_the_shot_and_a_thick_one_does_not(fire: Fire, material: str) -> None:
    """The verdict names the barrier; double what is asked for is enough; ten times less is not."""
    needed = number(named(fire(barrier(material, 1.0)))[f"barrier_{material}"])
    thin, thick = fire(barrier(material, 0.5 * needed)), fire(barrier(material, 2.0 * needed))
    assert [ground.name for ground in thin.verdict.grounds] == [f"barrier_{material}"]
    assert "does not stop" in thin.verdict.statement
    assert not thick.verdict.not_to_be_fired


def test_polycarbonate_is_not_rated(fire: Fire) -> None:
    """No figure rather than one that cannot be shown."""
    hazard = named(fire(barrier("polycarbonate", 0.02)))["barrier_polycarbonate"]
    assert hazard.value is None
    assert hazard.exceeded is None
    assert "steel" in hazard.statement


def test_a_weak_box_forbids_the_shot(fire: Fire) -> None:
    """0.4 E / V with all that is stored, against the pressure that the box is stated to stand."""
    result = fire(changed(TRADE_SHOT, surroundings={"box": {"volume_m3": 0.1, "strength_pa": 3000.0}}))
    pressure = number(named(result)["box_pressure"])
    assert pressure == pytest.approx(0.4 * 3675.0 / 0.1)
    assert [ground.name for ground in result.verdict.grounds] == ["box_pressure"]


def test_published_limits_ask_for_protection_and_do_not_forbid(found: dict[str, Estimate], fire: Fire) -> None:
    """Peak sound is over 140 dB in the room of nearly every shot: people keep away, the shot may be fired."""
    assert found["peak_sound"].exceeded
    assert not fire(TRADE_SHOT).verdict.not_to_be_fired


def test_stronger_shots_are_never_less_dangerous(fire: Fire) -> None:
    """From 5 to 6 to 7 kV: energy, sound, field, piece and barrier rise."""
    rising = [named(fire(changed(TRADE_SHOT, bank={"charge_voltage_v": v}))) for v in (5000.0, 6000.0, 7000.0)]
    for name in (
        "stored_energy",
        "recovery_voltage",
        "peak_sound",
        "stray_field",
        "induced_voltage",
        "implant_distance",
    ):
        values = [number(block[name]) for block in rising]
        assert values == sorted(values), name
    assert number(rising[0]["worst_piece_energy"]) < number(rising[2]["worst_piece_energy"])


def test_recovery_is_a_hundredth_of_the_energy() -> None:
    """A tenth of the voltage (handbook range 0.1 to 10 %, from memory) holds a hundredth of the energy."""
    assert recovered_energy_j(1.5e-4, 7000.0) == pytest.approx(36.75)


def test_cooling_follows_newtons_law() -> None:
    """A brass disc of 24 x 1.75 mm: m c = 8530 * 7.917e-7 * 375 J/K (CDA data, as read), h A over both faces and rim.

    Textbook: (T - T0) falls by e in m c / h A. At or below 43 degrees C nothing is waited for.
    """
    heat = part_heat_j_per_k(check_shot(TRADE_SHOT))
    assert heat is not None
    assert heat == pytest.approx(8530.0 * pi / 4 * 0.024**2 * 1.75e-3 * 375.0, rel=0.03)
    surface = 1.2e-3
    assert cooling_time_s(493.15, heat, surface) == pytest.approx(heat / (4.0 * surface) * log(200.0 / 23.0), rel=1e-6)
    assert cooling_time_s(316.0, heat, surface) == 0.0


def test_fume_of_an_arc() -> None:
    """47.3 J vaporise 10 mg at 4.73 MJ/kg (300 kJ/mol, from memory); e times the limit takes one change of air."""
    assert vapour_bound_kg(47.3) == pytest.approx(1e-5)
    assert air_changes(1e-7 * 2.718281828) == pytest.approx(1.0)
    assert air_changes(0.5e-7) == 0.0


def barrier(material: str, thickness_m: float) -> dict[str, Any]:
    """The trade shot behind a barrier."""
    return changed(TRADE_SHOT, surroundings={"barrier": {"material": material, "thickness_m": thickness_m}})


def test_the_worst_piece_is_half_a_turn_at_the_highest_speed(fire: Fire) -> None:
    """Half of 2 pi R A rho, R = 12 + 1 + 1.025 mm, wire of 2.05 mm, copper 8960 kg/m3 (handbook), by hand: 1.30 g."""
    result = fire(TRADE_SHOT)
    assert result.summary is not None
    half_turn = pi * 14.025e-3 * pi / 4 * 2.05e-3**2 * 8960.0
    worst = named(result)["worst_piece_energy"]
    assert number(worst) >= 0.5 * half_turn * result.summary.debris_velocity_m_per_s**2
    assert f"{1e3 * half_turn:.2g} g" in worst.statement


def test_the_stray_field_counts_every_turn(fire: Fire) -> None:
    """A dipole of eight turns of the peak current on its axis: mu0 N I R^2 / 2 d^3 at the 5 m of nobody's room."""
    result = fire(TRADE_SHOT)
    assert result.summary is not None
    wanted = 4e-7 * pi * 8 * result.summary.peak_current_a * 14.025e-3**2 / (2.0 * 5.0**3)
    assert named(result)["stray_field"].value == pytest.approx(wanted, rel=1e-3)


def test_what_is_too_hot_to_hold_is_said_to_be(fire: Fire) -> None:
    """From 60 degrees C on (order of ISO 13732-1, from memory); a shot of 1 kV hardly warms it."""
    hot = named(fire(TRADE_SHOT))["part_temperature"]
    assert number(hot) > 333.15
    assert "too hot to hold" in hot.statement
    cold = named(fire(changed(TRADE_SHOT, bank={"charge_voltage_v": 1000.0})))["part_temperature"]
    assert number(cold) < 333.15
    assert "too hot" not in cold.statement


def test_the_estimate_of_a_barrier_says_whether_it_stops_the_piece(fire: Fire) -> None:
    """As its limit says: half of what is needed does not, double does."""
    needed = number(named(fire(barrier("mild_steel", 1.0)))["barrier_mild_steel"])
    for thickness, exceeded in ((0.5 * needed, True), (2.0 * needed, False)):
        found = named(fire(barrier("mild_steel", thickness)))["barrier_mild_steel"]
        assert found.limit == thickness
        assert found.exceeded is exceeded
