"""The README's table of settings is what the program reads."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from pydantic.fields import FieldInfo

from worker.settings import Settings, variable_of

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def _default(field: FieldInfo) -> str:
    if field.default_factory is not None:
        return "one a core"
    return "none" if field.default in (None, ()) else f"`{field.default}`"


def test_every_setting_is_in_the_table_and_nothing_else() -> None:
    """Name, default and meaning of each setting stand in the README as they are in the code."""
    listed = re.findall(r"^\| `(REDIS_URL|SHOTWRIGHT_\w+)` \| (.+?) \| (.+?) \|$", README, flags=re.MULTILINE)
    fields = Settings.model_fields.items()
    assert listed == [(variable_of(name), _default(field), field.description) for name, field in fields]


def test_listed_variables_are_read(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each variable changes the setting that it names."""
    values = {
        "redis_url": "redis://127.0.0.1:1/0",
        "state_folder": Path("elsewhere"),
        "result_days": 1.5,
        "lease_seconds": 20.0,
        "attempts_limit": 4,
        "concurrency": 3,
        "log_level": "ERROR",
        "stop_grace_seconds": 9,
        "access": "keys",
        "rate_per_minute": 7,
        "open_jobs_limit": 8,
        "body_seconds": 2.5,
        "shot_wait_seconds": 3.5,
        "keep_alive_seconds": 6,
        "send_seconds": 4.5,
        "cors_origins": ("https://lab.example", "https://b.example"),
    }
    assert set(values) == set(Settings.model_fields)
    for name, value in values.items():
        monkeypatch.setenv(variable_of(name), ",".join(value) if isinstance(value, tuple) else str(value))
    assert Settings().model_dump() == values


@pytest.mark.parametrize("program", ["api", "api.serve", "worker"])
def test_impossible_setting_ends_a_program_with_a_sentence(program: str, tmp_path: Path) -> None:
    """Each value out of range is told with its variable and what is allowed, before anything is started."""
    wrong = {"SHOTWRIGHT_LEASE_SECONDS": "0", "SHOTWRIGHT_LOG_LEVEL": "LOUD", "SHOTWRIGHT_RESULT_DAYS": "for ever"}
    environment = os.environ | wrong | {"SHOTWRIGHT_STATE_FOLDER": str(tmp_path)}
    ended = subprocess.run(
        [sys.executable, "-m", program], env=environment, capture_output=True, text=True, timeout=100, check=False
    )
    assert ended.returncode == 2
    assert "SHOTWRIGHT_LEASE_SECONDS=0: Input should be greater than or equal to 1" in ended.stderr
    assert "SHOTWRIGHT_LOG_LEVEL=LOUD" in ended.stderr
    assert "SHOTWRIGHT_RESULT_DAYS=for ever" in ended.stderr
    assert "Traceback" not in ended.stderr
    assert not list(tmp_path.iterdir())
