"""Materials and their heat against published tables; the source stands beside each check."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from pydantic import TypeAdapter, ValidationError

from physics.materials import (
    INLINE_LIMIT_TEMPERATURE_K,
    MATERIAL_DATA_VERSION,
    FlowStress,
    Material,
    MaterialChoice,
    MaterialName,
    Metal,
    TemperatureTable,
    library,
    resolve,
    shomate,
)
from physics.thermal import look_up, thermal_table
from tests.physics.handbook import enthalpy_at, melting_action, specific_action

NAMES = list(library())
MOLAR_MASS_COPPER_KG = 0.063546


def temperature_after(metal: Metal, heat_j_per_kg: float) -> float:
    table = thermal_table(metal, heating=True)
    return look_up(heat_j_per_kg, table.start_j_per_kg, table.spacing_j_per_kg, table.temperature_k)


# Resistivity


@pytest.mark.parametrize(
    ("temperature_k", "resistivity_ohm_m"),
    # CRC Handbook of Chemistry and Physics, 2010, p. 12-40, total resistivity of copper (from memory, high).
    [
        (100, 0.348e-8),
        (200, 1.046e-8),
        (293, 1.678e-8),
        (298, 1.712e-8),
        (400, 2.402e-8),
        (600, 3.792e-8),
        (900, 6.041e-8),
    ],
)
def test_copper_resistivity_agrees_with_a_second_handbook(temperature_k: float, resistivity_ohm_m: float) -> None:
    """Copper's resistivity agrees with a handbook that its table was not taken from."""
    assert float(resolve("copper").resistivity.at(temperature_k)) == pytest.approx(resistivity_ohm_m, rel=0.005)


def test_copper_is_as_conducting_as_the_annealed_standard() -> None:
    """Copper at 20 C is within 4 % below the standard annealed copper of IEC 60028 (1925), 1/58 ohm mm2/m."""
    standard = 1.0 / 58.0e6
    assert 0.96 * standard < float(resolve("copper").resistivity.at(293.15)) < standard


def test_copper_resistivity_rises_as_the_linear_law_near_room_temperature() -> None:
    """Between 20 and 100 C copper's resistivity rises as 0.00393 per kelvin (IEC 60028, 1925) within 3 %."""
    cold, hot = resolve("copper").resistivity.at([293.15, 373.15])
    assert (hot / cold - 1.0) / 80.0 == pytest.approx(0.00393, rel=0.03)


def test_cold_copper_conducts_eight_times_better() -> None:
    """In liquid nitrogen copper keeps about an eighth of its resistivity, 0.2e-8 ohm m (handbooks; memory, medium)."""
    assert float(resolve("copper").resistivity.at(77.0)) == pytest.approx(0.2e-8, rel=0.1)


@pytest.mark.parametrize(
    ("name", "conductivity_iacs_ratio"),
    # C26000: 28 % (copper alloy data sheets, read); C70600: 9.0 % (mill's data sheet, read);
    # 6061-T6: 43 %, 2024-T3/T4: 30 % (ASM Metals Handbook vol. 2, from memory, high).
    [("brass_260", 0.28), ("cupronickel_90_10", 0.090), ("aluminium_6061_t6", 0.43), ("aluminium_2024_t351", 0.30)],
)
def test_alloys_conduct_as_their_data_sheets_say(name: str, conductivity_iacs_ratio: float) -> None:
    """An alloy's conductivity at 20 C is the data sheet's share of the annealed copper standard."""
    conductivity = 1.0 / float(resolve(name).resistivity.at(293.15))
    assert conductivity / 58.0e6 == pytest.approx(conductivity_iacs_ratio, rel=0.03)


def test_cupronickel_lies_between_its_neighbours() -> None:
    """75/25 conducts less than 90/10 (19.1e-8 ohm m) and more than 70/30 (37.5e-8 ohm m; mill's data sheets, read)."""
    assert 19.1e-8 < float(resolve("cupronickel_75_25").resistivity.at(293.15)) < 37.5e-8


# Heat


