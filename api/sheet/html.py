"""The sheet as HTML for A4: the same content, its drawings as SVG inside."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterable
from functools import cache
from html import escape
from pathlib import Path
from string import Template

from reportlab.graphics import renderSVG

from api.sheet import fonts
from api.sheet.content import Block, Sheet
from api.sheet.drawings import Picture

_STATIC = Path(__file__).parent / "static"


@cache
def _template() -> Template:
    return Template((_STATIC / "sheet.html").read_text(encoding="utf-8"))


def html_of(sheet: Sheet, pdf_link: str) -> str:
    """The page; `pdf_link` leads to the same as PDF, if there is an address for it."""
    fonts.register()
    link = f'<a href="{escape(pdf_link)}">the same as PDF</a>' if pdf_link else ""
    return _template().substitute(
        title=escape(sheet.title),
        made=escape(sheet.made_at),
        link=link,
        verdict_class="verdict stop" if sheet.stop else "verdict",
        verdict=escape(("NOT TO BE FIRED. " if sheet.stop else "") + sheet.verdict),
        cautions=_items(sheet.cautions),
        settings="".join(f"<div><dt>{escape(n)}</dt><dd>{escape(v)}</dd></div>" for n, v in sheet.settings),
        winding=_table(sheet.winding),
        bench=_table(sheet.bench),
        section=_picture(sheet.section) if sheet.section else "",
        checks="".join(_checks(stage, actions) for stage, actions in sheet.checks),
        predicted=_table(sheet.predicted),
        waveforms="".join(_picture(picture) for picture in sheet.waveforms),
        limits=_table(sheet.limits) if sheet.limits.rows else "",
        hazards=_table(sheet.hazards),
        faults=_table(sheet.faults),
        measured=_table(sheet.measured, kind="measured"),
        footer="".join(f"<p>{escape(line)}</p>" for line in sheet.footer),
    )


def _items(texts: Iterable[str]) -> str:
    return "".join(f"<li>{escape(text)}</li>" for text in texts)


def _checks(stage: str, actions: Iterable[str]) -> str:
    boxes = "".join(f'<li><label><input type="checkbox"> {escape(action)}</label></li>' for action in actions)
    return f"<h3>{escape(stage)}</h3><ul>{boxes}</ul>"


def _table(block: Block, kind: str = "") -> str:
    head = "".join(f'<th scope="col">{escape(name)}</th>' for name in block.head)
    rows = "".join(
        _row(row, share) for row, share in zip(block.rows, block.bars or (None,) * len(block.rows), strict=True)
    )
    return (
        f'<table class="{kind}"><caption>{escape(block.title)}</caption>'
        f"<thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"
    )


def _row(cells: tuple[str, ...], share: float | None) -> str:
    first, *rest = cells
    meter = "" if share is None else f' <meter min="0" max="1" value="{share:.3f}" aria-label="share used"></meter>'
    others = "".join(f"<td>{escape(cell)}</td>" for cell in rest[:-1])
    last = f"<td>{escape(rest[-1])}{meter}</td>"
    return f'<tr><th scope="row">{escape(first)}</th>{others}{last}</tr>'


def _picture(picture: Picture) -> str:
    drawn = renderSVG.drawToString(picture.drawing).replace(
        "font-family: DejaVuSans;", "font-family: DejaVu Sans, sans-serif;"
    )
    source = b64encode(drawn.encode()).decode()
    return (
        f"<figure><figcaption>{escape(picture.title)}</figcaption>"
        f'<img src="data:image/svg+xml;base64,{source}" alt="{escape(picture.alt)}"></figure>'
    )
