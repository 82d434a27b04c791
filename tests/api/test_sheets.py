"""The shot sheet: both forms say the same, what the API says, and never need a third page."""

from __future__ import annotations

import html
import io
import re
from datetime import UTC, datetime
from math import cos, pi, sin
from typing import Any

import httpx
import numpy as np
import pytest
from pypdf import PdfReader

from api.sheet.content import OF_TRACE, Sheet, label, measured_fields, sheet_of
from api.sheet.html import html_of
from api.sheet.pdf import pdf_of
from api.sheet.winding import USUAL_TAIL_M, wire_needed
from physics import simulate_shot
from physics.hazards import CAUTIONS
from physics.shot import check_shot
from tests.physics.shots import TRADE_SHOT, VARIED_SHOTS, changed
from worker.fits.measured import Sizes
from worker.shot_record import RecordRequest, Setting

Json = dict[str, Any]

NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
#: Every limit that can be rated without more being stated, and a barrier: the longest sheet there is.
FULL = changed(
    TRADE_SHOT,
    limits={
        "charge_voltage_v": 1e4,
        "stored_energy_j": 8e3,
        "peak_current_a": 1.2e5,
        "peak_capacitor_current_a": 1e5,
        "charge_coulomb": 20.0,
        "action_a2_s": 1e6,
        "current_rise_a_per_s": 1e11,
        "hold_off_v": 2e4,
        "voltage_reversal_ratio": 0.9,
        "debris_energy_j": 2e3,
        "worst_piece_energy_j": 500.0,
        "peak_sound_pa": 5e3,
        "stray_field_tesla": 1e-3,
        "left_in_bank_j": 5e3,
        "induced_voltage_v": 10.0,
        "implant_distance_m": 3.0,
        "flash_j_per_m2": 100.0,
        "metal_vapour_kg_per_m3": 1e-3,
        "coil_temperature_k": 1300.0,
        "part_temperature_k": 1200.0,
    },
)


def made(shot: Json) -> Sheet:
    """The sheet of a shot at a fixed time."""
    return sheet_of("a part", simulate_shot(shot), None, NOON, "a test")


def told(pdf: bytes) -> str:
    """The text of a PDF as an independent reader finds it, without line breaks."""
    pages = PdfReader(io.BytesIO(pdf)).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


def shown(page: str) -> str:
    """The text of an HTML page without line breaks."""
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page.partition("<body>")[2])).split())


def has(text: str, phrase: str) -> bool:
    """Whether the phrase is there, however it was broken into lines."""
    return re.sub(r"\W", "", phrase) in re.sub(r"\W", "", text)


@pytest.fixture(scope="module")
def address(client: httpx.Client, finished: Json) -> str:
    """The recommended candidate."""
    link: str = client.get(finished["links"]["self"]).json()["recommended"]["candidate"]["link"]
    return link


def test_sheet_of_a_candidate_tells_what_the_api_tells(client: httpx.Client, address: str) -> None:
    """Settings, sizes, every check, limit, hazard and caution, and the checksum: in both forms."""
    detail = client.get(address).json()
    result, shot = detail["result"], detail["result"]["shot"]
    forms = {
        "pdf": told(client.get(f"{address}/sheet?format=pdf").content),
        "html": shown(client.get(f"{address}/sheet?format=html").text),
    }
    summary = result["summary"]
    wanted = [
        f"{shot['bank']['charge_voltage_v']:.0f} V",
        f"{shot['bank']['charge_voltage_v'] / 1e3:.2f} kV",
        f"{shot['coil']['turns_count']}, in one layer",
        f"{1e3 * summary['final_outer_diameter_m']:.2f} mm",
        f"{1e3 * summary['final_centre_thickness_m']:.2f} mm",
        f"{summary['peak_current_a'] / 1e3:.1f} kA",
        f"{2e3 * detail['robustness']['spread_m']:.2f} mm 2σ",
        result["verdict"]["statement"],
        result["provenance"]["input_sha256"],
        *CAUTIONS,
        *(item["action"] for item in result["checklist"]),
        *(estimate["statement"] for estimate in result["hazards"]["estimates"]),
        *(label(rating["name"]) for rating in result["ratings"]),
        *(fault["demands"] for fault in result["faults"]),
        *(label(name) for name in OF_TRACE),
    ]
    for form, text in forms.items():
        assert [phrase for phrase in wanted if not has(text, phrase)] == [], form


def test_form_is_chosen_by_query_or_accept(client: httpx.Client, address: str) -> None:
    """HTML if nothing is said; PDF by header or query; anything else is refused by name."""
    assert client.get(f"{address}/sheet").headers["content-type"].startswith("text/html")
    asked = client.get(f"{address}/sheet", headers={"Accept": "application/pdf"})
    assert asked.headers["content-type"] == "application/pdf"
    assert asked.content.startswith(b"%PDF-")
    assert client.get(f"{address}/sheet?format=docx").status_code == 422
    missing = client.get(f"{address.rpartition('/')[0]}/999999/sheet")
    assert missing.status_code == 404
    assert missing.headers["content-type"] == "application/problem+json"


