"""Access and rates in the OpenAPI document: every operation may answer with these, whatever it does."""

from __future__ import annotations

from typing import Any

from api.access.guard import HEALTH
from api.problems import stated

_KEY = {"type": "http", "scheme": "bearer", "description": "An access key, sw_..., where the service asks for one."}


def state_access(document: dict[str, Any]) -> None:
    """Add the scheme, and to each operation but health the answers of guard and body limit."""
    document["components"]["securitySchemes"] = {"key": _KEY}
    for path, operations in document["paths"].items():
        if path in HEALTH:
            continue
        for operation in operations.values():
            operation["security"] = [{}, {"key": []}]  # off on loopback, so it may be left out
            slugs = ["key-needed", "scope-too-small", "rate-exceeded", "store-unavailable"]
            if "requestBody" in operation:
                operation["responses"]["400"] = stated("malformed-json", "too-deep")[400]
                slugs.append("body-too-slow")
            for status, answer in stated(*slugs).items():
                operation["responses"].setdefault(str(status), answer)
