"""What the README shows is what the service takes and offers."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest

from physics import check_shot
from physics.simulate import simulate_with_current
from tests.physics.shots import changed
from tests.worker.fired import BENCH

Json = dict[str, Any]
README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def test_shot_by_curl_runs(client: httpx.Client) -> None:
    """The body of the first example is a shot that runs to its end."""
    (body,) = re.findall(r"/v1/shots -H [^\n]*-d '(\{.*?\})'", README, re.DOTALL)
    answer = client.post("/v1/shots", json=json.loads(body))
    assert answer.status_code == 200, answer.text
    assert answer.json()["status"] == "completed"


def test_search_over_stock_is_taken(client: httpx.Client, design: Json) -> None:
    """The search over layers, formers and capacitors from stock is a valid part of a design."""
    (part,) = re.findall(r'```json\n("search": \{.*?\})\n```', README, re.DOTALL)
    answer = client.post("/v1/designs", json=design | json.loads(f"{{{part}}}") | {"budget_trials_count": 2})
    assert answer.status_code == 202, answer.text


def test_sweep_in_python_runs(service: str, tmp_path: Path) -> None:
    """The program for a sweep runs as it stands, beside the shot of the first example, and gets its table."""
    (body,) = re.findall(r"/v1/shots -H [^\n]*-d '(\{.*?\})'", README, re.DOTALL)
    (program,) = [found for found in re.findall(r"```python\n(.*?)```", README, re.DOTALL) if "/v1/shot-lists" in found]
    (tmp_path / "shot.json").write_text(body, encoding="utf-8")
    program = program.replace("http://127.0.0.1:8460", service) + "\nprint(table)"
    ran = subprocess.run(
        [sys.executable, "-c", program], check=False, cwd=tmp_path, capture_output=True, text=True, timeout=120
    )
    assert ran.returncode == 0, ran.stderr
    header, *rows = filter(None, ran.stdout.splitlines())
    assert header.startswith("number,state,/gap_m,/bank/charge_voltage_v,status,")
    assert [row.split(",")[1] for row in rows] == ["finished"] * 6


def test_program_after_the_shot_runs(service: str, tmp_path: Path) -> None:
    """The program for record, trace, fit and comparison runs as it stands, on files of a shot that was made up."""
    (body,) = re.findall(r"/v1/shots -H [^\n]*-d '(\{.*?\})'", README, re.DOTALL)
    (program,) = [found for found in re.findall(r"```python\n(.*?)```", README, re.DOTALL) if "/v1/fits" in found]
    shot = json.loads(body)
    stray = changed(shot, leads={"inductance_henry": 1.4e-7}, bank={"charge_voltage_v": 6980.0})
    _, time, current = simulate_with_current(check_shot(stray))
    clock = np.linspace(-10.0, 90.0, 4000)
    volts = np.round(np.interp(1e-6 * clock, time, current, left=0.0) / 2000.0, 2)
    lines = "\n".join(f"{t:.4f};{v:.2f}".replace(".", ",") for t, v in zip(clock, volts, strict=True))
    (tmp_path / "trace.csv").write_text(f"t;CH1\nus;V\n{lines}\n", encoding="utf-8")
    (tmp_path / "shot.json").write_text(body, encoding="utf-8")
    (tmp_path / "bench.json").write_text(json.dumps(BENCH), encoding="utf-8")
    program = program.replace("http://127.0.0.1:8460", service) + "\nprint(table)"
    ran = subprocess.run(
        [sys.executable, "-c", program], check=False, cwd=tmp_path, capture_output=True, text=True, timeout=120
    )
    assert ran.returncode == 0, ran.stderr
    statement, header, *rows = filter(None, ran.stdout.splitlines())
    assert statement.startswith("The data tell")
    assert header.startswith("record_id,name,fired_at,status,figure,unit,measured,")
    assert [row.split(",")[4] for row in rows][:2] == ["peak_current_a", "time_to_peak_s"]


def test_every_address_of_the_table_is_served(client: httpx.Client) -> None:
    """Each method and path of the README's table is in the published description of the service."""
    paths = client.get("/openapi.json").json()["paths"]
    named = re.findall(r"`(GET|POST|PUT|PATCH|DELETE) (/v1/[^`]*)`", README)
    assert len(named) >= 10
    offered = {(method.upper(), re.sub(r"\{[^}]*\}", "{}", path)) for path, found in paths.items() for method in found}
    assert {(method, re.sub(r"\{[^}]*\}", "{}", path)) for method, path in named} <= offered


def _blocks(language: str) -> list[str]:
    """Code of one language in the section for other programs."""
    (section,) = re.findall(r"\n### From other programs\n(.*?)\n###? ", README, re.DOTALL)
    return re.findall(rf"```{language}\n(.*?)```", section, re.DOTALL)


def _run(words: list[str], client: httpx.Client, finished: Json, folder: Path) -> str:
    environment = os.environ | {"LAB": str(client.base_url).rstrip("/"), "ID": finished["id"]}
    done = subprocess.run(words, cwd=folder, env=environment, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_curl_reads_designs_and_trials(client: httpx.Client, finished: Json, tmp_path: Path) -> None:
    """The commands of the README print the latest designs and make a file of the feasible trials."""
    (commands,) = _blocks("sh")
    said = _run(["bash", "-ec", commands], client, finished, tmp_path)
    assert 1 <= len(json.loads(said)["items"]) <= 5
    lines = (tmp_path / "trials.csv").read_text().splitlines()
    assert lines[0].startswith("number,")
    assert len(lines) - 1 == finished["progress"]["feasible_trials_count"] > 0


def test_httpx_and_pandas_do_what_they_say(client: httpx.Client, finished: Json, tmp_path: Path) -> None:
    """The two programs of the README run as they are; the second finds the least energy of all trials."""
    listing, by_wire = (_run([sys.executable, "-c", code], client, finished, tmp_path) for code in _blocks("python"))
    assert re.search(r"^[0-9a-f-]{36} \w+ \d+ of (\d+|None)$", listing, re.MULTILINE)
    energies = [float(line.split()[1]) for line in by_wire.splitlines() if line.startswith("awg_")]
    assert min(energies) == pytest.approx(finished["best"]["stored_energy_j"], rel=1e-4)


def test_panel_query_yields_its_columns(client: httpx.Client, finished: Json) -> None:
    """Asked as a dashboard does, by address, root and selectors, the query of the README fills each column."""
    (text,) = _blocks("json")
    query = json.loads(text.replace("$LAB", str(client.base_url).rstrip("/")).replace("$ID", finished["id"]))
    rows = client.request(query["method"], query["url"]).json()[query["root_selector"]]
    assert len(rows) == finished["front_count"] > 0
    kinds = {"number": float, "string": str}
    for column in query["columns"]:
        assert all(isinstance(row[column["selector"]], kinds[column["type"]]) for row in rows)
    as_csv = client.get(query["url"] + "&format=csv").text.splitlines()
    assert len(as_csv) == len(rows) + 1
    assert {column["selector"] for column in query["columns"]} <= set(as_csv[0].split(","))
