"""How much a search may try: a number of trials, a time to end by, or a duration."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Annotated

from pydantic import BeforeValidator, Field, model_validator

from physics.schema import Checked

#: The budget of a request that names none.
DEFAULT_TRIALS = 240
MOST_TRIALS = 1_000_000
#: The longest duration, 30 days.
MOST_SECONDS = 30 * 86_400.0

KINDS = ("budget_trials_count", "finish_by_at", "budget_duration_s")

_RFC_3339 = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]\d\d:\d\d)")


def _time(value: object) -> object:
    """A time with its offset, in UTC; anything else is left for pydantic to refuse."""
    if isinstance(value, str) and _RFC_3339.fullmatch(value):
        try:
            return datetime.fromisoformat(value).astimezone(UTC)
        except (ValueError, OverflowError) as problem:
            raise ValueError(f"is not a time that exists: {problem}") from problem
    if isinstance(value, datetime) and value.tzinfo is not None:
        return value.astimezone(UTC)
    raise ValueError("must be a time like 2026-03-01T06:00:00Z, with its offset from UTC")


#: A time of the clock, RFC 3339; kept in UTC.
ClockTime = Annotated[datetime, BeforeValidator(_time)]


class Budget(Checked):
    """Exactly one of the three kinds."""

    budget_trials_count: int | None = Field(
        ge=1,
        le=MOST_TRIALS,
        default=None,
        description=f"Trials in all. {DEFAULT_TRIALS} when no budget of any kind is given.",
        examples=[DEFAULT_TRIALS],
    )
    finish_by_at: ClockTime | None = Field(
        default=None,
        description="Go on round after round, and begin none that would not be over by then. One round is always run.",
        examples=["2030-01-31T06:00:00Z"],
    )
    budget_duration_s: float | None = Field(
        ge=1.0, le=MOST_SECONDS, default=None, description="The same, so long after the first trial is begun."
    )

    @model_validator(mode="after")
    def _one_kind(self) -> Budget:
        given = [name for name in KINDS if getattr(self, name) is not None]
        if len(given) != 1:
            raise ValueError(f"give exactly one of {', '.join(KINDS)}")
        return self


def with_default(body: object) -> object:
    """The body of a request with the default budget filled in when it has none."""
    if not isinstance(body, dict) or any(body.get(name) is not None for name in KINDS):
        return body
    return {**body, "budget_trials_count": DEFAULT_TRIALS}
