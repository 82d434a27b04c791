"""The sheet as PDF: A4, two pages at most, vectors and embedded fonts, the same bytes for the same content."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from io import BytesIO
from xml.sax.saxutils import escape

from reportlab.lib.colors import Color, black, white
from reportlab.lib.enums import TA_CENTER
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, PageBreak, PageTemplate, Paragraph, Spacer, Table

from api.sheet import fonts
from api.sheet.content import Block, Sheet
from api.sheet.drawings import Picture, bar

MOST_PAGES = 2
_EDGE, _TOP, _FOOT = 11.0 * mm, 9.0 * mm, 14.0 * mm
_WIDE = A4[0] - 2.0 * _EDGE
_GAP = 5.0 * mm
_HALF = 0.5 * (_WIDE - _GAP)
#: Letters in points, tried in this order until the sheet fits.
_SIZES = (9.5, 9.0, 8.5, 8.0, 7.6, 7.2, 6.8, 6.4, 6.0, 5.6, 5.2)
_PALE, _RULE = Color(0.93, 0.93, 0.93), Color(0.7, 0.7, 0.7)


def pdf_of(sheet: Sheet) -> bytes:
    """The file. Each page has the largest letters that let it be one."""
    fonts.register()
    first, second = (_fitting(sheet, part) for part in (_Page.first, _Page.second))
    data, pages = _built(sheet, [*first, PageBreak(), *second])
    if pages > MOST_PAGES:
        raise ValueError(f"the sheet does not fit on {MOST_PAGES} pages of A4")
    return data


def _fitting(sheet: Sheet, part: Callable[[_Page], list[Flowable]]) -> list[Flowable]:
    for size in _SIZES:
        if _built(sheet, part(_Page(sheet, size)))[1] == 1:
            break
    return part(_Page(sheet, size))


def _built(sheet: Sheet, story: list[Flowable]) -> tuple[bytes, int]:
    """The file and its pages."""
    target = BytesIO()
    document = BaseDocTemplate(
        target,
        pagesize=A4,
        title=sheet.title,
        author="Shotwright",
        subject="Shot sheet",
        lang="en",
        invariant=1,
    )
    edges = {f"{side}Padding": 0 for side in ("left", "right", "top", "bottom")}
    frame = Frame(_EDGE, _FOOT, _WIDE, A4[1] - _FOOT - _TOP, **edges)
    document.addPageTemplates(PageTemplate(frames=[frame], onPage=partial(_foot, sheet)))
    document.build(story)
    return target.getvalue(), document.page


def _foot(sheet: Sheet, canvas: Canvas, document: BaseDocTemplate) -> None:
    canvas.setFont(fonts.PLAIN, 6.5)
    told = ("   ".join([*sheet.footer[:2], f"made {sheet.made_at}"]), sheet.footer[2])
    for line, text in enumerate([*told, "Estimates for planning; local codes and licensed practice decide."]):
        canvas.drawString(_EDGE, (10.5 - 2.8 * line) * mm, text)
    canvas.drawRightString(A4[0] - _EDGE, 10.5 * mm, f"page {document.page} of {MOST_PAGES}")


class _Page:
    """What stands on the pages, in letters of one size."""

    def __init__(self, sheet: Sheet, size: float) -> None:
        self.sheet, self.size = sheet, size
        self.plain = ParagraphStyle("plain", fontName=fonts.PLAIN, fontSize=size, leading=1.18 * size)
        self.small = ParagraphStyle("small", parent=self.plain, fontSize=0.92 * size, leading=1.08 * size)
        self.head = ParagraphStyle("head", parent=self.plain, fontName=fonts.BOLD, spaceBefore=0.5 * size, spaceAfter=1)
        self.title = ParagraphStyle("title", parent=self.head, fontSize=1.7 * size, leading=2.0 * size)
        self.big = ParagraphStyle("big", parent=self.head, fontSize=2.8 * size, leading=3.1 * size, alignment=TA_CENTER)
        self.under = ParagraphStyle("under", parent=self.plain, alignment=TA_CENTER)

    def first(self) -> list[Flowable]:
        sheet = self.sheet
        found: list[Flowable] = [
            self._text(sheet.title, self.title),
            self._boxed(("NOT TO BE FIRED. " if sheet.stop else "") + sheet.verdict, heavy=sheet.stop),
            Spacer(1, 1.5 * mm),
            self._cautions(),
            Spacer(1, 1.5 * mm),
            self._settings(),
        ]
        left = self._table(sheet.winding, (0.3, 0.7))
        right = self._table(sheet.bench, (0.42, 0.58))
        if sheet.section is not None:
            right += [Spacer(1, 1 * mm), *self._picture(sheet.section)]
        found.append(self._beside(left, right))
        if sheet.limits.rows:
            found += self._limits()
        found += [self._text("Go or no-go", self.head), self._checks()]
        return found

    def second(self) -> list[Flowable]:
        sheet = self.sheet
        waves = [self._picture(picture) for picture in sheet.waveforms]
        found: list[Flowable] = []
        left = self._table(sheet.predicted, (0.46, 0.22, 0.32))
        right = [flowable for picture in waves[:2] for flowable in picture]
        found.append(self._beside(left, right))
        if len(waves) > 2:
            found.append(self._beside(waves[2], waves[3]))
        found += self._halved(sheet.hazards, (0.25, 0.17, 0.58))
        found += self._halved(sheet.faults, (0.25, 0.15, 0.6))
        found += self._halved(sheet.measured, (0.45, 0.22, 0.33), roomy=True)
        found += self._signatures()
        return found

    def _text(self, words: str, style: ParagraphStyle) -> Paragraph:
        return Paragraph(escape(words), style)

    def _boxed(self, words: str, *, heavy: bool) -> Table:
        style = [("BOX", (0, 0), (-1, -1), 3.0 if heavy else 1.0, black), ("TOPPADDING", (0, 0), (-1, -1), 2)]
        return Table([[self._text(words, self.head if heavy else self.plain)]], [_WIDE], style=style)

    def _cautions(self) -> Table:
        half = (len(self.sheet.cautions) + 1) // 2
        columns = [
            [self._text(f"▲ {caution}", self.small) for caution in part]
            for part in (self.sheet.cautions[:half], self.sheet.cautions[half:])
        ]
        style = [*_TIGHT, ("BOX", (0, 0), (-1, -1), 1.5, black), ("VALIGN", (0, 0), (-1, -1), "TOP")]
        style += [("LEFTPADDING", (0, 0), (-1, -1), 4), ("RIGHTPADDING", (0, 0), (-1, -1), 4)]
        return Table([columns], [0.5 * _WIDE] * 2, style=style)

    def _settings(self) -> Table:
        cells = [[self._text(value, self.big), self._text(name, self.under)] for name, value in self.sheet.settings]
        style = [*_TIGHT, ("BOX", (0, 0), (-1, -1), 1.0, black), ("INNERGRID", (0, 0), (-1, -1), 0.5, black)]
        return Table([cells], [_WIDE / len(cells)] * len(cells), style=style)

    def _table(
        self, block: Block, shares: Sequence[float], *, wide: float = _HALF, titled: bool = True
    ) -> list[Flowable]:
        rows = [[self._text(cell, self.small) for cell in row] for row in block.rows]
        table = Table(rows, [share * wide for share in shares], style=_LINED) if rows else Spacer(1, 1)
        return [self._text(block.title, self.head), table] if titled else [table]

    def _halved(self, block: Block, shares: Sequence[float], *, roomy: bool = False) -> list[Flowable]:
        """A long table as two beside each other."""
        half = (len(block.rows) + 1) // 2
        parts = [Block("", block.head, block.rows[:half]), Block("", block.head, block.rows[half:])]
        sides = [self._table(part, shares, titled=False) for part in parts]
        if roomy:
            for side in sides:
                side[0].setStyle([("TOPPADDING", (0, 0), (-1, -1), 3.2), ("LINEAFTER", (1, 0), (1, -1), 0.5, black)])
        return [self._text(block.title, self.head), self._beside(*sides)]

    def _limits(self) -> list[Flowable]:
        block = self.sheet.limits
        cells = [
            [
                self._text(name, self.small),
                self._text(used, self.small),
                bar(share, 22 * mm, 0.7 * self.size),
                self._text(margin, self.small),
            ]
            for (name, used, margin), share in zip(block.rows, block.bars, strict=True)
        ]
        half = (len(cells) + 1) // 2
        widths = [0.3 * _HALF, 0.3 * _HALF, 24 * mm, 0.4 * _HALF - 24 * mm]
        sides = [
            [Table(part, widths, style=_LINED)] if part else [Spacer(1, 1)] for part in (cells[:half], cells[half:])
        ]
        return [self._text(block.title, self.head), self._beside(*sides)]

    def _checks(self) -> Table:
        entries: list[list[Flowable]] = []
        for stage, actions in self.sheet.checks:
            entries.append([self._text(stage.upper(), self.head)])
            entries += [[self._text(f"☐ {action}", self.small)] for action in actions]
        length, taken = sum(self._rough(entry) for entry in entries), 0.0
        halves: tuple[list[Flowable], list[Flowable]] = ([], [])
        for entry in entries:
            halves[0 if taken < 0.5 * length else 1].extend(entry)
            taken += self._rough(entry)
        return self._beside(*halves)

    def _rough(self, entry: Sequence[Flowable]) -> float:
        """Height of an entry in a half."""
        return float(sum(flowable.wrap(_HALF, 1000.0 * mm)[1] for flowable in entry))

    def _signatures(self) -> list[Flowable]:
        names = ("date and time", "fired by", "second person", "shot no.")
        cells = [[self._text(name, self.small) for name in names]]
        style = [("LINEABOVE", (0, 0), (-1, -1), 0.6, black), ("TOPPADDING", (0, 0), (-1, -1), 1)]
        return [Spacer(1, 8 * mm), Table(cells, [_WIDE / len(names)] * len(names), style=style)]

    def _picture(self, picture: Picture) -> list[Flowable]:
        drawing = picture.drawing
        scale = _HALF / drawing.width
        drawn = drawing.copy()
        drawn.scale(scale, scale)
        drawn.width, drawn.height = drawing.width * scale, drawing.height * scale
        return [self._text(picture.title, self.head), drawn]

    def _beside(self, left: Sequence[Flowable], right: Sequence[Flowable]) -> Table:
        style = [*_TIGHT, ("VALIGN", (0, 0), (-1, -1), "TOP")]
        return Table([[list(left), "", list(right)]], [_HALF, _GAP, _HALF], style=style)


_TIGHT = [
    ("LEFTPADDING", (0, 0), (-1, -1), 0),
    ("RIGHTPADDING", (0, 0), (-1, -1), 0),
    ("TOPPADDING", (0, 0), (-1, -1), 0.5),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 0.5),
]
_LINED = [
    *_TIGHT,
    ("RIGHTPADDING", (0, 0), (-1, -1), 3),
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
    ("LINEBELOW", (0, 0), (-1, -1), 0.3, _RULE),
    ("ROWBACKGROUNDS", (0, 0), (-1, -1), [white, _PALE]),
]
