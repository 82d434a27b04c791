"""What a shot can do to people and things, as estimates for planning: one module a topic.

Each estimate names its equation, source, validity and which way it errs. `CAUTIONS` go with every shot.
"""

from __future__ import annotations

from physics.facts import Facts
from physics.hazards import (
    debris,
    electric_shock,
    enclosure,
    flash,
    hot_part,
    metal_vapour,
    residual_charge,
    sound,
    stray_field,
)
from physics.hazards.cautions import CAUTIONS
from physics.result import Hazards

__all__ = ["CAUTIONS", "assess"]

#: In the order in which they are told.
TOPICS = (
    electric_shock,
    residual_charge,
    debris,
    enclosure,
    sound,
    stray_field,
    flash,
    hot_part,
    metal_vapour,
)


def assess(facts: Facts) -> Hazards:
    """The hazard block of a shot; what only a run tells is left out of one that was not run."""
    return Hazards(
        estimates=[estimate for topic in TOPICS for estimate in topic.estimates(facts)], cautions=list(CAUTIONS)
    )
