"""What can go wrong between a caller and the store, in one place."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # the physics takes a second to load, which who only starts the parts does not need
    from physics.schema import FieldProblem


class InputRefused(Exception):
    """A request that is sound by itself, but not together with what it names: which fields are to blame."""

    def __init__(self, problems: Iterable[FieldProblem]) -> None:
        self.problems = list(problems)
        super().__init__("; ".join(map(str, self.problems)))


class StoreError(Exception):
    """Base of the errors below. A server that cannot be reached is redis.exceptions.RedisError instead."""


class DesignUnknown(StoreError):
    """There is no such design and there never was, as far as is known."""


class DesignGone(StoreError):
    """The design was deleted, or its results have expired."""


class DesignStillActive(StoreError):
    """The design has to end, or be cancelled, before this can be done."""


class DesignNotContinuable(StoreError):
    """Only a design that has succeeded can be continued."""


class BudgetRefused(StoreError):
    """A budget that buys nothing: no more trials than there are, or a time that has passed."""

    def __init__(self, detail: str, field: str, minimum: int | None = None) -> None:
        super().__init__(detail)
        self.field = field
        self.minimum = minimum


class ExpiryRefused(StoreError):
    """A time to be kept until that has passed."""


class TooManyOpenJobs(StoreError):
    """The owner has as many jobs waiting or at work as one owner may have."""


class ShotListUnknown(StoreError):
    """There is no such list of shots."""


class ShotListGone(StoreError):
    """The list was deleted, or its results have expired."""


class ShotListStillActive(StoreError):
    """The list has to end, or be cancelled, before this can be done."""


class ShotUnknown(StoreError):
    """The list has no shot of that number."""


class BenchUnknown(StoreError):
    """There is no such bench."""


class RevisionUnknown(BenchUnknown):
    """The bench has no such revision."""


class BenchGone(StoreError):
    """The bench was deleted."""


class BenchChanged(StoreError):
    """Somebody else has changed the bench since it was read."""


class FitUnknown(StoreError):
    """There is no such fit."""


class FitGone(StoreError):
    """The fit was deleted, or its result has expired."""


class FitStillActive(StoreError):
    """The fit has to end, or be cancelled, before this can be done."""


class RecordUnknown(StoreError):
    """There is no such record of a shot."""


class RecordGone(StoreError):
    """The record was deleted."""


class TraceUnknown(StoreError):
    """The record has no trace (yet)."""


class TraceTaken(StoreError):
    """The record has another trace already; records are superseded, not changed."""


class CandidateUnknown(StoreError):
    """The design has no candidate of that number (yet)."""


class CursorInvalid(StoreError):
    """The cursor was not given out by this list."""


class IdempotencyConflict(StoreError):
    """The idempotency key was used within the last day with another body."""


class StoreUnfit(Exception):
    """The server cannot be used as it is: it evicts, or its layout is not known here. The text says what to do."""


class BackupRefused(Exception):
    """A backup cannot be made or put back; the text says why, and what has been changed, if anything."""
