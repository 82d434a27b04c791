"""A plain page: what this is, the cautions, the designs at a glance."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from html import escape
from pathlib import Path
from string import Template

from api.designs.representations import PATH
from physics.hazards import CAUTIONS
from worker import words
from worker.records import Design, Progress

_KEY_WANTED = "<p>Designs are shown to those with an access key.</p>"
_HEADS = ("design", "status", "trials", "diameter, mm", "recommended shot")


@cache
def _template(name: str) -> Template:
    return Template((Path(__file__).parent / "static" / name).read_text(encoding="utf-8"))


def _cautions() -> str:
    return "".join(f"<li>{escape(caution)}</li>" for caution in CAUTIONS)


def page_with_cautions(name: str) -> str:
    """A page that asks for the rest by itself; the cautions stand in it before anything is loaded."""
    return _template(name).substitute(cautions=_cautions())


def front_page(designs: Iterable[Design] | None, *, may_read: bool) -> str:
    """The page as HTML; `designs` is None when the store does not answer, or the caller may not read."""
    return _template("front_page.html").substitute(
        cautions=_cautions(), designs=_table(designs) if may_read else _KEY_WANTED
    )


def _table(designs: Iterable[Design] | None) -> str:
    if designs is None:
        return "<p>The store does not answer at the moment.</p>"
    rows = "".join(_row(design) for design in designs)
    if not rows:
        return f"<p>None yet: <code>POST {PATH}</code>.</p>"
    return f"<table><tr>{''.join(f'<th>{head}</th>' for head in _HEADS)}</tr>{rows}</table>"


def _row(design: Design) -> str:
    progress, request = design.progress, design.request
    before, after = request.workpiece.outer_diameter_m * 1e3, request.target_diameter_m * 1e3
    name = escape(request.name or design.id)
    return (
        f'<tr><td><a href="/design?design={design.id}">{name}</a></td><td>{design.state}</td>'
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
