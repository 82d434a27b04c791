"""The README's table of settings is what the program reads."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from pydantic import ValidationError
from pydantic.fields import FieldInfo

from worker.settings import Settings

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def _variable(name: str) -> str:
    return "REDIS_URL" if name == "redis_url" else f"SHOTWRIGHT_{name.upper()}"


def _default(field: FieldInfo) -> str:
    if field.default_factory is not None:
        return "one a core"
    return "none" if field.default is None else f"`{field.default}`"


def test_every_setting_is_in_the_table_and_nothing_else() -> None:
    """Name, default and meaning of each setting stand in the README as they are in the code."""
    listed = re.findall(r"^\| `(REDIS_URL|SHOTWRIGHT_\w+)` \| (.+?) \| (.+?) \|$", README, flags=re.MULTILINE)
    fields = Settings.model_fields.items()
    assert listed == [(_variable(name), _default(field), field.description) for name, field in fields]


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
    }
    assert set(values) == set(Settings.model_fields)
    for name, value in values.items():
        monkeypatch.setenv(_variable(name), str(value))
    assert Settings().model_dump() == values


@pytest.mark.parametrize(
    ("name", "value"),
    [("LEASE_SECONDS", "0"), ("ATTEMPTS_LIMIT", "many"), ("LOG_LEVEL", "LOUD"), ("RESULT_DAYS", "-1")],
)
def test_impossible_setting_is_refused_by_name(monkeypatch: pytest.MonkeyPatch, name: str, value: str) -> None:
    """A value out of range is told with its setting and what is allowed, before anything is started."""
    monkeypatch.setenv(f"SHOTWRIGHT_{name}", value)
    with pytest.raises(ValidationError, match=name.lower()):
        Settings()
