"""Kernels on disk: a start that was broken off while they were being compiled must not spoil the next one."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

from numba import config

import physics
from tests.physics.shots import TRADE_SHOT, changed

SHOT = changed(TRADE_SHOT, solver={"fidelity": "screen"})
CODE = "import json, sys, physics; print(physics.simulate_shot(json.load(sys.stdin)).model_dump_json())"


def test_kernels_compiled_in_part_are_completed(tmp_path: Path) -> None:
    """With one kernel missing from the cache a new process compiles that one and finds the same numbers."""
    expected = physics.simulate_shot(SHOT).model_dump_json()
    whole = Path(vars(config)["CACHE_DIR"])
    part = shutil.copytree(whole, tmp_path / whole.name)
    missing = list(part.rglob("coupled._effective_inductance*"))
    assert missing, "the run above has put every kernel there"
    for path in missing:
        path.unlink()
    answer = subprocess.run(
        [sys.executable, "-c", CODE],
        input=json.dumps(SHOT),
        env=os.environ | {"NUMBA_CACHE_DIR": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert answer.returncode == 0, answer.stderr[-2000:]
    assert json.loads(answer.stdout) == json.loads(expected)
    assert all(path.exists() for path in missing)
