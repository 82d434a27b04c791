"""Modules are loaded without collections of garbage, which go on afterwards."""

from __future__ import annotations

import gc
from contextlib import suppress

from worker.loading import loading


def test_collections_rest_while_loading_and_go_on_after_a_failure() -> None:
    """Inside nothing is collected; once out, also by an error, it is."""
    with suppress(ImportError), loading():
        resting = not gc.isenabled()
        raise ImportError
    assert resting
    assert gc.isenabled()
