"""What a shot means for bench, room and people, put together from the single estimates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from physics import bench_load, hazards
from physics.checklist import checklist
from physics.facts import Facts
from physics.faults import fault_shots
from physics.ratings import asks_for_estimates, rate
from physics.result import (
    ChecklistItem,
    Estimate,
    FaultShot,
    Hazards,
    InsulationCheck,
    Rating,
    Status,
    Verdict,
)
from physics.verdict import verdict_of


@dataclass(frozen=True)
class Safety:
    """The blocks of an answer that are not about the part."""

    verdict: Verdict
    ratings: list[Rating]
    bench_load: list[Estimate]
    hazards: Hazards
    faults: list[FaultShot]
    checklist: list[ChecklistItem]


def safety_of(facts: Facts, status: Status | None, insulation: Sequence[InsulationCheck]) -> Safety:
    """All of it, of a shot that was run to `status`, or of one that was only described (None)."""
    load, danger, faults = bench_load.assess(facts), hazards.assess(facts), fault_shots(facts)
    estimates = [*load, *danger.estimates]
    ratings = rate(facts, estimates, insulation)
    verdict = verdict_of(facts.shot.limits, ratings, status)
    return Safety(verdict, ratings, load, danger, faults, checklist(facts, verdict, estimates, faults))


def ratings_of(facts: Facts, insulation: Sequence[InsulationCheck]) -> list[Rating]:
    """The ratings alone; nothing is estimated where no rating asks for it."""
    estimates = [*bench_load.assess(facts), *hazards.assess(facts).estimates] if asks_for_estimates(facts.shot) else []
    return rate(facts, estimates, insulation)
