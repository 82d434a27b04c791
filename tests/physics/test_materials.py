"""The library and inline materials: heat tables, validity, sources, and the page that lists them."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest
from pydantic import TypeAdapter, ValidationError

from physics import material_page as page_module
from physics.material_page import material_page
from physics.materials import (
    INLINE_LIMIT_TEMPERATURE_K,
    INLINE_LOWEST_TEMPERATURE_K,
    MATERIAL_DATA_VERSION,
    FlowStress,
    Material,
    MaterialChoice,
    MaterialName,
    Metal,
    library,
    resolve,
)
from physics.thermal import look_up, thermal_table
from tests.physics.handbook import enthalpy_at, specific_action

NAMES = list(library())
#: What the status of a value may begin with.
STATUS = re.compile(r"read\b|memory, (high|medium|low)\b|(derived|computed): |common practice, no source")


def temperature_after(metal: Metal, heat_j_per_kg: float) -> float:
    table = thermal_table(metal, heating=True)
    return float(look_up(heat_j_per_kg, table.start_j_per_kg, table.spacing_j_per_kg, table.temperature_k[None], 0))


# Heat


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
    molten = look_up(half, table.start_j_per_kg, table.spacing_j_per_kg, table.molten_ratio[None], 0)
    resistivity = look_up(half, table.start_j_per_kg, table.spacing_j_per_kg, table.resistivity_ohm_m[None], 0)
    assert molten == pytest.approx(0.5, abs=1e-3)
    assert resistivity == pytest.approx(0.5 * (10.17e-8 + 21.1e-8), rel=0.01)


def test_stepping_through_the_table_gives_the_same_action() -> None:
    """Heating at constant current density through the table reaches melting at the integrated action."""
    copper = resolve("copper")
    assert copper.density_kg_per_m3 is not None
    table = thermal_table(copper, heating=True)
    end = enthalpy_at(copper, 1357.0)
    enthalpy, action, step = 0.0, 0.0, 2e13
    while enthalpy < end:
        resistivity = look_up(enthalpy, table.start_j_per_kg, table.spacing_j_per_kg, table.resistivity_ohm_m[None], 0)
        enthalpy += step * resistivity / copper.density_kg_per_m3
        action += step
    assert action == pytest.approx(specific_action(copper, 293.15, 1357.0), rel=2e-3)


@pytest.mark.parametrize("name", NAMES)
def test_tables_rise_everywhere(name: str) -> None:
    """Temperature, resistivity and molten share never fall with heat, and all are finite and positive."""
    table = thermal_table(resolve(name), heating=True)
    for column in (table.temperature_k, table.resistivity_ohm_m, table.molten_ratio):
        assert np.all(np.isfinite(column))
        assert np.all(np.diff(column) >= -1e-12 * abs(column[0]))
        assert column.flags.c_contiguous
        assert column.dtype == np.float64
    assert table.temperature_k[0] <= 77.0 < table.temperature_k[1]
    assert table.molten_ratio[0] == 0.0
    assert table.molten_ratio[-1] == 1.0
    assert np.all(table.resistivity_ohm_m > 0.0)


@pytest.mark.parametrize("name", NAMES)
def test_tables_start_from_room_temperature(name: str) -> None:
    """No heat added means 293.15 K and the resistivity at room temperature."""
    metal = resolve(name)
    table = thermal_table(metal, heating=True)
    assert temperature_after(metal, 0.0) == pytest.approx(293.15, abs=1e-6)
    resistivity = look_up(0.0, table.start_j_per_kg, table.spacing_j_per_kg, table.resistivity_ohm_m[None], 0)
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
        assert look_up(heat, table.start_j_per_kg, table.spacing_j_per_kg, table.temperature_k[None], 0) == 293.15
        found = look_up(heat, table.start_j_per_kg, table.spacing_j_per_kg, table.resistivity_ohm_m[None], 0)
        assert found == pytest.approx(1.0 / 5.8e7, rel=1e-12)


def test_look_up_holds_the_ends_and_keeps_nan() -> None:
    """Outside the grid the end values hold; a diverged enthalpy stays NaN and is never used as an index."""
    table = np.array([1.0, 3.0, 4.0])
    assert [look_up(x, 0.0, 2.0, table[None], 0) for x in (-9.0, 0.0, 1.0, 3.0, 4.0, 1e300)] == [
        1.0,
        1.0,
        2.0,
        3.5,
        4.0,
        4.0,
    ]
    assert math.isnan(look_up(math.nan, 0.0, 2.0, table[None], 0))


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
    """Temperature is 293.15 K plus heat over specific heat, and resistivity is linear in temperature down to 200 K."""
    table = thermal_table(resolve(INLINE), heating=True)
    assert table.temperature_k == pytest.approx(293.15 + table.enthalpy_j_per_kg / 385.0, abs=1e-6)
    within = np.maximum(table.temperature_k, INLINE_LOWEST_TEMPERATURE_K)
    assert table.resistivity_ohm_m == pytest.approx((1.0 + 0.00393 * (within - 293.15)) / 5.8e7, rel=1e-9)
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


def test_inline_material_may_say_what_its_liquid_does() -> None:
    """A liquid's resistivity and a boiling point of one's own set the jump at melting and the end of the table."""
    liquid = {"latent_heat_j_per_kg": 2.05e5, "liquid_resistivity_ratio": 3.0, "boiling_temperature_k": 2500.0}
    metal = resolve(INLINE.model_copy(update=liquid))
    table = thermal_table(metal, heating=True)
    molten = table.molten_ratio == 1.0
    assert table.resistivity_ohm_m[molten][0] == pytest.approx(3.0 * float(metal.resistivity.at(1358.0)), rel=1e-9)
    assert 2490.0 < table.temperature_k[-1] <= 2500.0


def test_boiling_point_ends_the_validity_of_a_metal_that_never_melts() -> None:
    """Without a melting point the data end at the boiling point; below a melting point it is refused."""
    metal = resolve(INLINE.model_copy(update={"melting_temperature_k": None, "boiling_temperature_k": 900.0}))
    assert metal.limit_temperature_k == 900.0
    assert thermal_table(metal, heating=True).temperature_k[-1] <= 900.0
    with pytest.raises(ValidationError, match="must be above melting_temperature_k"):
        Material(conductivity_s_per_m=5.8e7, melting_temperature_k=1358.0, boiling_temperature_k=1000.0)


def test_inline_material_keeps_its_strain_limit_and_warning() -> None:
    """The strain limit and the warning of an inline material arrive in the resolved metal."""
    metal = resolve(INLINE.model_copy(update={"flow_strain_limit_ratio": 0.4, "warning": "Batch 7 only."}))
    assert (metal.flow_strain_limit_ratio, metal.warning) == (0.4, "Batch 7 only.")
    assert (resolve(INLINE).flow_strain_limit_ratio, resolve(INLINE).warning) == (None, None)


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


def test_library_has_the_metals_of_the_trade() -> None:
    """At least 16 metals are named, those that the trade uses among them."""
    assert len(NAMES) >= 16
    assert {"copper", "copper_half_hard", "cupronickel_75_25", "cupronickel_90_10", "brass_260", "nickel"} <= set(NAMES)
    assert {"aluminium_1050_o", "aluminium_6061_t6", "aluminium_2024_t351", "silver", "gold", "zinc"} <= set(NAMES)
    assert {"steel_1006", "stainless_304", "titanium_6al_4v"} <= set(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_every_property_has_a_source(name: str) -> None:
    """A named metal is complete, and each of its properties states a citation and how sure it is."""
    entry = library()[name]
    assert entry.metal.missing_for(motion=True, heating=True) == []
    for value in ("rupture_strain_ratio", "flow_strain_limit_ratio", "latent_heat_j_per_kg"):
        assert getattr(entry.metal, value) is not None
    for value in ("liquid_resistivity_ratio", "liquid_specific_heat_j_per_kg_k", "melting_temperature_k"):
        assert value in entry.sources
    for sources in entry.sources.values():
        assert sources
        for source in sources:
            assert source.citation
            assert STATUS.match(source.status), source.status


@pytest.mark.parametrize("name", NAMES)
def test_tables_cover_the_solid(name: str) -> None:
    """Both tables of a named metal begin at 77 K or below and go, unextended, to within 2 % of its melting point."""
    metal = resolve(name)
    assert metal.specific_heat is not None
    assert metal.melting_temperature_k is not None
    alloy_of_copper = name.startswith(("cupronickel", "brass"))
    for table in (metal.resistivity, metal.specific_heat):
        assert table.temperature_k[0] <= 77.0
        assert np.all(np.diff(table.temperature_k) > 0.0)
        assert np.all(table.value > 0.0)
        # Cupronickel melts above the copper whose table it borrows; the last value holds up to there.
        assert alloy_of_copper or table.temperature_k[-1] >= 0.98 * metal.melting_temperature_k
    assert metal.limit_temperature_k > metal.melting_temperature_k


def test_magnetic_metals_warn_that_their_permeability_is_not_modelled() -> None:
    """Nickel, iron and mild steel carry a warning about their magnetism; copper and aluminium carry none."""
    for name in ("nickel", "iron_armco", "steel_1006"):
        assert re.search(r"Ferromagnetic.*not modelled.*saturates", resolve(name).warning or "")
    assert all(resolve(name).warning is None for name in NAMES if name.startswith(("copper", "aluminium")))


@pytest.mark.parametrize("name", NAMES)
def test_data_stay_inside_what_an_inline_material_may_say(name: str) -> None:
    """Each named metal's constants pass the ranges that an inline material is checked against."""
    metal = resolve(name)
    shared = set(Material.model_fields) & set(vars(metal)) - {"specific_heat"}
    constants = {field: getattr(metal, field) for field in shared}
    inline = Material(conductivity_s_per_m=1.0 / float(metal.resistivity.at(293.15)), **constants)
    assert resolve(inline).flow_stress == metal.flow_stress


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


