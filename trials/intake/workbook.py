"""Workbooks (XLSX, ODS): bytes to raw tables, one a sheet that holds anything.

The parts of the file are unpacked and measured before the reader sees them: a small file can unpack to
gigabytes, and one stray cell in the last corner of a sheet would make a table of 17 thousand million cells.
"""

from __future__ import annotations

import io
import zipfile
import zlib
from itertools import islice
from typing import TYPE_CHECKING, Any
from xml.etree.ElementTree import ParseError

import python_calamine as calamine

from schemas.errors import IntakeError
from trials.intake import marked_ods, marked_xlsx
from trials.intake.columns import is_blank, quoted, text_of
from trials.intake.forms import ASIDE, IDENTITY
from trials.intake.header_rows import SEARCHED, header_row, on_header, rows_of_data
from trials.intake.markings import Markings
from trials.intake.tables import MAX_COLUMNS, TableBuilder

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from trials.intake.tables import Headings, RawTable

_MOST_UNPACKED = 1 << 29
_MOST_PARTS = 10_000
_MOST_SHEETS = 500
_MOST_CELLS = 20_000_000
_CHUNK = 1 << 20
_ROWS = 1 << 12
# All that the zip reader raises on parts that are cut, scrambled, encrypted or packed in an unknown way, and what the
# XML reader raises on parts that are no XML.
_BROKEN = (
    *(zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError, RuntimeError, ValueError),
    *(KeyError, ParseError),
)
_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"


def is_workbook(content: bytes) -> bool:
    """Whether the bytes are those of a workbook of any kind, to be read or refused as one."""
    return content.startswith((b"PK\x03\x04", b"PK\x05\x06", _OLE))


def read_workbook(content: bytes, name: str, headings: Headings) -> tuple[list[RawTable], list[str]]:
    """The sheets with a row that names a known column, and the names of the other sheets that hold anything.

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
    markings = _measured(content, name)
    tables, others = [], []
    try:
        book = calamine.CalamineWorkbook.from_filelike(io.BytesIO(content))
        if len(book.sheet_names) > _MOST_SHEETS:
            raise IntakeError(
                f"{name} has {len(book.sheet_names):,} sheets; {_MOST_SHEETS} is the most that is read, so split it."
            )
        aside = ASIDE if IDENTITY in book.sheet_names else frozenset()
        for known in book.sheets_metadata:
            if known.typ == calamine.SheetTypeEnum.WorkSheet and known.name not in aside:
                sheet = book.get_sheet_by_name(known.name)
                marked = markings.get(known.name, Markings())
                rows = _rows(sheet, marked, name)
                found = header_row([_texts(row) for row in rows[:SEARCHED]], headings)
                if found and found.known:
                    remarks = list(marked.remarks())
                    if known.visible != calamine.SheetVisibleEnum.Visible:
                        remarks.insert(0, "The sheet is hidden in the workbook and taken in like any other.")
                    merged = sheet.merged_cell_ranges or marked.merged
                    tables.append(_table(rows, found.place, known.name, name, merged, remarks, headings))
                elif found:
                    others.append(known.name)
    except calamine.PasswordError:
        raise IntakeError(f"{name} is protected by a password; save it without one.") from None
    except calamine.CalamineError:
        raise IntakeError(_damaged(name)) from None
    return tables, others


def _damaged(name: str) -> str:
    return (
        f"{name} is damaged or not a workbook; "
        "open it in a spreadsheet program and save it again as .xlsx or CSV."
    )


def _measured(content: bytes, name: str) -> Mapping[str, Markings]:
    """Unpacks every part once, within bounds, refuses a sheet that would not fit into memory, and gives the markings."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            parts = archive.infolist()
            kind = _kind(archive, name)
            if len(parts) > _MOST_PARTS or sum(part.file_size for part in parts) > _MOST_UNPACKED:
                raise IntakeError(_too_big(name))
            _read_through(archive)
            if kind == "ods":
                found = marked_ods.markings_of(archive)
            else:
                percent = marked_xlsx.percent_styles(archive)
                found = {
                    sheet: marked_xlsx.markings_of(archive, part, percent)
                    for sheet, part in marked_xlsx.sheet_parts(archive).items()
                }
    except _BROKEN:
        raise IntakeError(_damaged(name)) from None
    for marked in found.values():
        if marked.rows * marked.columns > _MOST_CELLS:
            raise IntakeError(
                f"{name} has a sheet of {marked.rows:,} rows by {marked.columns:,} columns; "
                "delete stray cells far outside the table, or save the table as CSV."
            )
    return found