@pytest.mark.parametrize(
    ("temperature_k", "specific_heat_j_per_kg_k"),
    # White and Collocott 1984 as tabulated by Ekin 2006 (read), independent of NIST-JANAF above 298 K.
    [(100, 252), (200, 356), (300, 386), (350, 392), (400, 397)],
)
def test_copper_specific_heat_agrees_with_a_second_table(temperature_k: float, specific_heat_j_per_kg_k: float) -> None:
    """Copper's specific heat agrees with measurements collected elsewhere within 1 %."""
    table = resolve("copper").specific_heat
    assert table is not None
    assert float(table.at(temperature_k)) == pytest.approx(specific_heat_j_per_kg_k, rel=0.01)


def test_shomate_form_gives_nickels_published_heat() -> None:
    """The Shomate form with nickel's constants gives its 26.07 J/(mol K) at 298.15 K.

    Constants: NIST-JANAF (read); value: CRC Handbook (memory, high).
    """
    nickel = shomate([13.6916, 82.49509, -174.9548, 161.6011, -0.092417], 298.15)
    assert float(nickel) == pytest.approx(26.07, rel=0.005)


@pytest.mark.parametrize(
    ("temperature_k", "enthalpy_kj_per_mol"),
    # NIST-JANAF (Chase 1998): H - H(298.15 K) of solid copper by its closed form, F = -6.056591, evaluated by hand.
    [(400, 2.5340), (600, 7.7267), (900, 15.9005), (1300, 27.7707)],
)
def test_copper_enthalpy_agrees_with_the_integrated_form(temperature_k: float, enthalpy_kj_per_mol: float) -> None:
    """The tabulated enthalpy of copper equals the closed integral of its specific heat."""
    copper = resolve("copper")
    heat = enthalpy_at(copper, temperature_k) - enthalpy_at(copper, 298.15)
    assert heat * MOLAR_MASS_COPPER_KG == pytest.approx(enthalpy_kj_per_mol * 1e3, rel=5e-4)


@pytest.mark.parametrize(
    ("name", "fusion_j_per_kg"),
    # Copper: CRC 13.26 kJ/mol (memory, high); aluminium: handbook table, 10.7 kJ/mol (read); brass: data sheet (read).
    [("copper", 208.7e3), ("aluminium_6061_t6", 396e3), ("brass_260", 180e3)],
)
def test_latent_heat_agrees_with_a_handbook(name: str, fusion_j_per_kg: float) -> None:
    """The latent heat agrees with a handbook's within 3 %."""
    assert resolve(name).latent_heat_j_per_kg == pytest.approx(fusion_j_per_kg, rel=0.03)


def test_melting_plateau_is_as_wide_as_the_latent_heat() -> None:
    """At the melting point the table holds its temperature over the latent heat, within a grid spacing."""
    copper = resolve("copper")
    table = thermal_table(copper, heating=True)
    melting = (table.molten_ratio > 0.0) & (table.molten_ratio < 1.0)
    assert np.all(table.temperature_k[melting] == copper.melting_temperature_k)
    width = (np.count_nonzero(melting) + 1) * table.spacing_j_per_kg
    assert width == pytest.approx(copper.latent_heat_j_per_kg, abs=2.0 * table.spacing_j_per_kg)


def test_resistivity_goes_linearly_through_melting() -> None:
    """Half molten copper has the mean resistivity of its solid and liquid, 10.17 and 21.1e-8 ohm m at melting.

    Solid: Matula 1979 (read); liquid: Iida and Guthrie 1988 (memory, medium).
    """
    copper = resolve("copper")
    table = thermal_table(copper, heating=True)
    assert copper.melting_temperature_k is not None
    assert copper.latent_heat_j_per_kg is not None
    half = enthalpy_at(copper, copper.melting_temperature_k) + 0.5 * copper.latent_heat_j_per_kg
    molten = look_up(half, table.start_j_per_kg, table.spacing_j_per_kg, table.molten_ratio)
    resistivity = look_up(half, table.start_j_per_kg, table.spacing_j_per_kg, table.resistivity_ohm_m)
    assert molten == pytest.approx(0.5, abs=1e-3)
    assert resistivity == pytest.approx(0.5 * (10.17e-8 + 21.1e-8), rel=0.01)


