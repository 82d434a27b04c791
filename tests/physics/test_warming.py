"""Kernels are made ready once: what is said meanwhile, and that of processes that start together one compiles."""

from __future__ import annotations

import fcntl
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from physics import warming
from physics.kernel_cache import folder

CODE = "from physics.warming import warm_up; warm_up(print)"


@pytest.fixture(scope="module")
def nearly_compiled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder for kernels in which all are but nothing says so, as when the first start was broken off at its end."""
    warming.warm_up()
    base = tmp_path_factory.mktemp("kernels")
    shutil.copytree(folder(), base / folder().name)
    mark_of(base / folder().name).unlink()
    return base


def mark_of(kept: Path) -> Path:
    """What says that all are compiled."""
    [mark] = kept.glob("compiled-for-*")
    return mark


def started(base: Path) -> subprocess.Popen[str]:
    environment = os.environ | {"NUMBA_CACHE_DIR": str(base)}
    return subprocess.Popen(
        [sys.executable, "-u", "-c", CODE], env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )


def test_a_first_run_says_what_it_does_and_waits_for_its_turn(nearly_compiled: Path) -> None:
    """While another process compiles it waits; then it goes on, says how long it took, and later runs say nothing."""
    kept = nearly_compiled / folder().name
    with (kept / "lock").open("w", encoding="utf-8") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        process = started(nearly_compiled)
        assert process.stdout is not None
        assert "only the first run" in process.stdout.readline()
        with pytest.raises(subprocess.TimeoutExpired):
            process.wait(timeout=3.0)
    words, _ = process.communicate(timeout=120.0)
    assert process.returncode == 0, words
    assert "compiled, after" in words
    assert mark_of(kept).exists()
    again = started(nearly_compiled)
    assert again.communicate(timeout=120.0)[0] == ""
    assert again.returncode == 0
