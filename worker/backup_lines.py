"""The lines of a backup: a header, pieces of keys, and an end that tells whether the file is whole.

Each line is one JSON object. A key of many entries takes several lines, each a piece of it. Text stands as it is; bytes
that are no UTF-8 (packed candidates) stand as {"base64": "..."}. The end holds the SHA-256 of all lines before it.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, BinaryIO, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError, ValidationInfo, field_validator

from worker.errors import BackupRefused

FORMAT_VERSION = 1
#: No line that this program writes is as long: a sample or a bitmap of a million trials is far shorter.
MOST_LINE_BYTES = 64_000_000

Kind = Literal["string", "hash", "list", "set", "zset", "stream"]


class _Line(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Packed(_Line):
    """Bytes that are no text."""

    base64: str


Words = str | Packed

#: What a piece of each kind holds.
SHAPES: dict[Kind, TypeAdapter[Any]] = {
    "string": TypeAdapter(Words),
    "hash": TypeAdapter(dict[str, Words]),
    "list": TypeAdapter(list[Words]),
    "set": TypeAdapter(list[Words]),
    "zset": TypeAdapter(list[tuple[Words, float]]),
    "stream": TypeAdapter(list[tuple[str, list[tuple[Words, Words]]]]),
}


class Header(_Line):
    """The first line."""

    line: Literal["header"] = "header"
    format_version: int = FORMAT_VERSION
    schema_version: int = Field(description="Layout of the keys, see migrations.py.")
    made_at: datetime


class Piece(_Line):
    """A key, or a part of one. The first piece of a key tells when the key expires."""

    line: Literal["piece"] = "piece"
    key: str = Field(description="Without the prefix that all keys share.")
    kind: Kind
    expires_at: datetime | None = None
    value: Any = Field(description="As `SHAPES` says for its kind.")

    @field_validator("value")
    @classmethod
    def _of_its_kind(cls, value: object, info: ValidationInfo) -> object:
        return SHAPES[info.data["kind"]].validate_python(value) if "kind" in info.data else value


class End(_Line):
    """The last line."""

    line: Literal["end"] = "end"
    keys_count: int
    pieces_count: int
    sha256: str


Line = Annotated[Header | Piece | End, Field(discriminator="line")]
_LINE: TypeAdapter[Header | Piece | End] = TypeAdapter(Line)


def spell(data: bytes) -> Words:
    """Bytes as text where they are UTF-8."""
    try:
        return data.decode()
    except UnicodeDecodeError:
        return Packed(base64=base64.b64encode(data).decode())


def unspell(words: Words) -> bytes:
    """The other way round; every byte comes back."""
    return words.encode() if isinstance(words, str) else base64.b64decode(words.base64, validate=True)


class LineWriter:
    """Writes lines and keeps count."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._digest = hashlib.sha256()
        self._pieces_count = 0

    def write(self, line: Header | Piece) -> None:
        """Add a line."""
        self._pieces_count += isinstance(line, Piece)
        self._put(line)

    def end(self, keys_count: int) -> None:
        """Add the last line."""
        self._put(End(keys_count=keys_count, pieces_count=self._pieces_count, sha256=self._digest.hexdigest()))

    def _put(self, line: BaseModel) -> None:
        text = line.model_dump_json().encode() + b"\n"
        self._digest.update(text)
        self._file.write(text)


def checked_header(path: Path) -> tuple[Header, End]:
    """Read the whole file once; returns its first and last line. Raises BackupRefused when it is damaged."""
    digest, pieces_count, before = hashlib.sha256(), 0, hashlib.sha256()
    header: Any = None
    last: Any = None
    keys = set[str]()
    for number, text in _texts(path):
        if last is not None:
            raise BackupRefused(f"{path} is damaged: line {number} comes after its end")
        line = _parsed(path, number, text)
        if number == 1:
            header = line
        elif isinstance(line, Header):
            raise BackupRefused(f"{path} is damaged: line {number} is a second header")
        before = digest.copy()
        digest.update(text)
        if isinstance(line, Piece):
            pieces_count += 1
            keys.add(line.key)
        elif isinstance(line, End):
            last = line
    if not isinstance(header, Header):
        raise BackupRefused(f"{path} is no backup: its first line is no header")
    if last is None:
        raise BackupRefused(f"{path} is not whole: its end is missing")
    if (last.keys_count, last.pieces_count, last.sha256) != (len(keys), pieces_count, before.hexdigest()):
        raise BackupRefused(f"{path} is damaged: its lines are not those that its end was made for")
    return header, last


def pieces(path: Path) -> Iterator[Piece]:
    """The pieces of a file that has been checked."""
    for number, text in _texts(path):
        line = _parsed(path, number, text)
        if isinstance(line, Piece):
            yield line


def _texts(path: Path) -> Iterator[tuple[int, bytes]]:
    with path.open("rb") as file:
        number = 0
        while text := file.readline(MOST_LINE_BYTES):
            number += 1
            yield number, text


def _parsed(path: Path, number: int, text: bytes) -> Header | Piece | End:
    try:
        return _LINE.validate_json(text)
    except ValidationError as problem:
        what = "is no backup" if number == 1 else "is damaged"
        raise BackupRefused(f"{path} {what}: line {number} cannot be read") from problem
