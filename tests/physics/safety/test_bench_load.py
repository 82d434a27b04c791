"""What a shot takes out of capacitors, charger, bleed resistors and leads, against published laws and closed forms."""

from __future__ import annotations

from math import exp, inf, log, pi, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api import examples
from physics import check_shot
from physics.bench_load import bleeding
from physics.bench_load.bleeding import bleed_time_s, heat_each_j, peak_power_w, voltage_after_v
from physics.bench_load.capacitor_life import expected_shots
from physics.bench_load.charging import charge_time_s
from physics.bench_load.lead_stress import force_n_per_m, heated_section_m2, temperature_after_k
from physics.constants import MU_0
from physics.equipment import Bleed, CapacitorRating, Charger, LeadConductors
from physics.facts import Facts
from physics.materials import resolve
from tests.physics.shots import TRADE_SHOT, changed
from worker.request import DesignRequest

RATING = CapacitorRating(voltage_v=1e4, life_shots_count=5e4, reversal_ratio=0.2, frequency_hz=1e4)


@pytest.mark.parametrize(("voltage_ratio", "factor"), [(0.8, 5.331), (1.1, 0.4893)])
def test_life_over_voltage(voltage_ratio: float, factor: float) -> None:
    """(V / Vr)^-7.5, usual for paper and film in oil (makers' bulletins, from memory, med), evaluated by hand."""
    usual = RATING.model_copy(update={"voltage_exponent": 7.5})
    assert expected_shots(usual, voltage_ratio * 1e4, 0.2, 1e4) == pytest.approx(5e4 * factor, rel=1e-3)


@pytest.mark.parametrize(("voltage_ratio", "factor"), [(0.8, 3.815), (1.1, 1.1**-9.0)])
def test_unstated_exponent_is_the_safe_end_of_the_band(voltage_ratio: float, factor: float) -> None:
    """6 to 9 by dielectric (informal list post, as read): at 0.8 of the voltage 3.81 times the life is the least."""
    assert expected_shots(RATING, voltage_ratio * 1e4, 0.2, 1e4) == pytest.approx(5e4 * factor, rel=1e-3)


def test_life_over_reversal() -> None:
    """A part for 20 % used at 85 %: (20 / 85)^1.6 = 0.0988, "approximately a tenth" (informal list post, as read).

    The same power of the quality factor, sqrt(1 + (pi / ln r)^2) / 2 = 1.0966 and 9.68, leaves less, which counts.
    """
    found = expected_shots(RATING, 1e4, 0.85, 1e4)
    assert found < 5e4 * 0.0988
    assert found == pytest.approx(5e4 * (9.68 / 1.0966) ** -1.6, rel=2e-3)


@given(
    volts=st.floats(1e3, 2e4),
    reversal=st.floats(0.0, 1.0),
    frequency=st.floats(1e2, 1e6),
    more=st.floats(1.0, 3.0),
)
def test_life_never_grows_with_stress(volts: float, reversal: float, frequency: float, more: float) -> None:
    """And less reversal or frequency than rated is not credited."""
    life = expected_shots(RATING, volts, reversal, frequency)
    assert expected_shots(RATING, more * volts, reversal, frequency) <= life
    assert expected_shots(RATING, volts, min(more * reversal, 1.0), frequency) <= life * (1 + 1e-12)
    assert expected_shots(RATING, volts, reversal, more * frequency) <= life * (1 + 1e-12)
    assert life <= expected_shots(RATING, volts, 0.2, 1e4) * (1 + 1e-12)


def test_charging_at_a_current_a_power_or_both() -> None:
    """150 uF to 7 kV: Q / I = 1.05 C / 50 mA = 21 s; E / P = 3675 J / 250 W = 14.7 s; both: the current to 5 kV."""
    assert charge_time_s(Charger(current_a=0.05), 1.5e-4, 7e3) == pytest.approx(21.0)
    assert charge_time_s(Charger(power_w=250.0), 1.5e-4, 7e3) == pytest.approx(14.7)
    both = charge_time_s(Charger(current_a=0.05, power_w=250.0), 1.5e-4, 7e3)
    assert both == pytest.approx(1.5e-4 * 5e3 / 0.05 + 0.5 * 1.5e-4 * (7e3**2 - 5e3**2) / 250.0)
    assert both > 21.0


