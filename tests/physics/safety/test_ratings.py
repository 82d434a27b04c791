"""Every limit that can be stated is rated, by the right value, and margins fall as the shot gets stronger."""

from __future__ import annotations

from typing import Any

import pytest

from physics import ShotResult, check_shot, shot_figures
from physics.limits import Limits
from physics.ratings import LOWEST
from tests.physics.shots import TRADE_SHOT, Fire, changed
from worker.ratings import REASONS, WORDS

EQUIPMENT: dict[str, Any] = {
    "capacitors": {"voltage_v": 10000.0, "life_shots_count": 50000.0},
    "charger": {"current_a": 0.05, "power_w": 250.0},
    "bleed": {"resistance_ohm": 4e5, "resistors_count": 2, "heat_j_per_k": 200.0},
    "lead_conductors": {"shape": "wires", "section_m2": 4e-6, "spacing_m": 0.05},
}
#: Limits that the shot keeps, each with its own number.
KEPT = {
    "charge_voltage_v": 7500.0,
    "stored_energy_j": 4000.0,
    "peak_current_a": 7e4,
    "peak_capacitor_current_a": 7e4,
    "charge_coulomb": 5.0,
    "action_a2_s": 2e5,
    "current_rise_a_per_s": 1e11,
    "hold_off_v": 8000.0,
    "voltage_reversal_ratio": 0.9,
    "expected_shots_count": 1e3,
    "lead_temperature_k": 900.0,
    "lead_force_n_per_m": 5e4,
    "charge_time_s": 60.0,
    "bleed_time_s": 300.0,
    "debris_energy_j": 2000.0,
    "worst_piece_energy_j": 500.0,
    "peak_sound_pa": 5000.0,
    "stray_field_tesla": 1e-3,
    "left_in_bank_j": 3000.0,
    "induced_voltage_v": 10.0,
    "implant_distance_m": 2.0,
    "flash_j_per_m2": 30.0,
    "metal_vapour_kg_per_m3": 1e-5,
    "coil_temperature_k": 1300.0,
    "part_temperature_k": 700.0,
    "turn_insulation_margin_ratio": 0.1,
    "gap_insulation_margin_ratio": 0.1,
}
INSULATION = {
    "former_wall_m": 8e-4,
    "former_strength_v_per_m": 2e7,
    "enamel_thickness_m": 4e-5,
    "enamel_pair_breakdown_v": 5000.0,
}


def limited(limits: dict[str, float], voltage_v: float = 7000.0) -> dict[str, Any]:
    return changed(
        TRADE_SHOT, limits=limits, equipment=EQUIPMENT, insulation=INSULATION, bank={"charge_voltage_v": voltage_v}
    )


def fired(fire: Fire, limits: dict[str, float], voltage_v: float = 7000.0) -> ShotResult:
    return fire(limited(limits, voltage_v))


def test_every_limit_has_a_rating_a_reason_and_words(fire: Fire) -> None:
    """None of them can be stated and then be overlooked, in a shot or in a search."""
    assert set(KEPT) == set(Limits.model_fields)
    result = fired(fire, KEPT)
    assert {rating.name for rating in result.ratings} == set(KEPT)
    assert not result.verdict.not_to_be_fired, result.verdict.statement
    assert set(KEPT) <= set(REASONS)
    assert set(KEPT) <= set(WORDS)
    for rating in result.ratings:
        assert 0.0 < rating.margin_ratio < 1.0, rating.name


@pytest.mark.parametrize("name", sorted(KEPT))
def test_each_limit_alone_forbids_the_shot(fire: Fire, name: str) -> None:
    """A hair below (or above) what the shot takes, the verdict names just that limit."""
    (taken,) = (rating.value for rating in fired(fire, KEPT).ratings if rating.name == name)
    limit = taken * 1.01 if name in LOWEST else taken * 0.99
    if name.endswith("_margin_ratio"):
        limit = min(taken + 0.01, 0.95)
    result = fired(fire, {name: limit})
    assert [ground.name for ground in result.verdict.grounds] == [name]
    kept = fired(fire, {name: taken})
    assert not kept.verdict.not_to_be_fired
    # A search, which estimates no more than it has to, is told the same.
    assert shot_figures(check_shot(limited({name: taken}))).ratings == kept.ratings


@pytest.mark.parametrize(
    "around",
    [{"barrier": {"material": "mild_steel", "thickness_m": 1e-3}}, {"box": {"volume_m3": 0.1, "strength_pa": 1e4}}],
    ids=["barrier", "box"],
)
def test_search_is_told_what_the_surroundings_have_to_bear(fire: Fire, around: dict[str, Any]) -> None:
    """As in the whole result, without any limit stated."""
    shot = changed(TRADE_SHOT, surroundings=around)
    ratings = fire(shot).ratings
    assert len(ratings) == 1
    assert shot_figures(check_shot(shot)).ratings == ratings


def test_values_are_those_of_the_run(fire: Fire) -> None:
    """Names that a rating shares with the summary have its value; so have those of estimates."""
    result = fired(fire, KEPT)
    assert result.summary is not None
    estimates = {entry.name: entry.value for entry in (*result.bench_load, *result.hazards.estimates)}
    values = {rating.name: rating.value for rating in result.ratings}
    for name in ("peak_current_a", "charge_coulomb", "action_a2_s", "current_rise_a_per_s", "debris_energy_j"):
        assert values[name] == getattr(result.summary, name)
    assert values["expected_shots_count"] == estimates["expected_shots"]
    assert values["peak_sound_pa"] == estimates["peak_sound"]


def test_margins_fall_as_the_voltage_rises(fire: Fire) -> None:
    """Between two shots that leave the coil whole: all but reversal, and debris, of which there is none."""
    weak, strong = (
        {rating.name: rating.margin_ratio for rating in fired(fire, KEPT, volts).ratings} for volts in (3000.0, 4000.0)
    )
    of_a_burst = {"voltage_reversal_ratio", "debris_energy_j", "left_in_bank_j", "flash_j_per_m2"}
    for name in set(KEPT) - of_a_burst - {"metal_vapour_kg_per_m3"}:
        assert strong[name] < weak[name], name


def test_the_steepest_rise_is_that_of_the_start(fire: Fire) -> None:
    """Charge voltage over the loop's inductance at the start, to which no coil adds less than nothing."""
    result = fire(TRADE_SHOT)
    assert result.summary is not None
    # Stray 0.2 uH alone would give 3.5e10 A/s.
    assert 1e9 < result.summary.current_rise_a_per_s < 7000.0 / 2e-7
    assert result.summary.current_rise_a_per_s > result.summary.peak_current_a / result.summary.time_to_peak_s
