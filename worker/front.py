"""The outcome of a search: the trade-off front, the candidate to build first, or what stands in the way.

A candidate is on the front when no other needs no more stored energy, no more charge voltage, and leaves no less
margin, while being better in one of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

import numpy as np

from physics.result import Rating
from worker.ratings import WORDS
from worker.records import Candidate, Confirmation, Limiting, Miss, Objectives, Recommendation
from worker.request import DesignRequest
from worker.words import capacitance, current, energy, length, voltage

_Item = TypeVar("_Item")

#: Candidates within this share of the least stored energy count as equally sparing; the one of most margin wins.
SPARING_RATIO = 0.10
#: A chance to land within the tolerance counts as good as another that is this much better.
CHANCE_LEEWAY = 0.05
#: A trim of the voltage smaller than this is not worth a word, relative.
LEAST_TRIM = 5e-4


def pareto_front(candidates: Sequence[Candidate]) -> list[Candidate]:
    """The feasible candidates that no other one dominates, least stored energy first; of equal ones the first."""
    feasible = sorted((c for c in candidates if c.feasible and c.objectives), key=_front_order)
    if not feasible:
        return []
    values = np.array([_costs(c) for c in feasible])
    kept: list[int] = []
    for place, row in enumerate(values):
        # sorted: only an earlier one can dominate, and one that is equal in all three is a repetition
        if not np.any(np.all(values[kept] <= row, axis=1)):
            kept.append(place)
    return [feasible[place] for place in kept]


def _costs(candidate: Candidate) -> tuple[float, float, float]:
    found = _objectives(candidate)
    return found.stored_energy_j, found.charge_voltage_v, -found.margin_ratio


def _front_order(candidate: Candidate) -> tuple[float, ...]:
    return (*_costs(candidate), candidate.number)


def _objectives(candidate: Candidate) -> Objectives:
    assert candidate.objectives is not None
    return candidate.objectives


def best_fidelity(candidates: Sequence[Candidate]) -> list[Candidate]:
    """The settled candidates if there are any, else all: figures of two meshes are not compared."""
    settled = [c for c in candidates if c.fidelity != "screen"]
    return settled or list(candidates)


def evenly(items: Sequence[_Item], count: int) -> list[_Item]:
    """At most `count` (two at least) of the items, evenly from the first to the last."""
    if len(items) <= count:
        return list(items)
    return [items[round(place * (len(items) - 1) / (count - 1))] for place in range(count)]


def spread_over(front: Sequence[Candidate], count: int) -> list[Candidate]:
    """At most `count` points of a front, spread over it: the ends first, then always what lies furthest from the rest.

    The one that would be recommended by its margin comes first of all.
    """
    chosen = choose(front)
    if not front:
        return []
    values = np.array([_costs(c) for c in front])
    scaled = (values - values.min(axis=0)) / np.maximum(np.ptp(values, axis=0), 1e-12)
    places = [front.index(chosen)] if chosen else []
    places += [int(place) for place in np.argmin(values, axis=0)]
    places = list(dict.fromkeys(places))[:count]
    while len(places) < min(count, len(front)):
        distance = np.min([((scaled - scaled[place]) ** 2).sum(axis=1) for place in places], axis=0)
        distance[places] = -1.0
        places.append(int(np.argmax(distance)))
    return [front[place] for place in places]


def choose(front: Sequence[Candidate]) -> Candidate | None:
    """The settled candidate to build first.

    Stored energy is what hurts people, wears the bank and becomes debris, so it comes first: only candidates within
    10 % of the least stored energy are looked at. Of those, the ones whose chance to land within the tolerance is not
    clearly below the best chance among them (by 0.05, or twice its standard error) stay, and the one of most margin
    wins. Without robustness figures every chance counts the same.
    """
    settled = [c for c in front if c.fidelity != "screen"]
    if not settled:
        return None
    least = min(_objectives(c).stored_energy_j for c in settled)
    sparing = [c for c in settled if _objectives(c).stored_energy_j <= (1.0 + SPARING_RATIO) * least]
    best = max(map(_chance, sparing))
    likely = [c for c in sparing if _chance(c) >= best - max(CHANCE_LEEWAY, 2.0 * _chance_error(c))]
    return min(likely, key=lambda c: (-_objectives(c).margin_ratio, *_front_order(c)))


def _chance(candidate: Candidate) -> float:
    return candidate.robustness.chance_ratio if candidate.robustness else 0.0


def _chance_error(candidate: Candidate) -> float:
    return candidate.robustness.chance_error_ratio if candidate.robustness else 0.0


def recommend(request: DesignRequest, front: Sequence[Candidate]) -> Recommendation | None:
    """The chosen candidate with its reason in plain words."""
    chosen = choose(front)
    if chosen is None:
        return None
    least = min(_objectives(c).stored_energy_j for c in front)
    parts = [
        f"{describe(chosen)}.",
        _why(chosen, least),
        _margins(request, chosen),
        _confirmed(request, chosen.confirmation),
        _robust(request, chosen),
    ]
    return Recommendation(
        candidate=chosen, reason=" ".join(part for part in parts if part), confirmation=chosen.confirmation
    )


def describe(candidate: Candidate) -> str:
    """Coil, bank and voltage in one line."""
    p = candidate.parameters
    text = f"{p.turns_count} turns of {p.wire} ({length(p.wire_diameter_m)}), gap {length(p.gap_m)}, "
    text += capacitance(p.capacitance_farad)
    return text if candidate.charge_voltage_v is None else f"{text} at {voltage(candidate.charge_voltage_v)}"


def _why(chosen: Candidate, least: float) -> str:
    found = _objectives(chosen)
    more = found.stored_energy_j / least - 1.0
    needs = (
        "It needs the least stored energy" if more < 5e-4 else f"It needs {more:.1%} more than the least stored energy"
    )
    likely = " among those most likely to land within the tolerance" if chosen.robustness else ""
    return f"{needs} of all candidates ({energy(least)}), and within 10 % of that it keeps the most margin{likely}."


def _margins(request: DesignRequest, chosen: Candidate) -> str:
    """How far below each limit, by the finest mesh when it was run."""
    limits, found = request.limits, _objectives(chosen)
    if chosen.confirmation and chosen.confirmation.ratings:
        return f"It stays {', '.join(map(_rated, chosen.confirmation.ratings))}."
    parts = [
        _margin("voltage", found.charge_voltage_v, limits.charge_voltage_v, voltage),
        _margin("energy", found.stored_energy_j, limits.stored_energy_j, energy),
    ]
    if limits.peak_current_a is not None and chosen.peak_current_a is not None:
        parts.append(_margin("current", chosen.peak_current_a, limits.peak_current_a, current))
    return f"It stays {', '.join(parts)}."


def _margin(name: str, value: float, limit: float, spell: Callable[[float], str]) -> str:
    return f"{1 - value / limit:.0%} below the {name} limit ({spell(limit)})"


def _rated(rating: Rating) -> str:
    name, spell = WORDS[rating.name]
    if rating.name.endswith("_margin_ratio"):
        return f"at {spell(rating.value)} of margin in the {name} ({spell(rating.limit)} asked for)"
    return f"{rating.margin_ratio:.0%} below the {name} limit ({spell(rating.limit)})"


def _confirmed(request: DesignRequest, confirmation: Confirmation | None) -> str:
    if confirmation is None:
        return ""
    change = confirmation.difference_m * 1e3
    text = f"The finest mesh gives {length(confirmation.final_outer_diameter_m)}, {change:+.2f} mm from this: "
    if confirmation.within_tolerance:
        return text + "inside the tolerance as well."
    tolerance = length(request.target.tolerance_m)
    return text + f"the numerical error is larger than the tolerance of {tolerance}, so a trial shot has to decide."


def _robust(request: DesignRequest, chosen: Candidate) -> str:
    found = chosen.robustness
    if found is None:
        return ""
    text = f"With the stated spreads it lands within {length(request.target.tolerance_m)} of the target in "
    text += f"{found.chance_ratio:.0%} of shots"
    if found.ranking:
        first = found.ranking[0]
        text += f"; what matters most is the {SPREAD_WORDS[first.spread]} ({first.total_ratio:.0%} of the variance)"
    if abs(found.voltage_trim_ratio) >= LEAST_TRIM:
        text += f"; {found.voltage_trim_ratio:+.2%} of voltage would centre it ({found.trimmed_chance_ratio:.0%})"
    return text + "."


SPREAD_WORDS = {
    "charge_voltage_ratio": "charge voltage",
    "capacitance_ratio": "capacitance",
    "stray_inductance_ratio": "stray inductance",
    "stray_resistance_ratio": "stray resistance",
    "gap_m": "gap",
    "wire_diameter_ratio": "wire diameter",
    "thickness_m": "thickness of the part",
    "flow_stress_ratio": "flow stress of the part",
    "resistivity_ratio": "resistivity of the part",
}


def explain_none(request: DesignRequest, misses: Sequence[Miss], nearest: Candidate | None) -> Limiting:
    """What limits a search that found nothing, and what would have to give."""
    return Limiting(misses=list(misses), nearest=nearest, advice=_advice(request, misses, nearest))


def _advice(request: DesignRequest, misses: Sequence[Miss], nearest: Candidate | None) -> str:
    if nearest is None or nearest.reason is None:
        return "No trial was finished, so nothing can be said about what limits this design."
    total = sum(miss.trials_count for miss in misses)
    first = misses[0]
    text = f"None of {total} trials reaches the target inside the limits; {first.trials_count} were stopped by "
    text += f"{_REASON_WORDS[first.reason]}. Closest: {describe(nearest)}: {nearest.explanation}. "
    return text + _what_gives(request, nearest)


_REASON_WORDS = {
    "voltage_limit": "the voltage limit",
    "energy_limit": "the energy limit",
    "current_limit": "the current limit",
    "capacitor_current_limit": "the current limit of the capacitors",
    "charge_limit": "the limit on charge",
    "reversal_limit": "the limit on voltage reversal",
    "action_limit": "the limit on the action integral",
    "current_rise_limit": "the limit on the rise of the current",
    "life_limit": "the life asked of the capacitors",
    "leads_limit": "the limits of the leads",
    "charger_limit": "the time allowed for charging",
    "bleed_limit": "the time allowed for bleeding down",
    "room_limit": "what is allowed to people in the room",
    "barrier_limit": "the barrier or box round the coil",
    "debris_limit": "the containment's limit on debris energy",
    "insulation_limit": "the margin asked of the insulation",
    "coil_bursts_first": "a coil that bursts too early",
    "over_crushed": "a part that collapses before it gets to the target",
    "bore_closed": "a bore that closes before the target is reached",
    "rim_extruded": "a rim that is squeezed out before the target is reached",
    "material_limit": "a limit of the material",
    "insulation_failed": "the wire's insulation",
    "not_converged": "a run that found no steady answer",
    "model_fault": "a fault of the model",
    "not_confirmed": "the finest mesh, which contradicts the coarser ones",
}


def _what_gives(request: DesignRequest, nearest: Candidate) -> str:
    limits = request.limits
    if nearest.reason == "current_limit" and limits.peak_current_a is not None and nearest.peak_current_a is not None:
        return f"It would do with a current limit of {current(nearest.peak_current_a)}, or with more turns or less gap."
    if nearest.reason in ("voltage_limit", "energy_limit"):
        name = "charge voltage" if nearest.reason == "voltage_limit" else "stored energy"
        done = max(0.0, 1.0 - nearest.violation_ratio)
        return (
            f"It gets {done:.0%} of the wanted shrink: allow more {name}, a smaller gap, less stray inductance, "
            "a thinner part, or a larger target diameter."
        )
    if nearest.reason in _ADVICE:
        return _ADVICE[nearest.reason]
    return "Widen the ranges of the search, or the tolerance."


_CANNOT_TAKE_IT = (
    "The part cannot take it in one shot: a larger target diameter, or several shots with annealing between."
)
_ADVICE = {
    "capacitor_current_limit": "Allow more capacitors, more turns, or less capacitance each.",
    "charge_limit": "Allow less capacitance, or a switch that bears more charge.",
    "reversal_limit": "Fit a crowbar or a damping resistor, or allow a coil that bursts earlier.",
    "debris_limit": "Allow fewer turns or thinner wire, less capacitance, or a stronger containment.",
    "insulation_limit": "Allow more turns (fewer volts each), a thicker former, or a lower charge voltage with more "
    "capacitance.",
    "insulation_failed": "Allow more turns (fewer volts each), thicker enamel, or a lower charge voltage with more "
    "capacitance.",
    "coil_bursts_first": "Allow thicker wire or more turns, so that the coil holds longer, or a faster bank (less "
    "capacitance).",
    "over_crushed": _CANNOT_TAKE_IT,
    "bore_closed": _CANNOT_TAKE_IT,
    "rim_extruded": _CANNOT_TAKE_IT,
    "material_limit": _CANNOT_TAKE_IT,
    "not_confirmed": "Widen the tolerance, or the ranges of the search, so that coils less near an edge are found.",
}
