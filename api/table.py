"""Tables as CSV (RFC 4180): header names equal the JSON names, full precision, CRLF."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence

MEDIA_TYPE = "text/csv"
#: A text that starts like this would be run as a formula by spreadsheets.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def csv_text(columns: Sequence[str], rows: Iterable[Mapping[str, object]], *, header: bool = True) -> str:
    """The rows below one header line; null is an empty cell, true and false are spelled as in JSON."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    if header:
        writer.writerow(map(_cell, columns))
    for row in rows:
        writer.writerow(_cell(row[column]) for column in columns)
    return text.getvalue()


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"'{value}" if value.startswith(_FORMULA_STARTS) else value
    return repr(value)


def wants_csv(format_asked: str | None, accept: str) -> bool:
    """True for format `csv`, or, where no format is asked for, when Accept prefers text/csv to JSON."""
    if format_asked is not None:
        return format_asked == "csv"
    weights = dict(_weighed(part) for part in accept.split(",") if part.strip())
    of_csv = weights.get("text/csv", weights.get("text/*", 0.0))
    return of_csv > weights.get("application/json", weights.get("*/*", 0.0))


def _weighed(part: str) -> tuple[str, float]:
    media_type, *parameters = (word.strip().lower() for word in part.split(";"))
    stated = next((p[2:] for p in parameters if p.startswith("q=")), "1")
    try:
        return media_type, float(stated)
    except ValueError:
        return media_type, 0.0