@pytest.mark.parametrize(
    ("volts", "safe", "within", "tau"),
    [(1e3, 60.0, 5.0, 1.777), (1.2e4, 60.0, 5.0, 0.9437), (5e3, 50.0, 300.0, 65.14), (1.2e4, 50.0, 300.0, 54.74)],
)
def test_time_constants_of_published_rules(volts: float, safe: float, within: float, tau: float) -> None:
    """60 V within 5 s (IEC 60204-1, 6.2.4) and 50 V within 5 min (California Title 8, 2893): tau <= t / ln(V0 / V)."""
    capacitance = 1e-4
    bleed = Bleed(resistance_ohm=tau / capacitance, safe_voltage_v=safe)
    assert bleed_time_s(bleed, capacitance, volts) == pytest.approx(within, rel=1e-3)


def test_worked_bleeder() -> None:
    """12 kV, 140 uF: 391.0 kohm give 50 V in 5 min and take 368 W at first (evaluated by hand)."""
    bleed = Bleed(resistance_ohm=391.0e3)
    assert bleed_time_s(bleed, 1.4e-4, 1.2e4) == pytest.approx(300.0, rel=1e-3)
    assert peak_power_w(bleed, 1.2e4) == pytest.approx(368.0, rel=2e-3)
    assert voltage_after_v(bleed, 1.4e-4, 1.2e4, 300.0) == pytest.approx(50.0, rel=5e-3)


def test_a_resistor_failed_open() -> None:
    """Of two one is left: twice the time and all the energy; of one none: it never gets there."""
    two, one = Bleed(resistance_ohm=4e5, resistors_count=2), Bleed(resistance_ohm=4e5)
    assert bleed_time_s(two, 1.5e-4, 7e3, 1) == pytest.approx(2.0 * bleed_time_s(two, 1.5e-4, 7e3))
    assert heat_each_j(two, 3675.0, 1) == pytest.approx(3675.0)
    assert bleed_time_s(one, 1.5e-4, 7e3, 1) == inf


@given(count=st.integers(1, 20), volts=st.floats(60.0, 2e4))
def test_more_resistors_are_faster(count: int, volts: float) -> None:
    """And a higher voltage takes longer."""
    few = Bleed(resistance_ohm=4e5, resistors_count=count)
    many = Bleed(resistance_ohm=4e5, resistors_count=count + 1)
    assert bleed_time_s(many, 1.5e-4, volts) < bleed_time_s(few, 1.5e-4, volts)
    assert bleed_time_s(few, 1.5e-4, 1.1 * volts) > bleed_time_s(few, 1.5e-4, volts)


def test_copper_melts_at_its_published_action() -> None:
    """From 20 degrees C to the start of melting 9.1e16 A^2 s / m^4 (Matula's resistivity, NIST-JANAF heat, by hand).

    Onderdonk's formula says 8.4e16, low by construction: at that action copper is hot but solid.
    """
    copper = resolve("copper")
    assert temperature_after_k(copper, 9.4e16 * 1e-12, 1e-6) is None
    hot = temperature_after_k(copper, 8.43e16 * 1e-12, 1e-6)
    assert hot is not None
    assert 1200.0 < hot < 1357.0


def test_leads_warm_by_the_first_law() -> None:
    """At little action the rise is action rho / (S^2 density c): 2e5 A^2 s through 35 mm2 of copper."""
    found = temperature_after_k(resolve("copper"), 2e5, 3.5e-5)
    assert found is not None
    assert found - 293.15 == pytest.approx(2e5 * 1.678e-8 / (3.5e-5**2 * 8960.0 * 385.0), rel=0.02)


