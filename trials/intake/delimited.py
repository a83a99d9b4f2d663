"""Text files with separators: bytes to a raw table.

Separator and encoding are decided from what the file holds: the separator that makes a header of known
column names, and UTF-8 unless the bytes are not. A file with quotation marks goes through the csv module.
One without them is cut at its separators block by block: a block in which every line has as many cells as
the header by the tokenizer of pandas, told to take every cell as text; any other block line by line.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING

import pandas as pd

from schemas.errors import IntakeError
from trials.intake.header_rows import SEARCHED, header_row, on_header, rows_of_data
from trials.intake.tables import TableBuilder

if TYPE_CHECKING:
    from collections.abc import Iterator

    from trials.intake.tables import Headings, RawTable

SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}
_NAMES = SEPARATORS | {"|": "bars"}

_BLOCK = 1 << 22
_ROWS = 1 << 12
_LONGEST_LINE = 1 << 20
_MOST_LINES_IN_A_ROW = 1000
_MOST_LINES = 2_000_000
_NAMES_THE_SEPARATOR = re.compile(r'"?sep=([,;\t|])"?\r?\n?')


@dataclass(frozen=True)
class _Text:
    """A text file in a coding that holds ASCII as it is, without byte order mark, with line feeds."""

    name: str
    content: bytes
    encoding: str

    def lines(self) -> _Lines:
        return _Lines(io.TextIOWrapper(io.BytesIO(self.content), encoding=self.encoding), self.name)


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
            raise IntakeError(
                f"{self.name}: a quotation mark opened in line {self.number - self.in_this_row + 1} is still open "
                f"{_MOST_LINES_IN_A_ROW} lines later; close it, or take it out."
            )
        if len(line) >= _LONGEST_LINE:
            raise IntakeError(_too_long(self.name, self.number))
        return line


def read_delimited(content: bytes, name: str, headings: Headings) -> tuple[RawTable, list[str]]:
    """The table in a text file, and remarks on how it was read.

    Parameters
    ----------
    content : bytes
        The file.
    name : str
        Its name, for messages.
    headings : Headings
        Counts the headers that are known; the separator that scores best is taken.

    Raises
    ------
    IntakeError
        The bytes are not text, or a line, cell or row is beyond all measure.
    """
    text, remarks = _decoded(content, name)
    lines = text.content.count(b"\n")
    if lines > _MOST_LINES:
        raise IntakeError(
            f"{name} has {lines:,} lines; {_MOST_LINES:,} is the most that is read at once, so split it."
        )
    separator, above, header = _header(text, headings)
    number = len(above) + 1
    builder = TableBuilder(header, name)
    data = rows_of_data(above, header)
    builder.add_above([(place + 1, above[place]) for place in data])
    if b'"' in text.content:
        _add_quoted(builder, text.lines(), separator, number)
    else:
        _add_plain(builder, text, separator, number)
    table = builder.finish("", number + 1, separator, on_header(above, data))
    return table, [f"Read as text with {_NAMES[separator]} between the cells.", *remarks]


def _decoded(content: bytes, name: str) -> tuple[_Text, list[str]]:
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        try:
            content = content.decode("utf-16").encode()
        except UnicodeError:
            raise IntakeError(f"{name} is damaged UTF-16 text; save it again as CSV UTF-8.") from None
    head = content[:4096]
    if head.count(0) > len(head) // 10:
        raise IntakeError(
            f"{name} is not text that can be read (it is full of zero bytes); save it as CSV UTF-8 or as XLSX."
        )
    content = content.removeprefix(codecs.BOM_UTF8)
    if b"\r" in content and re.search(rb"\r(?!\n)", content):
        content = content.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    encoding = next(known for known in ("utf-8", "cp1252", "latin-1") if _is_in(content, known))
    remark = (
        "The text is not UTF-8 and was read as Western European (Latin-1): look at letters such as µ and é."
    )
    return _Text(name, content, encoding), [] if encoding == "utf-8" else [remark]


def _is_in(content: bytes, encoding: str) -> bool:
    try:
        content.decode(encoding)
    except UnicodeDecodeError:
        return False
    return True


def _header(text: _Text, headings: Headings) -> tuple[str, list[list[str]], list[str]]:
    """Separator, the rows above the header, and the header."""
    stated = _NAMES_THE_SEPARATOR.fullmatch(next(text.lines(), ""))
    best: tuple[tuple[int, int], str, list[list[str]]] | None = None
    fault: IntakeError | None = None
    for separator in [stated[1]] if stated else SEPARATORS:
        try:
            rows = list(islice(_rows(text.lines(), separator), SEARCHED + bool(stated)))
        except IntakeError as error:  # a quotation mark may be left open under one separator and not another
            fault = error
            continue
        if stated:
            rows[0] = []  # says what the separator is, and nothing else
        found = header_row(rows, headings)
        if found:
            score = (found.known, len(rows[found.place]))
            if best is None or score > best[0]:
                best = score, separator, rows[: found.place + 1]
    if best is None:
        raise fault or IntakeError(f"{text.name} is empty.")
    *above, header = best[2]
    return best[1], above, header


def _rows(lines: _Lines, separator: str) -> Iterator[list[str]]:
    try:
        for row in csv.reader(lines, delimiter=separator):
            lines.in_this_row = 0
            yield row
    except csv.Error as error:
        raise IntakeError(_csv_fault(lines.name, lines.number, error)) from None


def _add_quoted(builder: TableBuilder, lines: _Lines, separator: str, skip: int) -> None:
    body = islice(_rows(lines, separator), skip, None)
    while block := list(islice(body, _ROWS)):
        builder.add_rows(block)


def _add_plain(builder: TableBuilder, text: _Text, separator: str, skip: int) -> None:
    start = 0
    for _ in range(skip):
        start = text.content.find(b"\n", start) + 1 or len(text.content)
    while start < len(text.content):
        end = text.content.find(b"\n", start + _BLOCK) + 1 or len(text.content)
        if end - start > _BLOCK + _LONGEST_LINE:
            raise IntakeError(_too_long(text.name, text.content.count(b"\n", 0, end)))
        block = text.content[start:end]
        if not _add_regular(builder, block, separator, text.encoding):
            lines = block.decode(text.encoding).replace("\r\n", "\n").removesuffix("\n").split("\n")
            builder.add_rows([line.split(separator) for line in lines])
        start = end


def _add_regular(builder: TableBuilder, block: bytes, separator: str, encoding: str) -> bool:
    """Adds a block in which every line has as many cells as the header; False for any other block.

    No line is longer than the first, or the tokenizer refuses; so with as many separators as there should be,
    none is shorter either.
    """
    length = block.count(b"\n") + (not block.endswith(b"\n"))
    if b"\0" in block or block.count(separator.encode()) != length * (builder.width - 1):
        return False
    try:
        frame = pd.read_csv(
            io.BytesIO(block),
            sep=separator,
            header=None,
            dtype=object,  # str validates each cell, and a category takes a column of figures for numbers
            na_filter=False,
            quoting=csv.QUOTE_NONE,
            skip_blank_lines=False,
            low_memory=False,
            encoding=encoding,
        )
    except (pd.errors.ParserError, pd.errors.EmptyDataError):
        return False
    if frame.shape != (length, builder.width):
        return False
    builder.add_columns([frame[place].tolist() for place in frame], length)
    return True


def _too_long(name: str, line: int) -> str:
    return (
        f"{name} has a line of more than {_LONGEST_LINE:,} characters near line {line:,}; "
        "no table of readings has, so the file is damaged or of another kind."
    )


def _csv_fault(name: str, line: int, error: csv.Error) -> str:
    if "field larger" in str(error):
        return (
            f"{name} has a cell of more than {csv.field_size_limit():,} characters in line {line:,}; "
            "a quotation mark is probably left open there."
        )
    return f"{name} cannot be read as a table at line {line:,}: {error}."


@dataclass(frozen=True)
class TextForm:
    """How a text file is written: its coding, separator, the lines above its header, and the header."""

    encoding: str
    separator: str
    above: int
    header: tuple[str, ...]


def text_form(head: bytes, name: str, headings: Headings) -> TextForm:
    """How a text file is written, from its first lines; raises as :func:`read_delimited`."""
    text, _ = _decoded(head, name)
    separator, above, header = _header(text, headings)
    wide = head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    return TextForm("utf-16" if wide else text.encoding, separator, len(above), tuple(header))
