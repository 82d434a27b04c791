"""What a shot takes out of capacitors, charger, bleed resistors and leads: one module a topic."""

from __future__ import annotations

from physics.bench_load import bleeding, capacitor_life, charging, lead_stress
from physics.facts import Facts
from physics.result import Estimate


def assess(facts: Facts) -> list[Estimate]:
    """The estimates that what is stated of the equipment allows."""
    return [entry for topic in (capacitor_life, charging, bleeding, lead_stress) for entry in topic.estimates(facts)]
