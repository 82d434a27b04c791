"""The fonts of the sheet: DejaVu Sans, which comes with matplotlib, has µ, ≤, σ and Ω, and is embedded in the file."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import matplotlib as mpl
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

PLAIN, BOLD = "DejaVuSans", "DejaVuSans-Bold"


@cache
def register() -> None:
    """Make them known to reportlab, once a process."""
    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    for name in (PLAIN, BOLD):
        pdfmetrics.registerFont(TTFont(name, str(folder / f"{name}.ttf")))
    pdfmetrics.registerFontFamily(PLAIN, normal=PLAIN, bold=BOLD, italic=PLAIN, boldItalic=BOLD)