# Action


def test_copper_action_to_melting_is_the_published_one() -> None:
    """From 20 C to the onset of melting copper takes 9.106e16 A2 s/m4, within 2 %.

    Evaluated elsewhere from Matula 1979 and NIST-JANAF with the cold cross-section and 8960 kg/m3.
    """
    assert specific_action(resolve("copper"), 293.15, 1357.77) == pytest.approx(9.106e16, rel=0.02)


def test_classical_fusing_formula_is_low_by_its_linear_resistivity() -> None:
    """The linear-resistivity fusing formula for copper lies 6 to 10 % below the table-driven action.

    33 (I/A)^2 t = log10((1083 - Ta)/(234 + Ta) + 1), A in circular mil (Onderdonk; from memory, high).
    """
    circular_mil = math.pi / 4.0 * 25.4e-6**2
    classical = math.log10((1083.0 - 20.0) / (234.0 + 20.0) + 1.0) / 33.0 / circular_mil**2
    assert classical == pytest.approx(8.435810e16, rel=1e-6)
    assert 0.90 < classical / specific_action(resolve("copper"), 293.15, 1357.77) < 0.94


def test_melting_adds_the_published_action() -> None:
    """Melting copper takes a further 1.24e16 A2 s/m4 (206.6 kJ/kg, 10.17 to 21.1e-8 ohm m, evaluated elsewhere)."""
    assert melting_action(resolve("copper")) == pytest.approx(1.236e16, rel=0.02)


def test_action_to_molten_copper_is_below_the_action_to_burst() -> None:
    """Copper has melted before half of the action at which wires explode, 2.1e17 A2 s/m4 (Diab et al. 2025, read)."""
    copper = resolve("copper")
    assert 0.4 < (specific_action(copper, 293.15, 1357.77) + melting_action(copper)) / 2.1e17 < 0.55


def test_pure_aluminium_action_to_melting() -> None:
    """The aluminium tables behind the alloys give pure aluminium 3.154e16 A2 s/m4 to melting, within 4 %.

    Evaluated elsewhere from CRC resistivity (above 300 K memory, high), NIST-JANAF and 2700 kg/m3; the residual
    of the alloy is taken off here.
    """
    alloy = resolve("aluminium_6061_t6")
    residual = float(alloy.resistivity.at(293.15)) - 2.650e-8
    pure = Metal(
        name="aluminium",
        resistivity=TemperatureTable(alloy.resistivity.temperature_k, alloy.resistivity.value - residual),
        specific_heat=alloy.specific_heat,
        limit_temperature_k=933.47,
        density_kg_per_m3=2700.0,
    )
    assert specific_action(pure, 293.15, 933.47) == pytest.approx(3.154e16, rel=0.04)


def test_stepping_through_the_table_gives_the_same_action() -> None:
    """Heating at constant current density through the table reaches melting at the integrated action."""
    copper = resolve("copper")
    assert copper.density_kg_per_m3 is not None
    table = thermal_table(copper, heating=True)
    end = enthalpy_at(copper, 1357.0)
    enthalpy, action, step = 0.0, 0.0, 2e13
    while enthalpy < end:
        resistivity = look_up(enthalpy, table.start_j_per_kg, table.spacing_j_per_kg, table.resistivity_ohm_m)
        enthalpy += step * resistivity / copper.density_kg_per_m3
        action += step
    assert action == pytest.approx(specific_action(copper, 293.15, 1357.0), rel=2e-3)


# Tables


@pytest.mark.parametrize("name", NAMES)
def test_tables_rise_everywhere(name: str) -> None:
    """Temperature, resistivity and molten share never fall with heat, and all are finite and positive."""
    table = thermal_table(resolve(name), heating=True)
    for column in (table.temperature_k, table.resistivity_ohm_m, table.molten_ratio):
        assert np.all(np.isfinite(column))
        assert np.all(np.diff(column) >= -1e-12 * abs(column[0]))
        assert column.flags.c_contiguous
        assert column.dtype == np.float64
    assert table.temperature_k[0] == pytest.approx(77.0)
    assert table.molten_ratio[0] == 0.0
    assert table.molten_ratio[-1] == 1.0
    assert np.all(table.resistivity_ohm_m > 0.0)


