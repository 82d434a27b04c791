"""What can go wrong between a caller and the store, in one place."""

from __future__ import annotations


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


class TooManyOpenDesigns(StoreError):
    """The owner has as many designs waiting or at work as one owner may have."""


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
