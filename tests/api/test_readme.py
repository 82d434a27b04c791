"""What the README shows is what the service takes and offers."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import httpx

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def test_shot_by_curl_runs(client: httpx.Client) -> None:
    """The body of the first example is a shot that runs to its end."""
    (body,) = re.findall(r"/v1/shots -H [^\n]*-d '(\{.*?\})'", README, re.DOTALL)
    answer = client.post("/v1/shots", json=json.loads(body))
    assert answer.status_code == 200, answer.text
    assert answer.json()["status"] == "completed"


def test_search_over_stock_is_taken(client: httpx.Client, design: dict[str, Any]) -> None:
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


def test_every_address_of_the_table_is_served(client: httpx.Client) -> None:
    """Each method and path of the README's table is in the published description of the service."""
    paths = client.get("/openapi.json").json()["paths"]
    named = re.findall(r"`(GET|POST|DELETE) (/v1/[^`]*)`", README)
    assert len(named) >= 10
    offered = {(method.upper(), re.sub(r"\{[^}]*\}", "{}", path)) for path, found in paths.items() for method in found}
    assert {(method, re.sub(r"\{[^}]*\}", "{}", path)) for method, path in named} <= offered
