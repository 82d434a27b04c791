"""A metal of the library as the service shows it."""

from __future__ import annotations

from pydantic import Field

from physics.constants import AMBIENT_K
from physics.materials import MATERIAL_DATA_VERSION, FlowStress, LibraryMaterial
from physics.schema import Checked

PATH = "/v1/materials"


class MaterialEntry(Checked):
    """A metal in the list."""

    name: str
    description: str
    conductivity_s_per_m: float = Field(description="At 293.15 K.")
    density_kg_per_m3: float | None
    melting_temperature_k: float | None
    link: str


class MaterialList(Checked):
    """The library."""

    items: list[MaterialEntry]
    material_data_version: str


class ResistivityTable(Checked):
    """Of the solid; linear between the points."""

    temperature_k: list[float]
    resistivity_ohm_m: list[float]


class SpecificHeatTable(Checked):
    """Of the solid; linear between the points."""

    temperature_k: list[float]
    specific_heat_j_per_kg_k: list[float]


class MaterialSource(Checked):
    """Where a value comes from, and how sure it is."""

    citation: str
    status: str = Field(description="read, computed, derived or from memory.")


class MaterialDetail(MaterialEntry):
    """Everything a run takes from the library about one metal."""

    resistivity: ResistivityTable
    specific_heat: SpecificHeatTable | None
    latent_heat_j_per_kg: float | None
    limit_temperature_k: float = Field(description="Above it the data end, and so does a run.")
    youngs_modulus_pa: float | None
    poisson_ratio: float | None
    flow_stress: FlowStress | None
    rupture_strain_ratio: float | None
    flow_strain_limit_ratio: float | None = Field(description="Largest strain at which its flow stress was measured.")
    warning: str | None = Field(description="What the model leaves out about this metal.")
    sources: dict[str, list[MaterialSource]] = Field(description="Sources by property.")
    material_data_version: str


def entry_of(material: LibraryMaterial) -> MaterialEntry:
    """A metal's line in the list."""
    return MaterialEntry.model_validate(_brief(material))


def _brief(material: LibraryMaterial) -> dict[str, str | float | None]:
    metal = material.metal
    return {
        "name": material.name,
        "description": material.description,
        "conductivity_s_per_m": 1.0 / float(metal.resistivity.at(AMBIENT_K)),
        "density_kg_per_m3": metal.density_kg_per_m3,
        "melting_temperature_k": metal.melting_temperature_k,
        "link": f"{PATH}/{material.name}",
    }


def detail_of(material: LibraryMaterial) -> MaterialDetail:
    """A metal with its tables and sources."""
    metal = material.metal
    heat = metal.specific_heat
    return MaterialDetail.model_validate(
        _brief(material)
        | {
            "resistivity": ResistivityTable(
                temperature_k=metal.resistivity.temperature_k.tolist(),
                resistivity_ohm_m=metal.resistivity.value.tolist(),
            ),
            "specific_heat": None
            if heat is None
            else SpecificHeatTable(
                temperature_k=heat.temperature_k.tolist(), specific_heat_j_per_kg_k=heat.value.tolist()
            ),
            "latent_heat_j_per_kg": metal.latent_heat_j_per_kg,
            "limit_temperature_k": metal.limit_temperature_k,
            "youngs_modulus_pa": metal.youngs_modulus_pa,
            "poisson_ratio": metal.poisson_ratio,
            "flow_stress": metal.flow_stress,
            "rupture_strain_ratio": metal.rupture_strain_ratio,
            "flow_strain_limit_ratio": metal.flow_strain_limit_ratio,
            "warning": metal.warning,
            "sources": {
                name: [MaterialSource(citation=s.citation, status=s.status) for s in sources]
                for name, sources in material.sources.items()
            },
            "material_data_version": MATERIAL_DATA_VERSION,
        }
    )
