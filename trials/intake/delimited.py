"""Text files with separators: bytes to a raw table.

Separator and encoding are decided from what the file holds: the separator that makes a header of known
column names, and UTF-8 unless the bytes are not. A file without quotation marks is split block by block;
one with them goes through the csv module.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING

from schemas.errors import IntakeError
from trials.intake.tables import TableBuilder

if TYPE_CHECKING:
    from collections.abc import Iterator

    from trials.intake.tables import KnownColumns, RawTable

SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}
_NAMES = SEPARATORS | {"|": "bars"}

_BLOCK = 1 << 15
_ROWS = 1 << 12
_LONGEST_LINE = 1 << 20
_MOST_LINES_IN_A_ROW = 1000
_BOMS = {
    codecs.BOM_UTF8: "utf-8-sig",
    codecs.BOM_UTF16_LE: "utf-16",
    codecs.BOM_UTF16_BE: "utf-16",
}
_NAMES_THE_SEPARATOR = re.compile(r'"?sep=([,;\t|])"?\n?')

@dataclass
class _Lines:
    """The lines of a text file, each of bearable length, counted within the row being read."""

    stream: io.TextIOWrapper
    name: str
    number: int = 0
    in_this_row: int = 0

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        line = self.stream.readline(_LONGEST_LINE)
        if not line:
            raise StopIteration
        self.number += 1
        self.in_this_row += 1
        if self.in_this_row > _MOST_LINES_IN_A_ROW:
            first = self.number - self.in_this_row + 1
            raise IntakeError(
                f"{self.name}: a quotation mark opened in line {first} is still open {_MOST_LINES_IN_A_ROW} "
                "lines later; close it, or take it out."
            )
        _refuse_long(line, self.name, self.number)
        return line


def read_delimited(content: bytes, name: str, known_columns: KnownColumns) -> tuple[RawTable, list[str]]:
    """The table in a text file, and remarks on how it was read.

    Parameters
    ----------
    content : bytes
        The file.
    name : str
        Its name, for messages.
    known_columns : callable
        Counts the headers that are known; the separator that scores best is taken.

    Raises
    ------
    IntakeError
        The bytes are not text, or a line, cell or row is beyond all measure.
    """
    encoding, remarks = _encoding(content, name)
    separator, header, lines = _header(content, encoding, name, known_columns)
    builder = TableBuilder(header, name)
    stream = _stream(content, encoding)
    if b'"' in content:
        _add_quoted(builder, _Lines(stream, name), separator, lines)
    else:
        for _ in range(lines):
            stream.readline()
        _add_plain(builder, stream, separator, name)
    table = builder.finish("", lines + 1, separator)
    return table, [f"Read as text with {_NAMES[separator]} between the cells.", *remarks]


def _encoding(content: bytes, name: str) -> tuple[str, list[str]]:
    for mark, encoding in _BOMS.items():
        if content.startswith(mark):
            try:
                content.decode(encoding)
            except UnicodeDecodeError:
                raise IntakeError(
                    f"{name} is marked as {encoding.upper()} text, but its bytes are not; save it again as CSV UTF-8."
                ) from None
            return encoding, []
    if content[:4096].count(0) > len(content[:4096]) // 10:
        raise IntakeError(
            f"{name} is not a text file that can be read (it is full of zero bytes); save it as CSV UTF-8 or as XLSX."
        )
    for encoding in ("utf-8", "cp1252"):
        try:
            content.decode(encoding)
        except UnicodeDecodeError:
            continue
        break
    else:
        encoding = "latin-1"
    if encoding == "utf-8":
        return encoding, []
    return encoding, [
        "The text is not UTF-8 and was read as Western European (Latin-1); look at letters such as µ and é."
    ]


def _stream(content: bytes, encoding: str) -> io.TextIOWrapper:
    return io.TextIOWrapper(io.BytesIO(content), encoding=encoding)


def _header(
    content: bytes, encoding: str, name: str, known_columns: KnownColumns
) -> tuple[str, list[str], int]:
    """Separator, header, and how many rows up to and with it."""
    stated = _NAMES_THE_SEPARATOR.fullmatch(_stream(content, encoding).readline(_LONGEST_LINE))
    best: tuple[int, int, str, list[str], int] | None = None
    for separator in [stated[1]] if stated else SEPARATORS:
        rows = csv.reader(_Lines(_stream(content, encoding), name), delimiter=separator)
        try:
            for number, row in enumerate(rows, start=1):
                if any(cell.strip() for cell in row) and not (stated and number == 1):
                    score = (known_columns(row), len(row))
                    if best is None or score > best[:2]:
                        best = (*score, separator, row, number)
                    break
        except csv.Error as error:
            raise IntakeError(_csv_fault(name, rows.line_num, error)) from None
    if best is None:
        raise IntakeError(f"{name} is empty.")
    return best[2:]


def _add_quoted(builder: TableBuilder, lines: _Lines, separator: str, skip: int) -> None:
    rows = csv.reader(lines, delimiter=separator)

    def counted() -> Iterator[list[str]]:
        for row in rows:
            lines.in_this_row = 0
            yield row

    try:
        body = islice(counted(), skip, None)
        while block := list(islice(body, _ROWS)):
            builder.add_rows(block)
    except csv.Error as error:
        raise IntakeError(_csv_fault(lines.name, lines.number, error)) from None


def _add_plain(builder: TableBuilder, stream: io.TextIOWrapper, separator: str, name: str) -> None:
    """Without quotation marks a block of lines is split at once, and only checked to be regular."""
    width = builder.width
    number = 0
    while block := stream.read(_BLOCK):
        rest = stream.readline(_LONGEST_LINE)
        _refuse_long(rest, name, number)
        block += rest
        if not block.endswith("\n"):
            block += "\n"
        length = block.count("\n")
        number += length
        # The line's end is kept as a mark in front of each first cell, to see that all are where they belong.
        cells = ("\n" + block[:-1]).replace("\n", separator + "\n").split(separator)[1:]
        first = [cell[1:] for cell in cells[::width] if cell[:1] == "\n"]
        if len(first) == length and len(cells) == length * width:
            builder.add_columns([first, *(cells[place::width] for place in range(1, width))], length)
        else:
            builder.add_rows([line.split(separator) for line in block[:-1].split("\n")])


def _refuse_long(line: str, name: str, number: int) -> None:
    if len(line) >= _LONGEST_LINE:
        raise IntakeError(
            f"{name} has a line of more than {_LONGEST_LINE:,} characters near line {number + 1}; "
            "no table of readings has, so the file is damaged or of another kind."
        )


def _csv_fault(name: str, line: int, error: csv.Error) -> str:
    if "field larger" in str(error):
        return (
            f"{name} has a cell of more than {csv.field_size_limit():,} characters in line {line}; "
            "a quotation mark is probably left open there."
        )
    return f"{name} cannot be read as a table at line {line}: {error}."
