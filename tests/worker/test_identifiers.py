"""Identifiers against RFC 9562."""

from __future__ import annotations

import time
import uuid

from worker.identifiers import new_id


def milliseconds(identifier: str) -> int:
    """The first 48 bits: unix_ts_ms of RFC 9562, section 5.7."""
    return uuid.UUID(identifier).int >> 80


def test_layout_is_that_of_version_7() -> None:
    """Version 7, the RFC's variant, and the time in the first 48 bits, read as in the RFC's own example."""
    # RFC 9562, appendix A.6: 2022-02-22 14:22:22 -05:00
    assert milliseconds("017f22e2-79b0-7cc3-98c4-dc0c0c07398f") == 1_645_557_742_000
    before = time.time_ns() // 1_000_000
    made = new_id()
    assert before <= milliseconds(made) <= time.time_ns() // 1_000_000
    assert uuid.UUID(made).version == 7
    assert uuid.UUID(made).variant == uuid.RFC_4122


def test_later_ones_sort_later() -> None:
    """Sorted as text they are in the order of the milliseconds they were made in."""
    made = []
    for _ in range(5):
        made.append(new_id())
        time.sleep(0.002)
    assert made == sorted(made)
    assert len(set(made)) == 5