def _kind(archive: zipfile.ZipFile, name: str) -> str:
    held = set(archive.namelist())
    if "xl/workbook.xml" in held:
        return "xlsx"
    if {"mimetype", "content.xml"} <= held and b"spreadsheet" in archive.read("mimetype"):
        return "ods"
    raise IntakeError(f"{name} is not an .xlsx or .ods workbook; save it as .xlsx or CSV and take that in.")


def _too_big(name: str) -> str:
    return (
        f"{name} unpacks to more than {_MOST_UNPACKED >> 20} MB or {_MOST_PARTS:,} parts; "
        "split it, or save the table as CSV."
    )


def _read_through(archive: zipfile.ZipFile) -> None:
    """Reading through is what makes the stated sizes true: a part that unpacks to another size is refused."""
    for part in archive.infolist():
        with archive.open(part) as stream:
            while stream.read(_CHUNK):
                pass


def _rows(sheet: calamine.CalamineSheet, marked: Markings, name: str) -> list[list[Any]]:
    """The cells of a sheet from its first row and column on, every row as wide as the widest, markings put in."""
    if sheet.total_height * sheet.total_width > _MOST_CELLS:
        raise IntakeError(_damaged(name))
    rows: list[list[Any]] = sheet.to_python(skip_empty_area=False)
    if not marked.texts:
        return rows
    width = max(len(rows[0]) if rows else 0, *(column + 1 for _, column in marked.texts))
    height = max(len(rows), *(row + 1 for row, _ in marked.texts))
    rows = [row + [""] * (width - len(row)) for row in rows]
    rows += [[""] * width for _ in range(height - len(rows))]
    for (row, column), text in marked.texts.items():
        rows[row][column] = text
    return rows


def _texts(row: Sequence[Any]) -> list[str]:
    return [text_of(cell) for cell in row[: MAX_COLUMNS + 1]]


def _table(
    rows: list[list[Any]],
    place: int,
    sheet: str,
    name: str,
    merged: Sequence[tuple[tuple[int, int], tuple[int, int]]],
    remarks: list[str],
    headings: Headings,
) -> RawTable:
    above, header = [_texts(row) for row in rows[:place]], [text_of(cell) for cell in rows[place]]
    data = rows_of_data(above, header)
    builder = TableBuilder(header, f'{name}, sheet "{sheet}",')
    builder.add_above([(row + 1, above[row]) for row in data])
    carried = list(_carried_down(rows, place, header, merged, headings, name))
    body = islice(rows, place + 1, None)
    while block := list(islice(body, _ROWS)):
        builder.add_columns(map(_without_truths, zip(*block, strict=True)), len(block))
    return builder.finish(sheet, place + 2, remarks=[*on_header(above, data), *carried, *remarks])


def _without_truths(column: Sequence[Any]) -> Sequence[Any]:
    """True and 1.0 are equal as keys, so a truth becomes the text that a person sees."""
    if bool not in set(map(type, column)):
        return column
    return [text_of(cell) if isinstance(cell, bool) else cell for cell in column]


def _carried_down(
    rows: list[list[Any]],
    place: int,
    header: Sequence[str],
    merged: Sequence[tuple[tuple[int, int], tuple[int, int]]],
    headings: Headings,
    name: str,
) -> Iterator[str]:
    """Fills cells merged over rows where they hold for each row, and says so; a row that holds nothing else stays blank."""
    filled: dict[str, int] = {}
    if sum(min(last[0], len(rows)) - first[0] + 1 for first, last in merged) > len(rows) * len(rows[0]):
        raise IntakeError(
            _damaged(name)
        )  # merged areas lie over each other, as no spreadsheet program lets them
    inside = {
        (row, first[1]) for first, last in merged for row in range(first[0] + 1, min(last[0] + 1, len(rows)))
    }
    for (top, column), (bottom, _) in merged:
        if (
            top <= place
            or bottom == top
            or column >= len(header)
            or not headings.carried_down(header[column])
        ):
            continue
        for row in range(top + 1, min(bottom + 1, len(rows))):
            others = (cell for at, cell in enumerate(rows[row]) if (row, at) not in inside)
            if not all(map(is_blank, others)):
                rows[row][column] = rows[top][column]
                filled[header[column].strip()] = filled.get(header[column].strip(), 0) + 1
    for text, count in filled.items():
        yield (
            f"Column {quoted(text)} has cells merged over several rows: what they say was taken for each of these rows "
            f"({count:,} more)."
        )
