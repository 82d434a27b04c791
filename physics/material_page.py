"""The library of metals as a page: every constant and table with its source and how sure it is."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from physics.materials import FlowStress, LibraryMaterial, Metal, Source, TemperatureTable, library
from physics.schema import unit_of

#: Temperatures of the short tables, K; each metal's melting point ends its own.
_TEMPERATURES_K = (77.0, 100.0, 150.0, 200.0, 293.15, 400.0, 600.0, 800.0, 1000.0, 1200.0, 1400.0, 1600.0)

#: Units that the end of the name does not tell.
_UNITS = {"liquid_resistivity_slope_ohm_m_per_k": "Ohm.m/K", "resistivity": "Ohm.m", "specific_heat": "J/(kg.K)"}

_INTRODUCTION = """\
# Materials

Generated from `physics/data` by `python -m physics materials`; change the data, not this page.

Read means: seen in a public copy, nearly always a transcription of the original. Memory means: from memory, with how
sure (high, medium, low); check it before you rely on it. Derived and computed say from what. Numbers in brackets are
the sources at the end of the page.

What holds for all of them:

- Resistivity and specific heat are of the solid, linear between the points of tables that are finer than the ones
  shown here; at the melting point they go over to the liquid along a plateau as wide as the latent heat.
- An alloy melts at the mean of its solidus and liquidus. The heat it takes to melt is whole, but its temperature stands
  still in between, so near melting it is wrong by up to half the melting range.
- Above the limit the data end, and so does a run. There is no vapour.
- The flow stress is Johnson and Cook's. Beyond the strain limit it is an extrapolation.
- Permeability is that of free space; metals that are magnetic carry a warning.
"""


def material_page() -> str:
    """The page in Markdown: each metal of the library, then the numbered list of sources."""
    numbers = {citation: number for number, citation in enumerate(_citations(), start=1)}
    metals = "\n".join(_section(material, numbers) for material in library().values())
    sources = "\n".join(f"{number}. {citation}" for citation, number in numbers.items())
    return f"{_INTRODUCTION}\n{metals}\n## Sources\n\n{sources}\n"


def _citations() -> list[str]:
    every = (
        source.citation for material in library().values() for group in material.sources.values() for source in group
    )
    return sorted(set(every))


def _section(material: LibraryMaterial, numbers: dict[str, int]) -> str:
    metal = material.metal
    warning = [f"> {metal.warning}", ""] if metal.warning else []
    rows = [_row(name, _shown(metal, name), material.sources[name], numbers) for name in material.sources]
    head = ["| property | value | unit | how sure |", "|---|---|---|---|"]
    return "\n".join(
        [f"## {material.name}", "", material.description + ".", "", *warning, *_table(metal), *head, *rows, ""]
    )


def _row(name: str, value: str, sources: tuple[Source, ...], numbers: dict[str, int]) -> str:
    sure = "; ".join(f"{source.status} [{numbers[source.citation]}]" for source in sources)
    return f"| {name} | {value} | {_UNITS.get(name) or unit_of(name) or ''} | {sure} |"


def _shown(metal: Metal, name: str) -> str:
    value = getattr(metal, name)
    if isinstance(value, TemperatureTable):
        return f"{value.temperature_k.size} points, {value.temperature_k[0]:g} to {value.temperature_k[-1]:g} K"
    return _flow_text(value) if isinstance(value, FlowStress) else f"{value:.6g}"


def _flow_text(flow: FlowStress) -> str:
    stresses = f"A {flow.a_pa / 1e6:g} MPa, B {flow.b_pa / 1e6:g} MPa, n {flow.n_ratio:g}, C {flow.c_ratio:g}"
    melting = "that of the metal" if flow.melting_temperature_k is None else f"{flow.melting_temperature_k:g} K"
    return f"{stresses}, m {flow.m_ratio:g}, Tm {melting}"


def _table(metal: Metal) -> Iterator[str]:
    """Resistivity and specific heat of the solid at a few temperatures and at the melting point."""
    melting = metal.melting_temperature_k or metal.limit_temperature_k
    temperatures = np.array([*(kelvin for kelvin in _TEMPERATURES_K if kelvin < melting), melting])
    yield "| K | " + " | ".join(f"{kelvin:.5g}" for kelvin in temperatures) + " |"
    yield "|---" * (temperatures.size + 1) + "|"
    yield "| 1e-8 Ohm.m | " + " | ".join(f"{value:.4g}" for value in 1e8 * metal.resistivity.at(temperatures)) + " |"
    if metal.specific_heat is not None:
        yield "| J/(kg.K) | " + " | ".join(f"{value:.4g}" for value in metal.specific_heat.at(temperatures)) + " |"
    yield ""
