"""Two columns out of a file of an oscilloscope: lines of text, some words first, then numbers."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from physics.waveform import TraceRefused

Floats = npt.NDArray[np.float64]

MOST_POINTS = 1_000_000
#: Lines that may stand before the numbers.
MOST_WORDS = 200
#: What may stand between columns; behind the first two a comma is the mark of decimals.
_SEPARATORS = (";", "\t", ",")


@dataclass(frozen=True)
class _Layout:
    """Where the numbers are: their first line (from 0), what stands between columns, and which two are wanted."""

    first_line: int
    separator: str
    columns: tuple[int, int]


def read_columns(file: bytes, names: tuple[str, str] | None = None) -> tuple[Floats, Floats]:
    """Time and value, both of shape (n,), as they stand in a file of text.

    `names` are those of the two columns in the line above them; without names the first two columns are taken. Commas,
    semicolons or tabs stand between columns; with one of the latter two, decimals may have a comma. Raises
    physics.waveform.TraceRefused where the file has no such columns, too many points, or something that is no number.
    """
    text = file.removeprefix(b"\xef\xbb\xbf").replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    layout = _layout(text, names)
    numbers = text.split(b"\n", layout.first_line)[-1].rstrip()
    if numbers.count(b"\n") >= MOST_POINTS:
        raise TraceRefused("too_long", f"the file has more than {MOST_POINTS} points; send the part around the shot")
    if layout.separator != ",":
        numbers = numbers.replace(b",", b".")
    try:
        found = np.loadtxt(
            io.BytesIO(numbers),
            delimiter=layout.separator,
            usecols=layout.columns,
            quotechar='"',
            comments=None,
            ndmin=2,
            encoding="latin-1",
        )
    except ValueError as problem:
        raise TraceRefused("not_a_number", _words(str(problem), layout)) from problem
    return np.ascontiguousarray(found[:, 0]), np.ascontiguousarray(found[:, 1])


def _layout(text: bytes, names: tuple[str, str] | None) -> _Layout:
    lines = text[:200_000].decode("utf-8", errors="replace").split("\n", MOST_WORDS)[:MOST_WORDS]
    wanted = (0, 1)
    begin = 0
    separators: Sequence[str] = _SEPARATORS
    if names is not None:
        begin, separator, wanted = _heading(lines, names)
        separators = (separator,)
    for number, line in enumerate(lines[begin:], start=begin):
        for separator in separators:
            cells = _cells(line, separator)
            if max(wanted) < len(cells) and all(_is_number(cells[place], separator) for place in wanted):
                return _Layout(number, separator, wanted)
    raise TraceRefused("no_numbers", f"no line of the first {len(lines)} has a number in both columns")


def _heading(lines: Sequence[str], names: tuple[str, str]) -> tuple[int, str, tuple[int, int]]:
    """The line after the one with the names, what stands between them, and their places."""
    for number, line in enumerate(lines):
        for separator in _SEPARATORS:
            cells = _cells(line, separator)
            if all(name.strip() in cells for name in names):
                return number + 1, separator, (cells.index(names[0].strip()), cells.index(names[1].strip()))
    time, value = (f"{name[:60]!r}" for name in names)
    raise TraceRefused("no_column", f"no line of the first {len(lines)} names the columns {time} and {value}")


def _cells(line: str, separator: str) -> list[str]:
    return [cell.strip() for cell in next(csv.reader([line.replace("\0", "")], delimiter=separator), [])]


def _is_number(cell: str, separator: str) -> bool:
    try:
        float(cell if separator == "," else cell.replace(",", "."))
    except ValueError:
        return False
    return True


def _words(problem: str, layout: _Layout) -> str:
    """Numpy's words about a row, which it counts from 0 below the heading, as a line of the file."""
    row = re.search(r"at row (\d+)", problem)
    if row is None:
        return "the columns cannot be read as numbers"
    wrong = re.search(r"could not convert string (.{1,40}?) to", problem)
    # A row that is too short is counted from 1.
    line = layout.first_line + int(row[1]) + (1 if wrong else 0)
    return f"{f'{wrong[1]} is no number' if wrong else 'a column is missing'}, about line {line} of the file"
