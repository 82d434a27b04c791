"""Puts a finished design into words and tables in practical units: mm, kV, µF, kA, J."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence

from api.designs.representations import CandidateDetail, CandidateRow, DesignDetail
from physics.result import Hazards, Rating, ShotResult
from worker.front import SPREAD_WORDS
from worker.ratings import WORDS
from worker.request import DesignRequest
from worker.search_space import SearchSpace
from worker.words import quantity

_WIDTH = 100
_MOST_ROWS = 12
_MOST_SPREADS = 3


def request_lines(request: DesignRequest) -> list[str]:
    """What is asked, in one paragraph."""
    part, limits, search, bench = request.workpiece, request.limits, request.search, request.bench
    stray_h = bench.bank.inductance_henry + bench.switch.inductance_henry + bench.leads.inductance_henry
    stray_ohm = bench.bank.resistance_ohm + bench.switch.resistance_ohm + bench.leads.resistance_ohm
    current = f", peak current {limits.peak_current_a / 1e3:.0f} kA" if limits.peak_current_a else ""
    return _facts(
        {
            "part": f"{part.shape}, {_material(request)}, {_mm(part.outer_diameter_m, 1)} mm across, "
            f"{_mm(part.thickness_m, 1)} mm thick",
            "target": f"{_mm(request.target_diameter_m)} mm across, give or take {_mm(request.target.tolerance_m)} mm",
            "limits": f"charge voltage {limits.charge_voltage_v / 1e3:.1f} kV, "
            f"stored energy {limits.stored_energy_j:.0f} J{current}",
            "bench": f"stray {stray_h * 1e6:.2f} µH and {stray_ohm * 1e3:.0f} mΩ in bank, switch and leads",
            "search": f"{search.turns.low_count} to {search.turns.high_count} turns of {', '.join(search.wires)}; "
            f"{_gap(search)}; {_bank(search)}; "
            f"{request.budget_trials_count} trials",
        }
    )


def _gap(search: SearchSpace) -> str:
    if search.formers is not None:
        walls = ", ".join(_mm(wall, 1) for wall in search.formers.walls_m)
        return f"formers of {walls} mm with {_mm(search.formers.clearance_m)} mm of clearance"
    assert search.gap is not None, "a request gives one of the two"
    return f"gap {_mm(search.gap.low_m, 1)} to {_mm(search.gap.high_m, 1)} mm"


def _bank(search: SearchSpace) -> str:
    if search.capacitors is not None:
        stock = search.capacitors
        return f"{stock.low_count} to {stock.high_count} capacitors of {stock.each_farad * 1e6:.0f} µF"
    assert search.capacitance is not None, "a request gives one of the two"
    return f"{search.capacitance.low_farad * 1e6:.0f} to {search.capacitance.high_farad * 1e6:.0f} µF"


def _material(request: DesignRequest) -> str:
    material = request.workpiece.layers[0].material
    return material if isinstance(material, str) else "own material"


def front_lines(rows: Sequence[CandidateRow]) -> list[str]:
    """The trade-off front as a table, least stored energy first; `*` marks the recommended candidate."""
    heads = ("", "no.", "turns", "wire", "gap mm", "µF", "kV", "J", "kA", "final mm", "margin", "chance")
    shown = _spread(rows)
    left_out = [f"{len(rows) - len(shown)} more in between are not shown."] if len(shown) < len(rows) else []
    return [*_table([heads, *(_front_cells(row) for row in shown)]), *left_out]


def _spread(rows: Sequence[CandidateRow]) -> list[CandidateRow]:
    """The ends of the front, the recommended one, and some evenly in between."""
    last = len(rows) - 1
    chosen = {round(n * last / (_MOST_ROWS - 1)) for n in range(_MOST_ROWS)}
    return [row for place, row in enumerate(rows) if last < _MOST_ROWS or place in chosen or row.recommended]


def _front_cells(row: CandidateRow) -> tuple[str, ...]:
    return (
        "*" if row.recommended else "",
        str(row.number),
        str(row.turns_count),
        row.wire,
        _mm(row.gap_m),
        f"{row.capacitance_farad * 1e6:.0f}",
        _scaled(row.charge_voltage_v, 1e-3, 2),
        _scaled(row.stored_energy_j, 1.0, 0),
        _scaled(row.peak_current_a, 1e-3, 1),
        _scaled(row.final_outer_diameter_m, 1e3, 2),
        _scaled(row.margin_ratio, 100.0, 0) + " %",
        _scaled(row.chance_ratio, 100.0, 0) + " %",
    )


def shot_lines(detail: CandidateDetail) -> list[str]:
    """Whether anything forbids the recommended shot, what to build, and what it will do."""
    assert detail.result is not None, "a recommended candidate has a voltage"
    verdict = _wrapped(detail.result.verdict.statement)
    facts = [
        *verdict,
        "",
        *_build_lines(detail.candidate, detail.result),
        "",
        *_figure_lines(detail.result, detail.ratings),
    ]
    return [*facts, "", *_spread_lines(detail)] if detail.robustness else facts


def _build_lines(row: CandidateRow, result: ShotResult) -> list[str]:
    coil = result.shot.coil
    bore_m = result.shot.workpiece.outer_diameter_m + 2.0 * result.shot.gap_m
    length_m = (coil.turns_count - 1) * coil.pitch_m + coil.radial_m
    return _facts(
        {
            "coil": f"{coil.turns_count} turns of {row.wire}, {_mm(coil.radial_m)} mm bare, "
            f"pitch {_mm(coil.pitch_m)} mm, {_mm(length_m, 1)} mm long",
            "bore of the bare turns": f"{_mm(bore_m)} mm: a gap of {_mm(row.gap_m)} mm all round, former included",
            "bank": f"{row.capacitance_farad * 1e6:.0f} µF charged to {_scaled(row.charge_voltage_v, 1e-3, 2)} kV: "
            f"{_scaled(row.stored_energy_j, 1.0, 0)} J",
        }
    )


def _figure_lines(result: ShotResult, ratings: Sequence[Rating]) -> list[str]:
    figures = result.summary
    assert figures is not None, "a recommended shot has converged"
    burst = "not expected"
    if figures.burst_time_s is not None and figures.burst_current_a is not None:
        burst = f"after {_us(figures.burst_time_s)} µs, with {abs(figures.burst_current_a) / 1e3:.1f} kA still flowing"
    zero = "not reached" if figures.first_current_zero_s is None else f"after {_us(figures.first_current_zero_s)} µs"
    return _facts(
        {
            "final diameter": f"{_mm(figures.final_outer_diameter_m)} mm, shrink ratio {figures.shrink_ratio:.3f}",
            "final thickness": f"{_mm(figures.final_rim_thickness_m)} mm at the rim, "
            f"{_mm(figures.final_centre_thickness_m)} mm in the middle",
            "peak current": f"{figures.peak_current_a / 1e3:.1f} kA after {_us(figures.time_to_peak_s)} µs; "
            f"current zero {zero}",
            "peak field in the gap": f"{figures.peak_gap_field_tesla:.1f} T",
            "voltage reversal": f"{100.0 * figures.voltage_reversal_ratio:.0f} %",
            "coil burst": burst,
            "rim": f"{figures.peak_workpiece_speed_m_per_s:.0f} m/s at most",
            "left to the limits": ", ".join(map(_rating_words, ratings)),
        }
    )


def _spread_lines(detail: CandidateDetail) -> list[str]:
    """What becomes of the shot when things stray, and what matters most."""
    found = detail.robustness
    assert found is not None, "asked for only where it was computed"
    shares = [f"{SPREAD_WORDS[share.spread]} {share.total_ratio:.0%}" for share in found.ranking[:_MOST_SPREADS]]
    return _facts(
        {
            "within tolerance": f"{found.chance_ratio:.0%} of shots (give or take {found.chance_error_ratio:.1%}) "
            f"with the stated spreads; standard deviation {_mm(found.spread_m)} mm",
            "what matters": ", ".join(shares) + " of the variance",
            "trim": f"{found.voltage_trim_ratio:+.2%} of charge voltage centres it: {found.trimmed_chance_ratio:.0%}",
        }
    )


def _rating_words(rating: Rating) -> str:
    """`charge_voltage_v` -> `voltage 47 %`."""
    return f"{WORDS[rating.name][0]} {100.0 * rating.margin_ratio:.0f} %"


def _told(value: float | None, unit: str) -> str:
    return "not rated" if value is None else quantity(value, unit)


def hazard_lines(hazards: Hazards) -> list[str]:
    """The hazards with their numbers, then the cautions."""
    shown = {h.name.replace("_", " "): f"{_told(h.value, h.unit)}: {h.statement}" for h in hazards.estimates}
    cautions = [line for caution in hazards.cautions for line in _wrapped(f"! {caution}", "  ")]
    return [*_facts(shown), "", *cautions]


def limiting_lines(design: DesignDetail) -> list[str]:
    """Why nothing is feasible."""
    if design.limiting is None:
        return []
    misses = [f"  {miss.trials_count} trials: {miss.reason.replace('_', ' ')}" for miss in design.limiting.misses]
    return [*misses, *_wrapped(design.limiting.advice)]


def paragraph(text: str) -> list[str]:
    """Text wrapped to the report's width."""
    return _wrapped(text)


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(text, _WIDTH, subsequent_indent=indent)


def _facts(facts: Mapping[str, str]) -> list[str]:
    width = max(map(len, facts))
    indent = " " * (width + 4)
    return [line for name, text in facts.items() for line in _wrapped(f"  {name:<{width}}  {text}", indent)]


def _table(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines = ["  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)) for row in rows]
    return [lines[0], "-" * len(lines[0]), *lines[1:]]


def _mm(length_m: float, digits: int = 2) -> str:
    return f"{length_m * 1e3:.{digits}f}"


def _us(time_s: float) -> str:
    return f"{time_s * 1e6:.1f}"


def _scaled(value: float | None, factor: float, digits: int) -> str:
    return "–" if value is None else f"{value * factor:.{digits}f}"
