"""Requests made up from the OpenAPI document: no answer may break the contract that it publishes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
    unsupported_method,
)

#: Left out: whether a body that fits the schema is accepted, as rules between fields are not in the schema.
_CHECKS = [
    not_a_server_error,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
    unsupported_method,
]


@pytest.fixture
def contract(service: str, client: httpx.Client) -> Iterator[Any]:
    """The published document; jobs that were accepted by the way are cancelled afterwards."""
    yield schemathesis.openapi.from_url(f"{service}/openapi.json")
    for path in ("/v1/designs", "/v1/shot-lists"):
        for status in ("queued", "running"):
            for job in client.get(path, params={"limit": 200, "status": status}).json()["items"]:
                client.post(job["links"]["cancel"])


def test_answers_keep_the_contract(contract: Any) -> None:
    """Whatever is asked, status, content type, headers and body are as published, and none is a 500."""
    operations = [found.ok() for found in contract.get_all_operations()]
    assert len(operations) >= 28
    for operation in operations:
        _try(operation.as_strategy())


def _try(cases: Any) -> None:
    @settings(max_examples=15, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
    @given(case=cases)
    def keeps(case: Any) -> None:
        case.call_and_validate(checks=_CHECKS)

    keeps()
