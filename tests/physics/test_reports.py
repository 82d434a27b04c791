"""What a result says beside its figures: each turn, insulation, the part's profile, warnings."""

from __future__ import annotations

from dataclasses import fields
from math import pi
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from physics import ShotResult, check_shot, shot_figures, simulate_shot
from physics import state as c
from physics.buckling import CRITICAL_AMPLIFICATION, Flow, amplification, growth_rates
from physics.figures import series
from physics.outcome import figures_of, put_together
from physics.plasticity import Strength
from physics.simulate import build, run_shot
from physics.wires import pair_breakdown, stock
from tests.physics.shots import TRADE_SHOT, VARIED_SHOTS, Fire, changed, part

CLAD = [
    {"material": "cupronickel_75_25", "fraction_ratio": 0.165},
    {"material": "copper", "fraction_ratio": 0.67},
    {"material": "cupronickel_75_25", "fraction_ratio": 0.165},
]


def fired(fire: Fire, **changes: Any) -> ShotResult:
    return fire(changed(TRADE_SHOT, **changes) | {"solver": {"fidelity": "screen"}})


def strength_of_part(**changes: Any) -> Strength:
    """Constants of the part's (first) metal as a run has them."""
    return Strength(*build(check_shot(changed(TRADE_SHOT, **changes))).tables.strength[1])


def warnings_of(result: ShotResult) -> dict[str, str]:
    return {advisory.name: advisory.statement for advisory in result.warnings}


# ---- series ----------------------------------------------------------------------------------------------------------


def test_series_is_whole_where_it_is_short_and_keeps_its_extremes_where_it_is_long() -> None:
    """A few hundred rows are told as they are; thousands are thinned, with the peak of each column in place."""
    rows = np.random.default_rng(5).normal(size=(4000, c.COLUMNS))
    rows[:, c.TIME] = np.arange(4000.0) ** 2
    short, long = series(rows[:300]), series(rows)
    assert short.time_s == rows[:300, c.TIME].tolist()
    assert len(long.time_s) < 600
    assert max(long.current_a) == rows[:, c.CURRENT].max()
    assert min(long.force_n) == rows[:, c.FORCE].min()


# ---- the short answer ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["disc of brass, burst", "clad disc", "two layers of wire"])
def test_figures_are_those_of_the_whole_result(name: str) -> None:
    """What a search is told of a shot is what a person is told of it, limits of every kind included."""
    limits = {"peak_current_a": 1e4, "debris_energy_j": 10.0, "stray_field_tesla": 0.1, "flash_j_per_m2": 1.0}
    shot = check_shot(changed(VARIED_SHOTS[name], limits=limits) | {"solver": {"fidelity": "screen"}})
    short, whole = shot_figures(shot), simulate_shot(shot)
    assert len(short.ratings) > 2
    for field in fields(short):
        assert getattr(short, field.name) == getattr(whole, field.name)


def test_figures_that_are_not_finite_are_withheld() -> None:
    """A run that diverged has a status, ratings of what was asked alone, and no numbers."""
    run = run_shot(check_shot(TRADE_SHOT | {"solver": {"fidelity": "screen"}}))
    run.rows[-1, c.CURRENT] = np.nan
    short, whole = figures_of(run), put_together(run)
    assert short.status == whole.status == "not_converged"
    assert short.summary is None
    assert short.numerical_error is None
    assert short.ratings == whole.ratings


# ---- turns -----------------------------------------------------------------------------------------------------------


def test_turns_add_up_to_the_summary(fire: Fire) -> None:
    """Debris and arc energy of the turns, each times how many it stands for, are those of the summary."""
    result = fired(fire)
    assert result.summary is not None
    assert sum(turn.alike_count for turn in result.turns) == 8
    debris = sum(turn.alike_count * turn.debris_energy_j for turn in result.turns)
    arcs = sum(turn.alike_count * turn.arc_energy_j for turn in result.turns)
    assert debris == pytest.approx(result.summary.debris_energy_j, rel=1e-9)
    assert arcs == pytest.approx(result.summary.arc_energy_j, rel=1e-9)
    assert result.summary.burst_time_s == min(turn.rupture_time_s or 1.0 for turn in result.turns)