@pytest.mark.parametrize("name", NAMES)
def test_tables_start_from_room_temperature(name: str) -> None:
    """No heat added means 293.15 K and the resistivity at room temperature."""
    metal = resolve(name)
    table = thermal_table(metal, heating=True)
    assert temperature_after(metal, 0.0) == pytest.approx(293.15, abs=1e-6)
    resistivity = look_up(0.0, table.start_j_per_kg, table.spacing_j_per_kg, table.resistivity_ohm_m)
    assert resistivity == pytest.approx(float(metal.resistivity.at(293.15)), rel=1e-9)


@pytest.mark.parametrize("name", NAMES)
def test_tables_reach_the_stated_limit(name: str) -> None:
    """The last grid point lies at the metal's limit, less than two spacings' worth of kelvin short of it."""
    metal = resolve(name)
    table = thermal_table(metal, heating=True)
    last, before = table.temperature_k[-1], table.temperature_k[-2]
    assert metal.limit_temperature_k - 2.0 * (last - before) < last <= metal.limit_temperature_k + 1e-6
    assert table.limit_j_per_kg == pytest.approx(table.enthalpy_j_per_kg[-1])


def test_without_heating_nothing_changes() -> None:
    """Without heating the table gives 293.15 K and the cold resistivity for any heat, conductivity alone sufficing."""
    table = thermal_table(resolve(Material(conductivity_s_per_m=5.8e7)), heating=False)
    for heat in (-1e6, 0.0, 1e3, 1e9):
        assert look_up(heat, table.start_j_per_kg, table.spacing_j_per_kg, table.temperature_k) == 293.15
        found = look_up(heat, table.start_j_per_kg, table.spacing_j_per_kg, table.resistivity_ohm_m)
        assert found == pytest.approx(1.0 / 5.8e7, rel=1e-12)


def test_look_up_holds_the_ends_and_keeps_nan() -> None:
    """Outside the grid the end values hold; a diverged enthalpy stays NaN and is never used as an index."""
    table = np.array([1.0, 3.0, 4.0])
    assert [look_up(x, 0.0, 2.0, table) for x in (-9.0, 0.0, 1.0, 3.0, 4.0, 1e300)] == [1.0, 1.0, 2.0, 3.5, 4.0, 4.0]
    assert math.isnan(look_up(math.nan, 0.0, 2.0, table))


# Materials of one's own


INLINE = Material(
    conductivity_s_per_m=5.8e7,
    resistivity_coefficient_per_k=0.00393,
    density_kg_per_m3=8960.0,
    specific_heat_j_per_kg_k=385.0,
    melting_temperature_k=1358.0,
    youngs_modulus_pa=1.2e11,
    poisson_ratio=0.34,
    flow_stress=FlowStress(a_pa=9.0e7, b_pa=2.92e8, n_ratio=0.31, c_ratio=0.025, m_ratio=1.09),
    rupture_strain_ratio=0.4,
)


def test_inline_material_heats_by_the_closed_form() -> None:
    """With linear resistivity and constant specific heat, rho = rho0 exp(alpha rho0 g / (density cp)) for action g."""
    metal = resolve(INLINE)
    end = 900.0
    rise = 1.0 + 0.00393 * (end - 293.15)
    closed = 8960.0 * 385.0 * 5.8e7 / 0.00393 * math.log(rise)
    assert specific_action(metal, 293.15, end) == pytest.approx(closed, rel=1e-6)


