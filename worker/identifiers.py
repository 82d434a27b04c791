"""Identifiers that sort by the time they were made."""

from __future__ import annotations

import secrets
import time
import uuid


def new_id() -> str:
    """A UUID of version 7 (RFC 9562, section 5.7): 48 bit of milliseconds, the rest random."""
    milliseconds = time.time_ns() // 1_000_000
    bits = (milliseconds << 80) | secrets.randbits(80)
    bits = (bits & ~(0xF << 76)) | (0x7 << 76)
    bits = (bits & ~(0x3 << 62)) | (0x2 << 62)
    return str(uuid.UUID(int=bits))