# The page


def test_page_in_the_repository_is_the_generated_one() -> None:
    """``physics/MATERIALS.md`` is what the data give; renew it with ``python -m physics materials``."""
    written = Path(page_module.__file__).with_name("MATERIALS.md").read_text(encoding="utf-8")
    assert written == material_page(), "run: python -m physics materials > physics/MATERIALS.md"


@pytest.mark.parametrize("name", NAMES)
def test_page_lists_each_metal_with_its_values(name: str) -> None:
    """A metal's section has its description, warning, every property with its status, and numbered sources."""
    entry = library()[name]
    section = material_page().split(f"## {name}\n")[1].split("\n## ")[0]
    assert entry.description in section
    assert entry.metal.warning is None or entry.metal.warning in section
    for field, sources in entry.sources.items():
        (row,) = (line for line in section.splitlines() if line.startswith(f"| {field} |"))
        assert all(source.status in row for source in sources)
        assert re.search(r"\[\d+\]", row)


def test_page_numbers_every_source_once() -> None:
    """The list of sources at the end holds each citation once, and no number in the page points past it."""
    body, sources = material_page().split("## Sources\n")
    lines = sources.strip().splitlines()
    citations = {s.citation for entry in library().values() for group in entry.sources.values() for s in group}
    assert {line.split(". ", 1)[1] for line in lines} == citations
    assert {int(number) for number in re.findall(r"\[(\d+)\]", body)} == set(range(1, len(lines) + 1))