def test_inline_material_is_linear_in_heat() -> None:
    """Temperature is 293.15 K plus heat over specific heat, and resistivity is linear in temperature."""
    table = thermal_table(resolve(INLINE), heating=True)
    assert table.temperature_k == pytest.approx(293.15 + table.enthalpy_j_per_kg / 385.0, abs=1e-6)
    assert table.resistivity_ohm_m == pytest.approx((1.0 + 0.00393 * (table.temperature_k - 293.15)) / 5.8e7, rel=1e-9)
    assert table.molten_ratio.max() == 0.0


def test_inline_material_ends_where_its_data_end() -> None:
    """The table ends at the melting point without a latent heat, beyond it with one, else at the documented limit."""
    melting = thermal_table(resolve(INLINE), heating=True)
    assert 1350.0 < melting.temperature_k[-1] <= 1358.0
    molten = thermal_table(resolve(INLINE.model_copy(update={"latent_heat_j_per_kg": 2.05e5})), heating=True)
    assert molten.molten_ratio[-1] == 1.0
    assert molten.temperature_k[-1] > 1900.0
    unknown = thermal_table(resolve(INLINE.model_copy(update={"melting_temperature_k": None})), heating=True)
    assert INLINE_LIMIT_TEMPERATURE_K - 10.0 < unknown.temperature_k[-1] <= INLINE_LIMIT_TEMPERATURE_K


def test_missing_properties_are_named_for_what_the_run_needs() -> None:
    """A material that only conducts lacks nothing for a fixed cold run, and everything else for a moving one."""
    bare = resolve(Material(conductivity_s_per_m=5.8e7))
    assert bare.missing_for(motion=False, heating=False) == []
    assert bare.missing_for(motion=False, heating=True) == ["density_kg_per_m3", "specific_heat_j_per_kg_k"]
    assert set(bare.missing_for(motion=True, heating=False)) == {
        "density_kg_per_m3",
        "specific_heat_j_per_kg_k",
        "melting_temperature_k",
        "youngs_modulus_pa",
        "poisson_ratio",
        "flow_stress",
    }
    assert resolve(INLINE).missing_for(motion=True, heating=True) == []


def test_heating_without_specific_heat_is_refused() -> None:
    """A heated table of a material without specific heat is an error that names the field."""
    with pytest.raises(ValueError, match="specific_heat_j_per_kg_k"):
        thermal_table(resolve(Material(conductivity_s_per_m=5.8e7)), heating=True)


# Strength


@pytest.mark.parametrize(
    ("name", "constants_mpa"),
    # Johnson and Cook 1983, table of constants: copper read in a transcription, the others from memory, high.
    [
        ("copper", (90, 292, 0.31, 0.025, 1.09, 1356)),
        ("brass_260", (112, 505, 0.42, 0.009, 1.68, 1189)),
        ("aluminium_2024_t351", (265, 426, 0.34, 0.015, 1.0, 775)),
    ],
)
def test_flow_stress_constants_are_the_published_ones(name: str, constants_mpa: tuple[float, ...]) -> None:
    """The flow stress constants are those of the published table."""
    flow = resolve(name).flow_stress
    assert flow is not None
    found = (flow.a_pa / 1e6, flow.b_pa / 1e6, flow.n_ratio, flow.c_ratio, flow.m_ratio, flow.melting_temperature_k)
    assert found == pytest.approx(constants_mpa)


@pytest.mark.parametrize(
    ("name", "yield_mpa", "tensile_mpa"),
    # Annealed C70600 strip: 16 and 44 ksi; 75/25 between it and soft C71500, 20 and 55 ksi (mill's data sheets, read).
    [("cupronickel_90_10", 110.0, 303.0), ("cupronickel_75_25", 131.0, 360.0)],
)
def test_cupronickel_reproduces_its_tensile_test(name: str, yield_mpa: float, tensile_mpa: float) -> None:
    """A slow tensile test on the derived constants peaks at the handbook's tensile strength, near a strain of 0.30."""
    flow = resolve(name).flow_stress
    assert flow is not None
    strain = np.linspace(0.0, 0.6, 601)
    load = (flow.a_pa + flow.b_pa * strain**flow.n_ratio) * np.exp(-strain)
    assert flow.a_pa / 1e6 == pytest.approx(yield_mpa, rel=0.02)
    assert load.max() / 1e6 == pytest.approx(tensile_mpa, rel=0.02)
    assert strain[load.argmax()] == pytest.approx(0.30, abs=0.03)