def test_force_between_conductors() -> None:
    """Definition of the ampere until 2019: 2e-7 N on each metre at 1 A and 1 m. Strips: B^2 / 2 mu0 times w."""
    wires = LeadConductors(shape="wires", section_m2=1e-5, spacing_m=1.0)
    assert force_n_per_m(wires, 1.0) == pytest.approx(2e-7, rel=1e-5)
    # In a skin the current crowds to the inner sides: at a distance of 1.5 diameters a third more.
    near = LeadConductors(shape="wires", section_m2=0.25e-4 * pi, spacing_m=0.015)
    assert force_n_per_m(near, 1.0) == pytest.approx(2e-7 / sqrt(0.015**2 - 0.01**2))
    strips = LeadConductors(shape="strips", section_m2=1e-4, spacing_m=0.005, width_m=0.1)
    field = MU_0 * 5e4 / 0.1
    assert force_n_per_m(strips, 5e4) == pytest.approx(field**2 / (2.0 * MU_0) * 0.1)
    assert force_n_per_m(strips, 5e4) == pytest.approx(2.5e9 * 4e-7 * pi / 0.2, rel=1e-6)


def test_a_skin_heats_the_surface_more() -> None:
    """Wire of 10 mm at a skin depth of 0.65 mm (10 kHz): the circumference, the skin over root two deep."""
    wires = LeadConductors(shape="wires", section_m2=0.25e-4 * pi, spacing_m=0.05)
    assert heated_section_m2(wires, 6.5e-4) == pytest.approx(pi * 0.01 * 6.5e-4 / sqrt(2.0))
    assert heated_section_m2(wires, 0.1) == wires.section_m2


@pytest.mark.parametrize(
    ("limits", "equipment", "words"),
    [
        ({"expected_shots_count": 10.0}, {}, "equipment.capacitors"),
        ({"lead_temperature_k": 400.0}, {}, "equipment.lead_conductors"),
        ({"charge_time_s": 10.0}, {}, "equipment.charger"),
        ({"bleed_time_s": 10.0}, {}, "equipment.bleed"),
        (
            {"lead_temperature_k": 1000.0},
            {
                "lead_conductors": {
                    "shape": "wires",
                    "section_m2": 1e-5,
                    "spacing_m": 0.1,
                    "material": "aluminium_6061_t6",
                }
            },
            "where the leads melt",
        ),
    ],
)
def test_a_limit_that_can_never_be_rated_is_refused(
    limits: dict[str, float], equipment: dict[str, object], words: str
) -> None:
    """Rather than be overlooked: in a shot and in a design."""
    with pytest.raises(ValueError, match=words):
        check_shot(changed(TRADE_SHOT, limits=limits, equipment=equipment))
    design = {**examples.DESIGN, "limits": {**examples.DESIGN["limits"], **limits}, "bench": {"equipment": equipment}}
    with pytest.raises(ValueError, match=words):
        DesignRequest.model_validate(design)


@pytest.mark.parametrize(("volts", "within"), [(500.0, 60.0), (7000.0, 300.0)])
def test_the_rule_is_that_of_the_voltage(volts: float, within: float) -> None:
    """1 min up to 600 V (NEC 460.6), 5 min above (California Title 8, 2893), to 50 V whatever is called safe."""
    bleed = {"resistance_ohm": 6e5, "safe_voltage_v": 500.0}
    shot = check_shot(changed(TRADE_SHOT, bank={"charge_voltage_v": volts}, equipment={"bleed": bleed}))
    (found,) = (e for e in bleeding.estimates(Facts(shot, None)) if e.name == "bleed_time")
    assert found.limit == within
    assert found.value == pytest.approx(6e5 * 1.5e-4 * log(volts / 50.0))


@pytest.mark.parametrize(
    ("model", "body", "words"),
    [
        (Charger, {}, "current_a, power_w"),
        (LeadConductors, {"shape": "wires", "section_m2": 1e-4, "spacing_m": 0.01}, "diameter"),
        (LeadConductors, {"shape": "strips", "section_m2": 1e-5, "spacing_m": 0.01}, "width_m"),
    ],
)
def test_incomplete_equipment_is_refused(
    model: type[Charger | LeadConductors], body: dict[str, object], words: str
) -> None:
    """The message names what is missing."""
    with pytest.raises(ValueError, match=words):
        model.model_validate(body)


def test_exponential_is_an_exponential() -> None:
    """After one time constant a part e is left."""
    bleed = Bleed(resistance_ohm=1e5)
    assert voltage_after_v(bleed, 1e-4, 1e3, 10.0) == pytest.approx(1e3 * exp(-1.0))
