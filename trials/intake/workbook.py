"""Workbooks (XLSX): bytes to raw tables, one a sheet that holds anything.

The parts of the file are unpacked and measured before the reader sees them: a small file can unpack to
gigabytes, and one stray cell in the last corner of a sheet would make a table of 17 thousand million cells.
"""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from itertools import islice
from typing import TYPE_CHECKING, Any

import python_calamine as calamine

from schemas.errors import IntakeError
from trials.intake.columns import text_of
from trials.intake.tables import TableBuilder

if TYPE_CHECKING:
    from collections.abc import Iterator

    from trials.intake.tables import KnownColumns, RawTable

_MOST_UNPACKED = 1 << 29
_MOST_PARTS = 10_000
_MOST_CELLS = 20_000_000
_CHUNK = 1 << 20
_ROWS = 1 << 12
_CELL = re.compile(rb"""<(?:\w+:)?c\s[^>]*?\br=["']([A-Za-z]{1,3})([0-9]{1,7})["']""")
# All that the zip reader raises on parts that are cut, scrambled, encrypted or packed in an unknown way.
_BROKEN = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError, RuntimeError, ValueError)
_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"


def is_workbook(content: bytes) -> bool:
    """Whether the bytes are those of a workbook of any kind, to be read or refused as one."""
    return content.startswith((b"PK\x03\x04", b"PK\x05\x06", _OLE))


def read_workbook(content: bytes, name: str, known_columns: KnownColumns) -> tuple[list[RawTable], list[str]]:
    """The sheets whose first row holds a known column, and the names of the other sheets that hold anything.

    Raises
    ------
    IntakeError
        The file is protected, damaged, of another kind, or unpacks to more than can be read.
    """
    if content.startswith(_OLE):
        raise IntakeError(
            f"{name} is protected by a password or is a workbook of the old kind; "
            "save it as an .xlsx workbook without a password."
        )
    _measure(content, name)
    tables, others = [], []
    try:
        book = calamine.CalamineWorkbook.from_filelike(io.BytesIO(content))
        for sheet in _worksheets(book):
            rows = iter(book.get_sheet_by_name(sheet).to_python(skip_empty_area=False))
            number, header = _first_row(rows)
            if known_columns(header):
                builder = TableBuilder(header, f'{name}, sheet "{sheet}",')
                _add_rows(builder, rows)
                tables.append(builder.finish(sheet, number + 1))
            elif header:
                others.append(sheet)
    except calamine.PasswordError:
        raise IntakeError(f"{name} is protected by a password; save it without one.") from None
    except calamine.CalamineError:
        raise IntakeError(_damaged(name)) from None
    return tables, others


def _worksheets(book: calamine.CalamineWorkbook) -> list[str]:
    return [sheet.name for sheet in book.sheets_metadata if sheet.typ == calamine.SheetTypeEnum.WorkSheet]


def _damaged(name: str) -> str:
    return (
        f"{name} is damaged or not a workbook; "
        "open it in a spreadsheet program and save it again as .xlsx or CSV."
    )


def _measure(content: bytes, name: str) -> None:
    """Unpacks every part once, within bounds, and refuses a sheet that would not fit into memory."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            parts = archive.infolist()
            if "xl/workbook.xml" not in archive.namelist():
                raise IntakeError(
                    f"{name} is not an .xlsx workbook; save it as .xlsx or CSV and take that in."
                )
            if len(parts) > _MOST_PARTS or sum(part.file_size for part in parts) > _MOST_UNPACKED:
                raise IntakeError(_too_big(name))
            for part in parts:
                rows, columns = _extent(archive, part)
                if rows * columns > _MOST_CELLS:
                    raise IntakeError(
                        f"{name} has a sheet of {rows:,} rows by {columns:,} columns; "
                        "delete stray cells far outside the table, or save the table as CSV."
                    )
    except _BROKEN:
        raise IntakeError(_damaged(name)) from None


def _too_big(name: str) -> str:
    return (
        f"{name} unpacks to more than {_MOST_UNPACKED >> 20} MB or {_MOST_PARTS:,} parts; "
        "split it, or save the table as CSV."
    )


def _extent(archive: zipfile.ZipFile, part: zipfile.ZipInfo) -> tuple[int, int]:
    """Last row and column of the cells in a part; 0 by 0 for a part without cells.

    Reading through is what makes the stated sizes true: a part that unpacks to another size is refused.
    """
    rows, columns = 0, 0
    with archive.open(part) as stream:
        tail = b""
        while chunk := stream.read(_CHUNK):
            found = _CELL.findall(tail + chunk)
            rows = max([rows, *{int(row) for _, row in found}])
            columns = max([columns, *map(_column_number, {letters.upper() for letters, _ in found})])
            tail = chunk[-200:]
    return rows, columns


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - ord("A") + 1
    return number


def _first_row(rows: Iterator[list[Any]]) -> tuple[int, list[str]]:
    """Number and texts of the first row that is not blank; no texts where there is none."""
    for number, row in enumerate(rows, start=1):
        texts = [text_of(cell) for cell in row]
        if any(text.strip() for text in texts):
            return number, texts
    return 0, []


def _add_rows(builder: TableBuilder, rows: Iterator[list[Any]]) -> None:
    # 1.0 and True are equal as keys, so each cell is coded together with its type.
    while block := list(islice(rows, _ROWS)):
        columns = [[(type(cell), cell) for cell in column] for column in zip(*block, strict=True)]
        builder.add_columns(columns, len(block))