def test_turns_are_as_warm_at_the_end_as_their_filaments() -> None:
    """A ringing tail goes on warming the coil when nothing moves: a turn's temperature is the mean over its section."""
    shot = changed(TRADE_SHOT, bank={"charge_voltage_v": 2000.0}) | {"solver": {"fidelity": "screen"}}
    run = run_shot(check_shot(shot))
    coil, heat = run.model.coil, run.heat
    mass = coil.multiplicity * heat.mass[: coil.turn.size]
    mean = np.bincount(coil.turn, mass * heat.temperature[: coil.turn.size]) / np.bincount(coil.turn, mass)
    assert heat.turn_temperature == pytest.approx(mean, rel=1e-9)


def test_end_turns_are_pushed_less_and_break_later(fire: Fire) -> None:
    """The field spreads at the ends of the coil, so end turns feel less force than middle ones and hold longer."""
    middle, *_, end = fired(fire).turns
    assert end.height_m > middle.height_m
    assert end.peak_force_n < 0.9 * middle.peak_force_n
    assert middle.rupture_time_s is not None
    assert end.rupture_time_s is None or end.rupture_time_s > middle.rupture_time_s


def test_inner_layer_takes_the_outer_one_along(fire: Fire) -> None:
    """In a coil of two layers the force acts on the inner one, and yet both move out together."""
    result = fired(fire, coil={"turns_count": 10, "layers_count": 2}, bank={"charge_voltage_v": 5000.0})
    inner = [turn for turn in result.turns if turn.layer_count == 1]
    outer = [turn for turn in result.turns if turn.layer_count == 2]
    assert inner[0].peak_force_n > 2.0 * outer[0].peak_force_n
    assert outer[0].hoop_strain_ratio > 0.5 * inner[0].hoop_strain_ratio > 0.0


def test_energy_at_burst_is_what_the_pieces_can_still_take(fire: Fire) -> None:
    """Field and bank at burst together hold less than the bank did, and more than arcs take and it keeps."""
    result = fired(fire)
    summary, energy = result.summary, result.energy
    assert summary is not None
    assert energy is not None
    assert summary.burst_field_energy_j is not None
    assert summary.burst_bank_energy_j is not None
    left = summary.burst_field_energy_j + summary.burst_bank_energy_j
    assert summary.arc_energy_j + energy.left_in_bank_j < left < energy.bank_j


# ---- insulation ------------------------------------------------------------------------------------------------------


def test_enamel_bears_what_its_standard_states() -> None:
    """Grade 2 enamel bears 5000 V a pair on 1 and 2 mm wire, 4600 V on 0.5 mm (IEC 60317-0-1, transcribed)."""
    assert [pair_breakdown(d) for d in (0.5e-3, 1.0e-3, 2.0e-3)] == [4600.0, 5000.0, 5000.0]
    assert all(wire.pair_breakdown_v >= 2700.0 for wire in stock().values())


def test_voltage_of_turns_adds_up_to_the_coils(fire: Fire) -> None:
    """The largest turn voltage lies between the mean one and twice that, and no turn sees the whole coil's."""
    result = fired(fire)
    assert result.summary is not None
    mean = result.summary.peak_coil_voltage_v / 8
    assert mean < max(turn.peak_voltage_v for turn in result.turns) < 2.0 * mean
    assert result.summary.peak_coil_voltage_v < TRADE_SHOT["bank"]["charge_voltage_v"]


def test_insulation_that_is_stated_is_rated(fire: Fire) -> None:
    """Turns, layers and gap get a margin where insulation is stated, and none where it is not."""
    stated = {
        "enamel_thickness_m": 4e-5,
        "enamel_pair_breakdown_v": 5000.0,
        "former_wall_m": 7e-4,
        "former_strength_v_per_m": 2e7,
    }
    checks = {check.between: check for check in fired(fire, insulation=stated).insulation}
    assert checks["gap"].breakdown_voltage_v == pytest.approx(2500.0 + 7e-4 * 2e7)
    assert checks["turns"].breakdown_voltage_v == 5000.0
    assert all(check.margin_ratio is not None and check.margin_ratio > 0.0 for check in checks.values())
    assert all(check.margin_ratio is None for check in fired(fire).insulation)