def test_stronger_metals_are_stronger() -> None:
    """At a strain of 0.3 annealed copper is weaker than cartridge brass, and cupronickel gains with nickel."""

    def slow_stress(name: str) -> float:
        flow = resolve(name).flow_stress
        assert flow is not None
        return float(flow.a_pa + flow.b_pa * 0.3**flow.n_ratio)

    order = ["copper", "cupronickel_90_10", "cupronickel_75_25"]
    assert all(slow_stress(weak) < slow_stress(strong) for weak, strong in pairwise(order))
    assert slow_stress("copper") < slow_stress("brass_260")


@pytest.mark.parametrize(
    ("name", "sound_speed_m_per_s"),
    # Thin-rod sound speed: copper 3810, cartridge brass 3480, aluminium 5000-5150 m/s (CRC Handbook, memory, high).
    [("copper", 3810.0), ("brass_260", 3480.0), ("aluminium_6061_t6", 5050.0), ("aluminium_2024_t351", 5100.0)],
)
def test_stiffness_and_density_give_the_speed_of_sound(name: str, sound_speed_m_per_s: float) -> None:
    """The root of Young's modulus over density is the published speed of sound in a thin rod, within 4 %."""
    metal = resolve(name)
    assert metal.youngs_modulus_pa is not None
    assert metal.density_kg_per_m3 is not None
    speed = math.sqrt(metal.youngs_modulus_pa / metal.density_kg_per_m3)
    assert speed == pytest.approx(sound_speed_m_per_s, rel=0.04)


# Names and sources


def test_unknown_name_is_answered_with_the_known_ones() -> None:
    """An unknown material is refused with the list of known names, in a request and in Python."""
    with pytest.raises(ValidationError, match=r"unobtainium.*copper.*brass_260"):
        TypeAdapter(MaterialName).validate_python("unobtainium")
    with pytest.raises(ValueError, match=r"unobtainium.*copper.*brass_260"):
        resolve("unobtainium")


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("unobtainium", "unknown material"),
        ({"conductivity_s_per_m": 58.0}, "greater than or equal to 1000"),
        (5, "name of a material in the library or an object of constants"),
        (None, "name of a material in the library or an object of constants"),
    ],
)
def test_wrong_material_gets_one_error_about_what_was_meant(value: object, words: str) -> None:
    """A wrong name is answered about the name and a wrong object about its field, never both."""
    with pytest.raises(ValidationError) as caught:
        TypeAdapter(MaterialChoice).validate_python(value)
    (problem,) = caught.value.errors()
    assert words in problem["msg"]


def test_schema_lists_the_names() -> None:
    """The JSON schema of a material name lists the names, so that a client can offer them."""
    assert TypeAdapter(MaterialName).json_schema()["enum"] == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_every_property_has_a_source(name: str) -> None:
    """A named metal is complete, and each of its properties states a citation and how sure it is."""
    entry = library()[name]
    assert entry.metal.missing_for(motion=True, heating=True) == []
    assert entry.metal.rupture_strain_ratio is not None
    assert {"resistivity", "specific_heat", "flow_stress", "density_kg_per_m3", "rupture_strain_ratio"} <= set(
        entry.sources
    )
    for sources in entry.sources.values():
        for source in sources:
            assert source.citation
            assert source.status.startswith(("read", "memory", "derived", "computed"))


def test_named_metals_are_shared_and_cannot_be_changed() -> None:
    """Resolving a name twice gives the same object, and its tables refuse to be written to."""
    copper = resolve("copper")
    assert resolve("copper") is copper
    with pytest.raises(ValueError, match="read-only"):
        copper.resistivity.value[0] = 0.0


def test_data_version_is_a_short_digest() -> None:
    """The version of the material data is 12 hexadecimal digits."""
    assert len(MATERIAL_DATA_VERSION) == 12
    int(MATERIAL_DATA_VERSION, 16)
