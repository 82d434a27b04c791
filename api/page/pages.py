"""The pages: a shell with navigation and the cautions, which stand before any script runs, round what each is about."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from html import escape
from pathlib import Path
from string import Template

from physics.hazards import CAUTIONS
from worker import words
from worker.records import Design, Progress

_STATIC = Path(__file__).parent / "static"
_KEY_WANTED = "<p>Designs are shown to those with an access key.</p>"
_HEADS = ("design", "status", "trials", "diameter, mm", "recommended shot")


@dataclass(frozen=True)
class Page:
    """A page by its path: its title, and the name of its script and of what stands in it."""

    path: str
    title: str
    name: str
    #: Whether it shows one shot at its length, and the cautions before that.
    of_shot: bool = False


#: All but the front page, which also shows the designs before a script runs.
PAGES = (
    Page("/new", "New design", "new_design"),
    Page("/new-shot", "New shot", "new_shot"),
    Page("/design", "Design", "design"),
    Page("/shot", "Shot", "shot", of_shot=True),
    Page("/compare", "Shots compared", "compare", of_shot=True),
    Page("/aim", "The next shot", "aim", of_shot=True),
    Page("/explain", "A shot explained", "explain"),
    Page("/benches", "Benches", "benches"),
    Page("/bench", "Bench", "bench"),
    Page("/records", "Records of fired shots", "records"),
    Page("/record", "Record of a fired shot", "record", of_shot=True),
    Page("/fit", "Fit of a bench", "fit"),
)
_FRONT = Page("/", "Designs", "designs")


@cache
def _template(name: str) -> Template:
    return Template((_STATIC / name).read_text(encoding="utf-8"))


def page_of(page: Page, **shown: str) -> str:
    """The page as HTML; it asks the API for the rest by itself."""
    entries = "".join(f"<li>{escape(caution)}</li>" for caution in CAUTIONS)
    cautions = _template("cautions.html").substitute(cautions=entries)
    above, below = (cautions, "") if page.of_shot else ("", cautions)
    main = _template(f"{page.name}.html").substitute(shown)
    return _template("shell.html").substitute(title=page.title, script=page.name, main=main, above=above, below=below)


def front_page(designs: Iterable[Design] | None, *, may_read: bool) -> str:
    """The first page; `designs` is None when the store does not answer, or the caller may not read."""
    return page_of(_FRONT, designs=_table(designs) if may_read else _KEY_WANTED)


def _table(designs: Iterable[Design] | None) -> str:
    if designs is None:
        return "<p>The store does not answer at the moment.</p>"
    rows = "".join(_row(design) for design in designs)
    if not rows:
        return '<p>None yet. <a href="/new">Ask for the first one</a>, or run <code>make demo</code>.</p>'
    head = "".join(f'<th scope="col">{head}</th>' for head in _HEADS)
    return f"<table><caption>Latest designs</caption><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"


def _row(design: Design) -> str:
    progress, request = design.progress, design.request
    before, after = request.workpiece.outer_diameter_m * 1e3, request.target_diameter_m * 1e3
    name = escape(request.name or design.id)
    return (
        f'<tr><th scope="row"><a href="/design?design={design.id}">{name}</a></th><td>{design.state}</td>'
        f'<td class="number">{_trials_words(progress)}</td>'
        f'<td class="number">{before:.2f} → {after:.2f}</td><td>{_recommended_words(design)}</td></tr>'
    )


def _trials_words(progress: Progress) -> str:
    if progress.budget_trials_count is None:
        return str(progress.finished_trials_count)
    return f"{progress.finished_trials_count} of {progress.budget_trials_count}"


def _recommended_words(design: Design) -> str:
    if design.recommended is None:
        return "nothing feasible" if design.limiting else "–"
    candidate = design.recommended.candidate
    chosen, voltage_v = candidate.parameters, candidate.charge_voltage_v or 0.0
    told = (
        f"{chosen.turns_count} turns of {chosen.wire}, gap {words.length(chosen.gap_m)}, "
        f"{words.capacitance(chosen.capacitance_farad)} at {words.voltage(voltage_v)}, "
        f"{words.energy(0.5 * chosen.capacitance_farad * voltage_v**2)}"
    )
    return f'<a href="/shot?design={design.id}&amp;number={candidate.number}">{escape(told)}</a>'