def test_any_shot_has_a_sheet(client: httpx.Client, shot: Json) -> None:
    """Posted as for a run; a bad one is refused in the same words."""
    answer = client.post("/v1/shots/sheet?format=pdf", json=shot)
    assert answer.status_code == 200
    assert has(told(answer.content), f"{shot['bank']['charge_voltage_v']:.0f} V")
    shot["gap_m"] = -1.0
    refused = [client.post(path, json=shot).json()["errors"] for path in ("/v1/shots", "/v1/shots/sheet")]
    assert refused[0] == refused[1]


@pytest.mark.parametrize("name", [*sorted(VARIED_SHOTS), "every limit"])
def test_two_pages_of_a4_hold_every_shot(name: str) -> None:
    """All kinds of part, coil, switch and end: two pages, nothing lost, fonts that are readable and inside the file."""
    sheet = made(FULL if name == "every limit" else VARIED_SHOTS[name])
    reader = PdfReader(io.BytesIO(pdf_of(sheet)))
    assert len(reader.pages) == 2
    for page in reader.pages:
        assert [float(side) for side in page.mediabox[2:]] == pytest.approx([595.28, 841.89], abs=0.1)  # ISO 216
        fonts: Any = page["/Resources"]
        for font in fonts["/Font"].values():
            described = font.get_object()
            if described["/BaseFont"] != "/Helvetica":  # the writer's own default, with nothing set in it
                assert "/FontFile2" in described["/FontDescriptor"], described["/BaseFont"]
    text = told(pdf_of(sheet))
    for block in (
        sheet.winding,
        sheet.bench,
        sheet.predicted,
        sheet.limits,
        sheet.hazards,
        sheet.faults,
        sheet.measured,
    ):
        for row in block.rows:
            assert [cell for cell in row if not has(text, cell)] == []
    assert [action for _, actions in sheet.checks for action in actions if not has(text, action)] == []


def test_letters_stay_readable() -> None:
    """Seven points and more on an ordinary sheet, and the charge voltage is the largest figure on it."""
    sizes: dict[str, float] = {}

    def note(text: str, _: object, matrix: list[float], __: object, size: float) -> None:
        if text.strip():
            sizes[text.strip()] = max(size * abs(matrix[3] or 1.0), sizes.get(text.strip(), 0.0))

    sheet = made(TRADE_SHOT)
    for page in PdfReader(io.BytesIO(pdf_of(sheet))).pages:
        page.extract_text(visitor_text=note)
    body = [size for text, size in sizes.items() if "checksum" not in text and "model" not in text]
    assert min(body) >= 6.4
    assert max(sizes, key=lambda text: sizes[text]) in {value for _, value in sheet.settings}


def test_same_content_is_the_same_file() -> None:
    """To the byte: a sheet can be compared with the one that was printed."""
    sheet = made(TRADE_SHOT)
    assert pdf_of(sheet) == pdf_of(made(TRADE_SHOT))
    assert html_of(sheet, "") == html_of(made(TRADE_SHOT), "")


def test_what_is_measured_is_what_a_record_takes() -> None:
    """Each number of the record form has its line, none is on the sheet that the form does not know."""
    rows = [row[0] for row in made(TRADE_SHOT).measured.rows]
    numbers = {*Setting.model_fields, *Sizes.model_fields}
    numbers |= {name for name in RecordRequest.model_fields if name.endswith(("_s", "_m", "_v", "_a"))}
    assert set(measured_fields()) == numbers
    of_a_disc = [name for name in measured_fields() if "inner_diameter" not in name]
    assert rows == [label(name) for name in [*of_a_disc, *OF_TRACE]]


def test_shot_that_is_not_to_be_fired_says_so_first() -> None:
    """Over a limit: the largest words, in a heavy box, in both forms."""
    sheet = made(changed(TRADE_SHOT, limits={"charge_voltage_v": 5000.0, "stored_energy_j": 8000.0}))
    assert sheet.stop
    assert "NOT TO BE FIRED" in told(pdf_of(sheet))
    assert 'class="verdict stop"' in html_of(sheet, "")
    assert "OVER" in told(pdf_of(sheet))


@pytest.mark.parametrize("layers", [1, 2])
def test_wire_is_as_long_as_its_helix(layers: int) -> None:
    """Against the length of the curve itself, (D/2 cos t, D/2 sin t, pitch t / 2 pi), summed in chords."""
    shot = check_shot(changed(TRADE_SHOT, coil={"turns_count": 8, "layers_count": layers}))
    winding, total = shot.coil.winding, 0.0
    for layer, count in enumerate(winding.turns_in_layers):
        bore = 0.5 * shot.workpiece.outer_diameter_m + shot.gap_m
        radius = bore + 0.5 * winding.radial_m + layer * winding.layer_pitch_m
        turn = np.linspace(0.0, 2.0 * pi * count, 1000 * count + 1)
        curve = np.array([[radius * cos(t), radius * sin(t), winding.pitch_m * t / (2.0 * pi)] for t in turn])
        total += float(np.linalg.norm(np.diff(curve, axis=0), axis=1).sum())
    needed = wire_needed(shot)
    assert needed.turns_m == pytest.approx(total, rel=1e-4)
    assert needed.total_m == pytest.approx(total + 2.0 * USUAL_TAIL_M, rel=1e-4)
    assert not needed.tail_is_stated