def test_layers_see_the_sum_of_two(fire: Fire) -> None:
    """Between two layers wound there and back lies nearly the whole voltage of a coil of two layers."""
    result = fired(fire, coil={"turns_count": 10, "layers_count": 2})
    (check,) = (check for check in result.insulation if check.between == "layers")
    assert result.summary is not None
    assert check.peak_voltage_v == pytest.approx(result.summary.peak_coil_voltage_v, rel=1e-9)


def test_too_little_insulation_is_a_status(fire: Fire) -> None:
    """A turn voltage above the enamel's breakdown ends in a status of its own, with figures and what to change."""
    result = fired(fire, insulation={"enamel_thickness_m": 1e-5, "enamel_pair_breakdown_v": 500.0})
    assert result.status == "insulation_failed"
    assert "more turns" in result.advice
    assert result.summary is not None


# ---- profile ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("layers", [[{"material": "copper"}], CLAD], ids=["one metal", "clad"])
def test_profile_keeps_the_volume(fire: Fire, layers: list[dict[str, Any]]) -> None:
    """Thickness over radius holds the volume the part had, within what elastic compression can take."""
    shot = TRADE_SHOT["workpiece"] | {"layers": layers}
    result = fired(fire, workpiece=shot, bank={"charge_voltage_v": 5000.0})
    assert result.profile is not None
    radius, thickness = np.array(result.profile.radius_m), np.array(result.profile.thickness_m)
    # Core and faces end at rims of their own.
    rim = 0.5 * np.mean(result.profile.outer_diameter_m)
    edges = np.concatenate([[0.0], 0.5 * (radius[1:] + radius[:-1]), [rim]])
    before = 0.25 * pi * shot["outer_diameter_m"] ** 2 * shot["thickness_m"]
    assert (pi * np.diff(edges**2) * thickness).sum() == pytest.approx(before, rel=0.03)
    assert thickness[0] > shot["thickness_m"]


def test_profile_hardens_where_it_strains(fire: Fire) -> None:
    """Flow stress after the shot is A + B strain^n of the metal (Johnson & Cook 1983, copper 90, 292 MPa, 0.31)."""
    result = fired(fire, workpiece=part("disc", 0.024, 1.75e-3, "copper"))
    assert result.profile is not None
    expected = 90e6 + 292e6 * np.array(result.profile.strain_ratio) ** 0.31
    assert np.array(result.profile.flow_stress_pa) == pytest.approx(expected, rel=1e-9)
    assert min(result.profile.strain_ratio) > 0.1


def test_tube_narrows_under_the_coil_and_not_at_its_ends(fire: Fire) -> None:
    """A tube three times as long as its coil keeps its diameter at the ends and is narrowest in the middle."""
    tube = part("tube", 0.020, 0.050, "copper", inner_m=0.017)
    result = fired(fire, workpiece=tube, coil={"turns_count": 6}, bank={"charge_voltage_v": 4500.0})
    assert result.profile is not None
    outer = result.profile.outer_diameter_m
    assert outer[0] == min(outer)
    assert outer[0] < 0.95 * 0.020 < 0.995 * 0.020 < outer[-1]


def test_clad_part_settles_between_its_metals(fire: Fire) -> None:
    """Core and faces of a clad disc shrink together: its size lies between those of discs of either metal alone."""
    sizes = [
        fired(fire, workpiece=TRADE_SHOT["workpiece"] | {"layers": layers}).summary
        for layers in ([{"material": "copper"}], CLAD, [{"material": "cupronickel_75_25"}])
    ]
    copper, clad, nickel = (summary.final_outer_diameter_m for summary in sizes if summary is not None)
    assert copper < clad < nickel


# ---- warnings --------------------------------------------------------------------------------------------------------


