"""Whether anything known forbids the shot: the first thing that an answer says."""

from __future__ import annotations

from collections.abc import Sequence

from physics.limits import Limits
from physics.result import Ground, Rating, Status, Verdict

#: Never a permission: what is not stated is not judged, and a model has no eyes.
NOTHING_KNOWN = (
    "No limit that was rated is exceeded. That is not permission to fire: the responsible person decides, on site."
)

_INCOMPLETE: dict[Status, str] = {
    "stopped_early": "the run was stopped early, so its peaks, heat and debris may not be those of the whole shot",
    "over_crushed": "the part goes beyond what the model describes, so what follows is not known",
    "bore_closed": "the bore closes, and what follows is not known",
    "rim_extruded": "the rim is squeezed beyond what the model describes, so what follows is not known",
    "material_limit": "metal gets hotter than its data reach (it would boil), so what follows is not known",
    "insulation_failed": "the voltage is more than the stated insulation bears",
    "not_converged": "the numbers diverged, so nothing is known about this shot",
}


def verdict_of(limits: Limits, ratings: Sequence[Rating], status: Status | None) -> Verdict:
    """The verdict from the limits of bench and surroundings and the status of the run; None for no run."""
    rated = {rating.name for rating in ratings}
    not_rated = [name for name in type(limits).model_fields if getattr(limits, name) is not None and name not in rated]
    grounds = [
        Ground(name=r.name, statement=r.statement, unit=r.unit, value=r.value, limit=r.limit)
        for r in ratings
        if r.exceeded
    ]
    if status in _INCOMPLETE:
        grounds.append(Ground(name=status, statement=_INCOMPLETE[status], unit=None, value=None, limit=None))
    statement = "Not to be fired: " + "; ".join(ground.statement for ground in grounds) + "."
    return Verdict(
        not_to_be_fired=bool(grounds),
        statement=statement if grounds else _unrated_words(not_rated) + NOTHING_KNOWN,
        grounds=grounds,
        not_rated=not_rated,
    )


def _unrated_words(names: Sequence[str]) -> str:
    return f"Stated but not rated here: {', '.join(names)}. " if names else ""
