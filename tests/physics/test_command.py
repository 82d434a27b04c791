"""The command `python -m physics`, as a process of its own: help, refusals with exit code 2, a result as JSON."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from physics import ShotResult, check_shot
from physics.__main__ import main
from tests.physics.shots import TRADE_SHOT, Fire, changed

ROOT = Path(__file__).parents[2]


def run_command(*arguments: str, text: str | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "physics", *arguments],
        cwd=ROOT,
        input=text,
        capture_output=True,
        text=True,
        timeout=280,
        check=False,
    )


def refusal(shot: object, folder: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """What the command says about a file with this content; it must refuse it and print no result."""
    path = folder / "shot.json"
    path.write_text(shot if isinstance(shot, str) else json.dumps(shot), encoding="utf-8")
    assert main([str(path)]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert str(path) in said.err
    assert "Traceback" not in said.err
    return said.err


def test_help_explains() -> None:
    """The help says what the command does, shows a shot that is valid, and names the cautions."""
    answer = run_command("--help")
    assert answer.returncode == 0
    assert "prints the result as JSON" in answer.stdout
    assert "stored energy kill" in answer.stdout
    example = json.loads(answer.stdout[answer.stdout.index("{") : answer.stdout.rindex("}") + 1])
    assert check_shot(example).coil.turns_count == example["coil"]["turns_count"]


def test_good_file_prints_the_result(tmp_path: Path, fire: Fire) -> None:
    """A valid file gives exit code 0 and the same result as the Python call, as JSON that reads back."""
    path = tmp_path / "shot.json"
    path.write_text(json.dumps(TRADE_SHOT), encoding="utf-8")
    answer = run_command(str(path))
    assert (answer.returncode, answer.stderr) == (0, "")
    result = ShotResult.model_validate_json(answer.stdout)
    assert result == fire(TRADE_SHOT)
    assert result.shot.coil.layers_count == 1


def test_wrong_value_ends_the_process_with_two() -> None:
    """A value out of range, read from standard input, ends the process with 2 and one line that says it all."""
    answer = run_command("-", text=json.dumps(changed(TRADE_SHOT, bank={"capacitance_farad": 140.0})))
    assert answer.returncode == 2
    assert answer.stdout == ""
    [line] = [line for line in answer.stderr.splitlines() if "capacitance" in line]
    for word in ("/bank/capacitance_farad", "140 F", "1e-07 to 0.02 F", "did you mean 0.00014?"):
        assert word in line


def test_missing_file_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file that does not exist is named, with exit code 2."""
    assert main([str(tmp_path / "nowhere.json")]) == 2
    said = capsys.readouterr()
    assert "nowhere.json" in said.err
    assert "No such file" in said.err
    assert said.out == ""


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", ["not JSON", "line 1"]),
        ("", ["not JSON"]),
        ("[1, 2]", ["JSON object"]),
        ('{"bank": NaN}', ["bank"]),
        ("\udce4", ["utf-8"]),
    ],
    ids=["cut off", "empty", "no object", "not a number", "not text"],
)
def test_what_is_no_shot_is_refused(
    text: str, words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file that is not JSON, not an object or not text is refused with words that say which."""
    path = tmp_path / "shot.json"
    path.write_bytes(text.encode("utf-8", "surrogateescape"))
    assert main([str(path)]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    for word in words:
        assert word in said.err


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"gap_m": 1.5}, ["/gap_m", "1.5 m", "0.0001 to 0.02 m", "did you mean 0.0015?"]),
        ({"bank": {"charge_voltage_v": -7.0}}, ["/bank/charge_voltage_v", "-7 V", "1 to 100000 V"]),
        ({"coil": {"turns_count": 0}}, ["/coil/turns_count", "0", "1 to 60"]),
        ({"coil": {"wire_diameter_m": "2 mm"}}, ["/coil/wire_diameter_m", "number", "0.0002 to 0.01 m"]),
        ({"coil": {"pitch_m": 1e-3}}, ["/coil", "pitch_m 0.001 m", "wire_diameter_m 0.00205 m", "overlap"]),
        ({"coil": {"material": "unobtainium"}}, ["/coil/material", "unknown material 'unobtainium'", "copper"]),
        ({"gap_mm": 1.0}, ["/gap_mm", "not a known name"]),
        ({"workpiece": {"shape": "cube"}}, ["/workpiece/shape", "disc"]),
        ({"workpiece": {"inner_diameter_m": 0.01}}, ["/workpiece", "a disc has inner_diameter_m 0"]),
        ({"switch": {"kind": "ideal"}}, ["/switch", "ideal switch has no forward_drop_v"]),
    ],
    ids=lambda value: next(iter(value)) if isinstance(value, dict) else "",
)
def test_wrong_field_is_explained(
    changes: dict[str, Any], words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A wrong field is named with its value, unit and allowed range, or with what it contradicts."""
    said = refusal(changed(TRADE_SHOT, **changes), tmp_path, capsys)
    for word in words:
        assert word in said


@pytest.mark.parametrize("name", ["bank", "coil", "gap_m", "workpiece"])
def test_missing_field_is_named(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A field that is left out is named as required."""
    shot = {key: value for key, value in TRADE_SHOT.items() if key != name}
    assert f"/{name}: is required and missing" in refusal(shot, tmp_path, capsys)


def test_every_wrong_field_is_listed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Several mistakes in one file are all told at once."""
    said = refusal(changed(TRADE_SHOT, gap_m=1.5, bank={"resistance_ohm": 99.0}), tmp_path, capsys)
    assert "/gap_m" in said
    assert "/bank/resistance_ohm" in said


def test_materials_are_printed() -> None:
    """`python -m physics materials` prints the page that lies beside the data."""
    answer = run_command("materials")
    assert answer.returncode == 0
    assert answer.stdout == (ROOT / "physics" / "MATERIALS.md").read_text(encoding="utf-8")


def test_gallery_is_drawn_from_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`python -m physics gallery OUT --shot FILE` draws that shot and names every file it wrote."""
    path = tmp_path / "shot.json"
    path.write_text(json.dumps(changed(TRADE_SHOT, solver={"fidelity": "screen"})), encoding="utf-8")
    assert main(["gallery", str(tmp_path / "out"), "--shot", str(path)]) == 0
    named = capsys.readouterr().out.split()
    assert sorted(named) == sorted(str(file) for file in (tmp_path / "out").iterdir())
    assert len(named) >= 6


def test_gallery_refuses_what_is_no_shot(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file that is no shot is refused by the gallery in the same words, and a folder that cannot be made is told."""
    path = tmp_path / "shot.json"
    path.write_text("{}", encoding="utf-8")
    assert main(["gallery", str(tmp_path / "out"), "--shot", str(path)]) == 2
    assert "not a valid shot" in capsys.readouterr().err
    assert main(["gallery", str(path)]) == 1
    assert str(path) in capsys.readouterr().err
