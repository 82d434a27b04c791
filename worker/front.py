"""The outcome of a search: the trade-off front, the candidate to build first, or what stands in the way.

A candidate is on the front when no other needs no more stored energy, no more charge voltage, and leaves no less
margin, while being better in one of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from worker.records import Candidate, Confirmation, Limiting, Miss, Objectives, Recommendation
from worker.request import DesignRequest
from worker.words import capacitance, current, energy, length, voltage

#: Candidates within this share of the least stored energy count as equally sparing; the one of most margin wins.
SPARING_RATIO = 0.10


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


def choose(front: Sequence[Candidate]) -> Candidate | None:
    """The settled candidate to build first: of those within 10 % of the least stored energy, the one of most margin.

    Stored energy is what hurts people, wears the bank and becomes debris, so it comes first; within a tenth of it,
    which is less than coils differ among themselves, distance from every limit is worth more.
    """
    settled = [c for c in front if c.fidelity != "screen"]
    if not settled:
        return None
    least = min(_objectives(c).stored_energy_j for c in settled)
    sparing = [c for c in settled if _objectives(c).stored_energy_j <= (1.0 + SPARING_RATIO) * least]
    return min(sparing, key=lambda c: (-_objectives(c).margin_ratio, *_front_order(c)))


def recommend(
    request: DesignRequest, front: Sequence[Candidate], confirmation: Confirmation | None
) -> Recommendation | None:
    """The chosen candidate with its reason in plain words."""
    chosen = choose(front)
    if chosen is None:
        return None
    least = min(_objectives(c).stored_energy_j for c in front)
    reason = f"{describe(chosen)}. {_why(chosen, least)} {_margins(request, chosen)}{_confirmed(request, confirmation)}"
    return Recommendation(candidate=chosen, reason=reason, confirmation=confirmation)


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
    return f"{needs} of all candidates ({energy(least)}), and within 10 % of that it keeps the most margin."


def _margins(request: DesignRequest, chosen: Candidate) -> str:
    limits, found = request.limits, _objectives(chosen)
    parts = [
        _margin("voltage", found.charge_voltage_v, limits.charge_voltage_v, voltage),
        _margin("energy", found.stored_energy_j, limits.stored_energy_j, energy),
    ]
    if limits.peak_current_a is not None and chosen.peak_current_a is not None:
        parts.append(_margin("current", chosen.peak_current_a, limits.peak_current_a, current))
    return f"It stays {', '.join(parts)}."


def _margin(name: str, value: float, limit: float, spell: Callable[[float], str]) -> str:
    return f"{1 - value / limit:.0%} below the {name} limit ({spell(limit)})"


def _confirmed(request: DesignRequest, confirmation: Confirmation | None) -> str:
    if confirmation is None:
        return ""
    change = confirmation.difference_m * 1e3
    text = f" The finest mesh gives {length(confirmation.final_outer_diameter_m)}, {change:+.2f} mm from this: "
    if confirmation.within_tolerance:
        return text + "inside the tolerance as well."
    tolerance = length(request.target.tolerance_m)
    return text + f"the numerical error is larger than the tolerance of {tolerance}, so a trial shot has to decide."


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
    "coil_bursts_first": "a coil that bursts too early",
    "over_crushed": "a part that collapses before it gets to the target",
    "bore_closed": "a bore that closes before the target is reached",
    "rim_extruded": "a rim that is squeezed out before the target is reached",
    "material_limit": "a limit of the material",
    "insulation_failed": "the wire's insulation",
    "not_converged": "a run that found no steady answer",
    "model_fault": "a fault of the model",
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
    if nearest.reason == "insulation_failed":
        return "Allow more turns (fewer volts each), thicker enamel, or a lower charge voltage with more capacitance."
    if nearest.reason == "coil_bursts_first":
        return "Allow thicker wire or more turns, so that the coil holds longer, or a faster bank (less capacitance)."
    if nearest.reason in ("over_crushed", "bore_closed", "rim_extruded", "material_limit"):
        return "The part cannot take it in one shot: a larger target diameter, or several shots with annealing between."
    return "Widen the ranges of the search, or the tolerance."
