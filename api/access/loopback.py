"""Which addresses are of this machine only."""

from __future__ import annotations

from ipaddress import ip_address


def is_loopback(host: str) -> bool:
    """Whether an address, or the name localhost, is of this machine only."""
    try:
        return ip_address(host.partition("%")[0]).is_loopback
    except ValueError:
        return host == "localhost"