def test_flaw_grows_fastest_at_the_published_number_of_waves() -> None:
    """A ring that flows buckles fastest near n^2 = 6 s a^2 / (E h^2), at the rate (s/h) sqrt(3 / (rho E))."""
    # Abrahamson & Goodier (1962), from memory; the algebra was checked a second time by hand.
    radius, wall, density, flow = 0.015, 1e-3, 8960.0, Flow(stress=3e8, tangent=4.4e8, viscosity=0.0)
    waves = np.arange(2, 200)
    rates = growth_rates(waves, radius, wall, density, flow)
    assert waves[np.argmax(rates)] == pytest.approx((6.0 * 3e8 * radius**2 / (4.4e8 * wall**2)) ** 0.5, abs=1.0)
    assert rates.max() == pytest.approx(3e8 / wall * (3.0 / (density * 4.4e8)) ** 0.5, rel=2e-3)
    assert rates[waves > 12**0.5 * (3e8 / 4.4e8) ** 0.5 * radius / wall].max() == 0.0


def test_rate_sensitivity_steadies_a_ring() -> None:
    """A metal that resists fast straining lets flaws grow more slowly, and short waves most so."""
    waves = np.arange(2, 30)
    plain, stiff = (growth_rates(waves, 0.015, 1e-3, 8960.0, Flow(3e8, 4.4e8, drag)) for drag in (0.0, 1e3))
    assert (stiff < plain).all()
    assert (stiff / plain)[-1] < (stiff / plain)[0]


def test_slow_thin_ring_is_said_to_buckle(fire: Fire) -> None:
    """A weakly driven thin ring gets the warning; one that hardly yields does not."""
    thin = part("ring", 0.060, 6e-3, "aluminium_6061_t6", inner_m=0.0585)
    slow = warnings_of(fired(fire, workpiece=thin, bank={"capacitance_farad": 1e-3, "charge_voltage_v": 1800.0}))
    assert f"{CRITICAL_AMPLIFICATION:.0f} is critical" in slow["may_buckle"]
    assert "may_buckle" not in warnings_of(fired(fire, workpiece=thin, bank={"charge_voltage_v": 300.0}))


def test_harder_drive_leaves_flaws_less_time(fire: Fire) -> None:
    """The same ring driven harder buckles less: shells are published to stay round when driven hard, not when slow."""
    # "Electromagnetic implosion of metal liners", abstract: symmetric when strongly driven, buckling when slower.
    ring = part("ring", 0.020, 4e-3, "brass_260", inner_m=0.0156)
    metal = strength_of_part(workpiece=ring)
    sizes, growths = [], []
    for voltage in (5000.0, 7000.0):
        series = fired(fire, workpiece=ring, bank={"charge_voltage_v": voltage}).series
        assert series is not None
        outer, inner = np.array(series.outer_diameter_m), np.array(series.inner_diameter_m)
        sizes.append(outer[-1])
        growths.append(amplification(np.array(series.time_s), (outer + inner) / 4.0, (outer - inner) / 2.0, metal))
    assert sizes[0] > 1.1 * sizes[1]
    assert growths[0].factor > 1.3 * growths[1].factor


def test_ringing_after_the_collapse_is_no_flow() -> None:
    """Flaws grow while a ring flows inwards, and no further while it rings elastically at the size it came to."""
    time = np.linspace(0.0, 200e-6, 401)
    flown = np.minimum(time / 40e-6, 1.0)
    collapse = 0.010 - 0.003 * np.sin(0.5 * np.pi * flown) ** 2
    # 0.1 % of the radius, ten times in the rest of the time: 2 m/s.
    ringing = np.where(flown < 1.0, 0.0, 7e-6 * (1.0 - np.cos(2.0 * np.pi * (time - 40e-6) / 16e-6)))
    still, rings = (
        amplification(time, radius, np.full(time.size, 1e-3), strength_of_part())
        for radius in (collapse, collapse + ringing)
    )
    assert still.factor > 2.0
    assert rings.factor == pytest.approx(still.factor, rel=0.01)


def test_metal_says_what_the_model_leaves_out(fire: Fire) -> None:
    """A part of steel comes with the warning that its magnetism is not modelled."""
    steel = fired(fire, workpiece=part("disc", 0.024, 1.75e-3, "steel_1006"))
    assert "Ferromagnetic" in warnings_of(steel)["metal"]
    assert "metal" not in warnings_of(fired(fire))


