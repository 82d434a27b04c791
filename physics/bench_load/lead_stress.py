"""How hot the leads get and how hard they push each other apart."""

from __future__ import annotations

from functools import lru_cache
from math import pi, sqrt

import numpy as np
import numpy.typing as npt
from scipy.integrate import cumulative_trapezoid

from physics.constants import AMBIENT_K, MU_0
from physics.equipment import LeadConductors
from physics.estimates import skin_depth
from physics.facts import Facts
from physics.materials import Metal, resolve
from physics.result import Estimate

Floats = npt.NDArray[np.float64]


@lru_cache(maxsize=16)
def _action_of_temperature(metal: Metal) -> tuple[Floats, Floats]:
    """Temperatures (K) of the solid and the action over section squared (A^2 s / m^4) that heats it there."""
    _, high = metal.solid_range_k
    temperature = np.linspace(AMBIENT_K, high, 400)
    if metal.specific_heat is None or metal.density_kg_per_m3 is None:
        raise ValueError(f"{metal.name} lacks specific heat or density")
    heat = metal.density_kg_per_m3 * np.asarray(metal.specific_heat.at(temperature))
    return temperature, cumulative_trapezoid(
        heat / np.asarray(metal.resistivity.at(temperature)), temperature, initial=0.0
    )


def temperature_after_k(metal: Metal, action_a2_s: float, section_m2: float) -> float | None:
    """Temperature (K) of a conductor after an action, from 293 K, nothing given off; None if it melts."""
    temperature, action = _action_of_temperature(metal)
    wanted = action_a2_s / section_m2**2
    return None if wanted >= action[-1] else float(np.interp(wanted, action, temperature))


def force_n_per_m(conductors: LeadConductors, current_a: float) -> float:
    """Force (N) on each metre of two conductors that carry a current (A) there and back, in a thin skin.

    Round wires: mu0 I^2 / 2 pi sqrt(s^2 - D^2), exact for perfect conductors (the change with the distance of their
    inductance arcosh(s / D)). Strips: mu0 I^2 / 2 w, that of wide plates, which no pair exceeds.
    """
    if conductors.width_m is not None:
        return 0.5 * MU_0 * current_a**2 / conductors.width_m
    diameter = sqrt(4.0 * conductors.section_m2 / pi)
    return MU_0 * current_a**2 / (2.0 * pi * sqrt(conductors.spacing_m**2 - diameter**2))


def heated_section_m2(conductors: LeadConductors, skin_m: float) -> float:
    """Section (m2) that a uniform current would heat as the pulse heats the surface.

    In a skin the surface has root two of the mean over one skin depth; strips carry it on their inner faces.
    """
    if conductors.width_m is not None:
        skin = conductors.width_m * skin_m
    else:
        skin = sqrt(4.0 * pi * conductors.section_m2) * skin_m
    return min(conductors.section_m2, skin / sqrt(2.0))


def estimates(facts: Facts) -> list[Estimate]:
    """If the conductors are stated."""
    conductors, run = facts.shot.equipment.lead_conductors, facts.run
    if conductors is None or run is None:
        return []
    metal = resolve(conductors.material)
    skin = skin_depth(metal, AMBIENT_K, 0.5 * pi / run.summary.time_to_peak_s)
    hot = temperature_after_k(metal, run.summary.action_a2_s, heated_section_m2(conductors, skin))
    force = force_n_per_m(conductors, run.summary.peak_current_a)
    return [
        Estimate(
            name="lead_temperature",
            unit="K",
            value=metal.solid_range_k[1] if hot is None else hot,
            statement=f"the surface of the leads is {hot - AMBIENT_K:.2g} K warmer after the shot"
            if hot is not None
            else "the leads melt in this shot: take more section",
            equation="integral of rho c / resistivity over temperature = action / section^2",
            source="first law with the metal's own tables",
            validity="straight conductors; joints are hotter",
            errs="high: in thick conductors the surface counts, one skin deep, and no heat leaves it",
        ),
        Estimate(
            name="lead_force",
            unit="N/m",
            value=force,
            statement=f"pushes the conductors apart like {force / 9.81:.2g} kg on each metre at peak; clamp them",
            equation="mu0 I^2 / 2 pi sqrt(s^2 - D^2) (wires), mu0 I^2 / 2 w (strips)",
            source="Ampere's law, textbook",
            validity="straight runs; corners and ends have more",
            errs="high: current in a thin skin, strips as wide plates; a short pulse loads a clamp less",
        ),
    ]
