"""Held rows sorted for the person who mends them, and as a workbook that comes back through intake."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import xlsxwriter

from schemas.errors import FairtankError
from trials.intake.names import key
from trials.register.held import HELD_AS, reference

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from trials.register.records import HeldRow

WHY = "why held"
"""Header of the column that says what is wrong; intake leaves it alone."""

NONE_GIVEN = "(none given)"
_WIDEST = 60


def tank_of(row: HeldRow) -> str:
    """The tank of a held row, as sent."""
    return _cell(row, "tank")


def person_of(row: HeldRow) -> str:
    """Who took the reading of a held row, as sent."""
    return _cell(row, "by")


def grouped(rows: Sequence[HeldRow]) -> dict[str, dict[str, list[int]]]:
    """The rows by reason, tank, person and file: places in ``rows``, the largest group first.

    A row with several reasons stands under each of them.
    """
    found: dict[str, dict[str, list[int]]] = {name: {} for name in ("reason", "tank", "person", "file")}
    for place, row in enumerate(rows):
        for reason in dict.fromkeys(reason.code for reason in row.reasons):
            found["reason"].setdefault(reason, []).append(place)
        found["tank"].setdefault(tank_of(row), []).append(place)
        found["person"].setdefault(person_of(row), []).append(place)
        found["file"].setdefault(row.file, []).append(place)
    return {
        name: dict(sorted(groups.items(), key=lambda group: (-len(group[1]), group[0])))
        for name, groups in found.items()
    }


def write_held(path: Path, rows: Sequence[HeldRow]) -> None:
    """Write held rows to a workbook to be mended and taken in again.

    Rows of the same columns share a sheet. Every cell is text, as it was sent, so that no spreadsheet turns a limit
    or a date into something else; the first two columns say which row it is and why it is held.

    Raises
    ------
    FairtankError
        The file is there already, or cannot be written.
    """
    content = io.BytesIO()
    with xlsxwriter.Workbook(content, {"in_memory": True}) as book:
        text = book.add_format({"num_format": "@", "valign": "top"})
        head = book.add_format({"bold": True, "bottom": 1, "num_format": "@"})
        why = book.add_format({"num_format": "@", "valign": "top", "text_wrap": True, "italic": True})
        for number, (columns, members) in enumerate(_by_columns(rows), start=1):
            sheet = book.add_worksheet(f"held {number}")
            names = (HELD_AS, WHY, *columns)
            for place, name in enumerate(names):
                sheet.write_string(0, place, name, head)
            sheet.set_column(0, 0, 24, text)
            sheet.set_column(1, 1, _WIDEST, why)
            for place, name in enumerate(columns, start=2):
                longest = max(len(name), *(len(row.cells.get(name, "")) for row in members))
                sheet.set_column(place, place, min(longest + 2, _WIDEST), text)
            for line, row in enumerate(members, start=1):
                sheet.write_string(line, 0, reference(row), text)
                sheet.write_string(line, 1, " ".join(reason.text for reason in row.reasons), why)
                for place, name in enumerate(columns, start=2):
                    sheet.write_string(line, place, row.cells.get(name, ""), text)
            sheet.freeze_panes(1, 2)
    try:
        with path.open("xb") as file:
            file.write(content.getvalue())
    except FileExistsError:
        raise FairtankError(
            f"{path} is there already, perhaps mended by somebody; name a new file."
        ) from None
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise FairtankError(f"{path} cannot be written ({reason}); name another file.") from error


def _by_columns(rows: Sequence[HeldRow]) -> list[tuple[tuple[str, ...], list[HeldRow]]]:
    found: dict[tuple[str, ...], list[HeldRow]] = {}
    for row in rows:
        columns = tuple(name for name in row.cells if name not in (HELD_AS, WHY))
        found.setdefault(columns, []).append(row)
    return list(found.items())


def _cell(row: HeldRow, role: str) -> str:
    return next((text for name, text in row.cells.items() if key(name) == role and text), NONE_GIVEN)
