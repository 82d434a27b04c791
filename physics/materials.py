"""Metals: what a request may say about one, the library of named ones, and the resolved data a run uses.

The library's numbers live in ``physics/data``: one JSON file a source, each value with its status
(read, memory, derived), and ``materials.json``, which composes the named metals from them.
A resistivity of an alloy follows its base metal's table: ``rho(T) = rho_293 + s (rho_base(T) - rho_base(293.15 K))``
with ``s`` near 1 (Matthiessen's rule); its specific heat is the base metal's table times a factor. A value
that is drawn from several entries is their mean: an alloy melts half-way from solidus to liquidus, which keeps
the heat to melt it whole but holds its temperature while it melts.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.resources import files
from statistics import fmean
from types import MappingProxyType
from typing import Annotated, Any, Self

import numpy as np
import numpy.typing as npt
from pydantic import AfterValidator, Discriminator, Field, Tag, WithJsonSchema, model_validator

from physics.constants import AMBIENT_K
from physics.schema import Checked

#: The linear law of an inline material is used from here, K; below it resistivity is far from linear.
INLINE_LOWEST_TEMPERATURE_K = 200.0
#: An inline material without a melting temperature is taken as valid up to here, K.
INLINE_LIMIT_TEMPERATURE_K = 2000.0
#: An inline material with a latent heat is taken as liquid up to this multiple of its melting temperature.
INLINE_LIQUID_LIMIT_RATIO = 1.5
#: Liquid over solid resistivity at the melting point where nothing is known; 1.9 to 2.3 for Cu, Ag, Au and Al.
UNKNOWN_LIQUID_RESISTIVITY_RATIO = 2.0

_SHOMATE_STEP_K = 10.0
_DATA = files("physics") / "data"


class FlowStress(Checked):
    """Johnson-Cook flow stress, ``(A + B eps^n)(1 + C ln(rate/rate0))(1 - T*^m)``, ``T* = (T - T0)/(Tm - T0)``."""

    a_pa: float = Field(ge=1e5, le=1e10, description="A, yield at the reference rate and temperature.", examples=[9e7])
    b_pa: float = Field(ge=0.0, le=1e10, description="B, strength of the strain hardening.", examples=[2.92e8])
    n_ratio: float = Field(ge=0.01, le=2.0, description="n, exponent of the strain hardening.", examples=[0.31])
    c_ratio: float = Field(ge=0.0, le=0.5, description="C, sensitivity to the strain rate.", examples=[0.025])
    m_ratio: float = Field(ge=0.1, le=10.0, description="m, exponent of the thermal softening.", examples=[1.09])
    reference_rate_per_s: float = Field(ge=1e-6, le=1e6, default=1.0, description="Strain rate at which A holds.")
    reference_temperature_k: float = Field(
        ge=4.0, le=1000.0, default=293.0, description="Temperature at which A holds; no softening below it."
    )
    melting_temperature_k: float | None = Field(
        ge=300.0, le=4000.0, default=None, description="Tm that m was fitted with; null takes the material's."
    )


class Material(Checked):
    """Constants of your own. What a run does not need may be left out."""

    conductivity_s_per_m: float = Field(ge=1e3, le=1e9, description="Conductivity at 293.15 K.", examples=[5.8e7])
    resistivity_coefficient_per_k: float = Field(
        ge=-1e-4, le=0.01, default=0.0, description="Linear rise of the resistivity about 293.15 K.", examples=[0.00393]
    )
    density_kg_per_m3: float | None = Field(ge=100.0, le=3e4, default=None, description="Density.", examples=[8960.0])
    specific_heat_j_per_kg_k: float | None = Field(
        ge=10.0, le=1e4, default=None, description="Specific heat, taken as constant.", examples=[385.0]
    )
    melting_temperature_k: float | None = Field(
        ge=300.0,
        le=4000.0,
        default=None,
        description="Melting point, or the middle of an alloy's range.",
        examples=[1358.0],
    )
    latent_heat_j_per_kg: float | None = Field(
        ge=1e3, le=1e7, default=None, description="Heat of fusion; null ends the validity at the melting point."
    )
    liquid_resistivity_ratio: float | None = Field(
        ge=0.5, le=5.0, default=None, description="Resistivity of the liquid over the solid's at melting; null: 2."
    )
    boiling_temperature_k: float | None = Field(
        ge=300.0, le=7000.0, default=None, description="End of validity; null: 1.5 times the melting temperature."
    )
    youngs_modulus_pa: float | None = Field(ge=1e8, le=1e12, default=None, description="Young's modulus.")
    poisson_ratio: float | None = Field(ge=0.0, le=0.49, default=None, description="Poisson's ratio.", examples=[0.34])
    flow_stress: FlowStress | None = Field(default=None, description="Johnson-Cook constants.")
    flow_strain_limit_ratio: float | None = Field(
        ge=0.01, le=10.0, default=None, description="Largest strain the flow stress was measured at; null: unknown."
    )
    rupture_strain_ratio: float | None = Field(
        ge=0.001, le=5.0, default=None, description="Hoop strain at which a turn breaks; null: strain never breaks it."
    )
    warning: str | None = Field(
        max_length=400, default=None, description="What a result with this material should say about it."
    )

    @model_validator(mode="after")
    def _boils_above_melting(self) -> Self:
        melting, boiling = self.melting_temperature_k, self.boiling_temperature_k
        if melting is not None and boiling is not None and boiling <= melting:
            raise ValueError("boiling_temperature_k must be above melting_temperature_k")
        return self


@dataclass(frozen=True, eq=False)
class TemperatureTable:
    """A property tabulated over temperature; linear between points, constant beyond the ends."""

    temperature_k: npt.NDArray[np.float64]
    value: npt.NDArray[np.float64]

    def at(self, temperature_k: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Value at each temperature, shape of the argument."""
        wanted = np.asarray(temperature_k, dtype=np.float64)
        return np.asarray(np.interp(wanted, self.temperature_k, self.value), dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Metal:
    """A resolved metal. `resistivity` is in ohm m and `specific_heat` in J/(kg K), both of the solid.

    The data, and so a run, end at `limit_temperature_k`. Beyond `flow_strain_limit_ratio` the flow stress is an
    extrapolation. `warning` is for whoever reads a result.
    """

    name: str
    resistivity: TemperatureTable
    specific_heat: TemperatureTable | None
    limit_temperature_k: float
    density_kg_per_m3: float | None = None
    melting_temperature_k: float | None = None
    latent_heat_j_per_kg: float | None = None
    liquid_specific_heat_j_per_kg_k: float | None = None
    liquid_resistivity_ratio: float | None = None
    liquid_resistivity_slope_ohm_m_per_k: float = 0.0
    youngs_modulus_pa: float | None = None
    poisson_ratio: float | None = None
    flow_stress: FlowStress | None = None
    flow_strain_limit_ratio: float | None = None
    rupture_strain_ratio: float | None = None
    warning: str | None = None

    @property
    def softening_temperature_k(self) -> float | None:
        """Where the flow stress vanishes: the Tm its constants were fitted with, else the melting point."""
        fitted = self.flow_stress.melting_temperature_k if self.flow_stress else None
        return fitted if fitted is not None else self.melting_temperature_k

    @property
    def solid_range_k(self) -> tuple[float, float]:
        """Temperatures between which the data describe the solid."""
        heat = self.specific_heat.temperature_k[0] if self.specific_heat is not None else 0.0
        low = max(float(self.resistivity.temperature_k[0]), float(heat))
        high = self.melting_temperature_k if self.melting_temperature_k is not None else self.limit_temperature_k
        return low, high

    def missing_for(self, *, motion: bool, heating: bool) -> list[str]:
        """Names of the properties that a run with this motion and heating needs and this metal lacks."""
        missing: list[str] = []
        if (motion or heating) and self.density_kg_per_m3 is None:
            missing.append("density_kg_per_m3")
        if (motion or heating) and self.specific_heat is None:
            missing.append("specific_heat_j_per_kg_k")
        if motion:
            names = ("youngs_modulus_pa", "poisson_ratio", "flow_stress")
            missing += [name for name in names if getattr(self, name) is None]
            if self.softening_temperature_k is None:
                missing.append("melting_temperature_k")
        return missing


@dataclass(frozen=True)
class Source:
    """Where a value comes from. `status` says how sure it is: read, memory or derived, with details."""

    citation: str
    status: str


@dataclass(frozen=True)
class LibraryMaterial:
    """A named metal with the sources of each of its properties."""

    name: str
    description: str
    metal: Metal
    sources: Mapping[str, tuple[Source, ...]]


@dataclass(frozen=True)
class _Entry:
    data: Mapping[str, Any]
    source: Source


def _read_json(name: str) -> dict[str, Any]:
    content: dict[str, Any] = json.loads((_DATA / name).read_text(encoding="utf-8"))
    return content


_read_source = cache(_read_json)


def _find_entry(reference: str) -> _Entry:
    """Look up ``file/key`` or ``file/key/key`` in the data files."""
    file_name, *keys = reference.split("/")
    content = _read_source(f"{file_name}.json")
    entry: Mapping[str, Any] = content["values"]
    for key in keys:
        entry = entry[key]
    return _Entry(entry, Source(entry.get("source", content["citation"]), entry["status"]))


def _frozen(values: npt.ArrayLike) -> npt.NDArray[np.float64]:
    array = np.array(values, dtype=np.float64)
    array.setflags(write=False)
    return array


def shomate(coefficients: npt.ArrayLike, temperature_k: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Molar heat capacity ``A + B t + C t^2 + D t^3 + E/t^2`` in J/(mol K) with ``t = T/1000 K`` (NIST-JANAF)."""
    a, b, c, d, e = np.asarray(coefficients, dtype=np.float64)
    t = np.asarray(temperature_k, dtype=np.float64) / 1000.0
    return np.asarray(a + b * t + c * t**2 + d * t**3 + e / t**2, dtype=np.float64)


def _points(data: Mapping[str, Any]) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    if "shomate_j_per_mol_k" in data:
        low, high = data["from_temperature_k"], data["to_temperature_k"]
        temperature = np.linspace(low, high, 1 + round((high - low) / _SHOMATE_STEP_K))
        return temperature, shomate(data["shomate_j_per_mol_k"], temperature) / data["molar_mass_kg_per_mol"]
    (column,) = (name for name in data if name in ("resistivity_ohm_m", "specific_heat_j_per_kg_k"))
    return np.array(data["temperature_k"], dtype=np.float64), np.array(data[column], dtype=np.float64)


def _join(entries: list[_Entry]) -> TemperatureTable:
    """One table from several, in rising order; where two overlap the later one counts."""
    temperature, value = _points(entries[0].data)
    for entry in entries[1:]:
        more_temperature, more_value = _points(entry.data)
        keep = temperature < more_temperature[0]
        temperature = np.concatenate((temperature[keep], more_temperature))
        value = np.concatenate((value[keep], more_value))
    return TemperatureTable(_frozen(temperature), _frozen(value))


def _number(references: str | list[str]) -> float:
    names = [references] if isinstance(references, str) else references
    return fmean(float(_find_entry(name).data["value"]) for name in names)


def _resistivity(recipe: Mapping[str, Any]) -> TemperatureTable:
    base = _join([_find_entry(reference) for reference in recipe["tables"]])
    base_at_room = float(base.at(AMBIENT_K))
    at_room = _number(recipe["at_293_k"]) if "at_293_k" in recipe else base_at_room
    slope = _number(recipe["slope_ratio"]) if "slope_ratio" in recipe else 1.0
    return TemperatureTable(base.temperature_k, _frozen(at_room + slope * (base.value - base_at_room)))


def _specific_heat(recipe: Mapping[str, Any]) -> TemperatureTable:
    base = _join([_find_entry(reference) for reference in recipe["tables"]])
    factor = _number(recipe["at_298_k"]) / float(base.at(298.15)) if "at_298_k" in recipe else 1.0
    return TemperatureTable(base.temperature_k, _frozen(factor * base.value))


def _properties(recipe: Mapping[str, Any]) -> dict[str, Any]:
    """What a recipe says of each property, by the property's name."""
    return {**recipe["values"], **{key: recipe[key] for key in ("resistivity", "specific_heat", "flow_stress")}}


def _references(recipe: Any) -> Iterator[str]:
    if isinstance(recipe, str):
        yield recipe
    else:
        for part in recipe.values() if isinstance(recipe, Mapping) else recipe:
            yield from _references(part)


def _compose(name: str, recipe: Mapping[str, Any]) -> LibraryMaterial:
    metal = Metal(
        name=name,
        resistivity=_resistivity(recipe["resistivity"]),
        specific_heat=_specific_heat(recipe["specific_heat"]),
        flow_stress=FlowStress.model_validate(_find_entry(recipe["flow_stress"]).data["flow_stress"], strict=False),
        warning=recipe.get("warning"),
        **{key: _number(references) for key, references in recipe["values"].items()},
    )
    sources = {
        key: tuple(dict.fromkeys(_find_entry(reference).source for reference in _references(part)))
        for key, part in sorted(_properties(recipe).items())
    }
    return LibraryMaterial(name, recipe["description"], metal, MappingProxyType(sources))


@cache
def library() -> Mapping[str, LibraryMaterial]:
    """The named metals with their sources, in the order of ``materials.json``."""
    recipes = _read_json("materials.json")
    return MappingProxyType({name: _compose(name, recipe) for name, recipe in recipes.items()})


def _digest() -> str:
    """First 12 hexadecimal digits of the SHA-256 over ``materials.json`` and the files it draws on, by name."""
    names = {"materials.json"}
    for recipe in _read_json("materials.json").values():
        names |= {f"{reference.split('/')[0]}.json" for reference in _references(_properties(recipe))}
    digest = hashlib.sha256()
    for name in sorted(names):
        digest.update(name.encode() + b"\0" + (_DATA / name).read_bytes() + b"\0")
    return digest.hexdigest()[:12]


#: Digest of the data that the library is made from; it changes with every change of a number.
MATERIAL_DATA_VERSION = _digest()


def _known(name: str) -> str:
    if name not in library():
        raise ValueError(f"unknown material '{name}'; known: {', '.join(library())}")
    return name


#: Name of a metal in the library.
MaterialName = Annotated[
    str,
    AfterValidator(_known),
    WithJsonSchema({"type": "string", "enum": list(library()), "description": "Name of a metal in the library."}),
]


def _branch(value: Any) -> str | None:
    if isinstance(value, str):
        return "Name"
    return "Inline" if isinstance(value, Material | Mapping) else None


#: Either of the two; an error speaks only of the one that was meant.
MaterialChoice = Annotated[
    Annotated[MaterialName, Tag("Name")] | Annotated[Material, Tag("Inline")],
    Discriminator(
        _branch,
        custom_error_type="material_type",
        custom_error_message="must be the name of a material in the library or an object of constants",
    ),
]


@lru_cache(maxsize=256)
def resolve(material: str | Material) -> Metal:
    """Data of a named or inline material. Raises ValueError for a name that is not in the library."""
    return library()[_known(material)].metal if isinstance(material, str) else _resolve_inline(material)


def _resolve_inline(material: Material) -> Metal:
    ends = _frozen([INLINE_LOWEST_TEMPERATURE_K, material.melting_temperature_k or _inline_limit(material)])
    rise = 1.0 + material.resistivity_coefficient_per_k * (ends - AMBIENT_K)
    heat = material.specific_heat_j_per_kg_k
    return Metal(
        name="inline",
        resistivity=TemperatureTable(ends, _frozen(rise / material.conductivity_s_per_m)),
        specific_heat=None if heat is None else TemperatureTable(ends, _frozen([heat, heat])),
        limit_temperature_k=_inline_limit(material),
        density_kg_per_m3=material.density_kg_per_m3,
        melting_temperature_k=material.melting_temperature_k,
        latent_heat_j_per_kg=material.latent_heat_j_per_kg,
        liquid_specific_heat_j_per_kg_k=heat,
        liquid_resistivity_ratio=material.liquid_resistivity_ratio,
        youngs_modulus_pa=material.youngs_modulus_pa,
        poisson_ratio=material.poisson_ratio,
        flow_stress=material.flow_stress,
        flow_strain_limit_ratio=material.flow_strain_limit_ratio,
        rupture_strain_ratio=material.rupture_strain_ratio,
        warning=material.warning,
    )


def _inline_limit(material: Material) -> float:
    melting, boiling = material.melting_temperature_k, material.boiling_temperature_k
    if melting is None:
        return boiling or INLINE_LIMIT_TEMPERATURE_K
    if material.latent_heat_j_per_kg is None:
        return melting
    return boiling or INLINE_LIQUID_LIMIT_RATIO * melting