def test_strain_beyond_the_data_is_said(fire: Fire) -> None:
    """A part strained further than its flow stress was ever measured says so; a gentle shot does not."""
    strong = fired(fire, workpiece=part("disc", 0.024, 1.75e-3, "copper"), bank={"charge_voltage_v": 7500.0})
    assert "was measured up to" in warnings_of(strong)["strain_beyond_data"]
    assert warnings_of(fired(fire, bank={"charge_voltage_v": 2000.0})) == {}


def test_small_bore_is_about_to_close(fire: Fire) -> None:
    """A washer whose bore is nearly gone is said to be about to close."""
    washer = part("washer", 0.024, 2e-3, "copper", inner_m=0.006)
    for voltage in np.arange(4500.0, 7500.0, 100.0):
        result = fired(fire, workpiece=washer, bank={"charge_voltage_v": float(voltage)})
        if result.status != "completed" or "bore_closing" in warnings_of(result):
            break
    assert result.status == "bore_closed" or "mm" in warnings_of(result)["bore_closing"]


def test_melting_skin_is_said(fire: Fire) -> None:
    """A shot that melts the part's surface says so, with its temperature and the melting point of zinc, 693 K."""
    washer = part("washer", 0.030, 4e-3, "zinc", inner_m=0.022)
    shot = changed(TRADE_SHOT, workpiece=washer, bank={"charge_voltage_v": 12e3})
    result = fire(shot | {"solver": {"fidelity": "screen", "motion": False}})
    assert result.summary is not None
    assert result.summary.peak_workpiece_temperature_k >= 692.7
    assert "begins to melt at 693 K" in warnings_of(result)["melts"]


# ---- input -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"coil": {"strip_width_m": 2e-3, "strip_thickness_m": 1e-3}}, "either wire_diameter_m, or strip_width_m"),
        ({"coil": {"layers_count": 3, "turns_count": 2}}, "turns_count 2 is less than layers_count 3"),
        ({"coil": {"layer_pitch_m": 1e-3}}, "layers overlap"),
        ({"workpiece": {"layers": CLAD[:2]}}, "must add up to 1"),
        ({"workpiece": {"layers": [{"material": "copper", "fraction_ratio": 0.6},
                                   {"material": "zinc", "fraction_ratio": 0.4}]}}, "the same from both faces"),
        ({"workpiece": {"layers": [{"material": "copper", "fraction_ratio": 0.5},
                                   {"material": "zinc", "fraction_ratio": 0.5}]}}, "the same from both faces"),
        ({"workpiece": {"thickness_m": 0.1}}, "at most 3 times outer_diameter_m"),
        ({"insulation": {"former_wall_m": 2e-3}}, "gap_m 0.001 m is metal to metal"),
        ({"switch": {"kind": "spark_gap"}}, "spark_length_m belongs to kind 'spark_gap'"),
        ({"workpiece": {"initial_temperature_k": 750.0, "layers": [{"material": "zinc"}]}}, "77 to 692"),
        ({"coil": {"initial_temperature_k": 100.0}, "solver": {"heating": False}}, "counts only with solver.heating"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_refused(changes: dict[str, Any], words: str) -> None:
    """What contradicts itself is refused in words that name the fields and their values."""
    with pytest.raises(ValidationError) as refused:
        check_shot(changed(TRADE_SHOT, **changes))
    assert words in str(refused.value)


# ---- ends ------------------------------------------------------------------------------------------------------------


def test_crowbarred_shot_completes(fire: Fire) -> None:
    """A current that dies out slowly behind a crowbar is a completed shot, not one that ran out of time."""
    crowbar = {"across": "coil", "inductance_henry": 3e-8, "resistance_ohm": 1e-4}
    # A small bank: the current outlasts its quarter period a hundredfold.
    bank = {"capacitance_farad": 5e-6, "charge_voltage_v": 2000.0, "resistance_ohm": 0.0}
    quiet = {"bank": bank, "leads": {"resistance_ohm": 0.0}}
    thick = {"wire_diameter_m": 4e-3, "pitch_m": 4.3e-3, "turns_count": 12}
    result = fired(fire, crowbar=crowbar, coil=thick, **quiet)
    assert result.summary is not None
    assert result.summary.first_current_zero_s is None
    assert result.status == "completed"
