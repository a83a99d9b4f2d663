"""The list of tanks from a CSV file beside the protocol: the columns that [[tanks]] has, one row a tank."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from schemas.errors import Mistake
from schemas.plain_words import counted, listed, nearest, quoted
from schemas.protocol import Tank
from trials.plain_files import content_of
from trials.register.records import SourceFile

if TYPE_CHECKING:
    from pathlib import Path

COLUMNS = tuple(Tank.model_fields)
_SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab"}
_NUMBER = re.compile(r"[-+]?\d+(?:[.,]\d+)?")
_THOUSANDS = re.compile(r"\d{1,3}[.,]\d{3}")


@dataclass
class TanksFile:
    """What a tanks file holds.

    Parameters
    ----------
    source : SourceFile
        The file, byte for byte.
    tanks : list of dict
        As ``[[tanks]]`` would give them; a cell that cannot be read is left out and is a mistake.
    places : list of str
        Where each tank stands, e.g. ``tanks.csv line 5``.
    mistakes : list of Mistake
        What cannot be read.
    warnings : list of str
        What was assumed in reading.
    """

    source: SourceFile
    tanks: list[dict[str, Any]] = field(default_factory=list)
    places: list[str] = field(default_factory=list)
    mistakes: list[Mistake] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


def read_tanks(folder: Path, name: str) -> TanksFile | Mistake:
    """The tanks file of that name in the folder of the protocol.

    Parameters
    ----------
    folder : Path
        Where the protocol stands.
    name : str
        As written in ``tanks = "..."``: a bare file name.

    Returns
    -------
    TanksFile or Mistake
        The mistake where there is no such file to be had.
    """
    remedy = 'write the name of a file that stands beside the protocol, e.g. tanks = "tanks.csv"'
    if not name.strip() or re.search(r"[/\\:]", name) or name in {".", ".."}:
        return Mistake("tanks", f"{quoted(name)} is not a bare file name", remedy)
    path = folder / name
    try:
        if path.resolve().parent != folder.resolve():
            return Mistake("tanks", f"{quoted(name)} leads out of the protocol's folder", remedy)
        content = content_of(path)
    except FileNotFoundError:
        return Mistake("tanks", f"there is no file {quoted(name)} beside the protocol", remedy)
    except OSError as error:
        return Mistake("tanks", f"{quoted(name)} cannot be read ({error.strerror})", remedy)
    return parse_tanks(SourceFile(name, content))


def parse_tanks(source: SourceFile) -> TanksFile:
    """Read the rows: comma, semicolon or tab; UTF-8 or Windows-1252; decimal point or comma."""
    found = TanksFile(source)
    text = _decoded(found)
    header_line = next(iter(text.splitlines()), "")
    separator = max(_SEPARATORS, key=lambda sign: (header_line.count(sign), sign == ","))
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    columns: list[str] | None = None
    line = 1
    try:
        for cells in reader:
            row = [cell.strip() for cell in cells]
            if columns is None:
                columns = _columns(row, found)
            elif any(row):
                _row(row, columns, separator, line, found)
            line = reader.line_num + 1
    except csv.Error:
        found.mistakes.append(
            Mistake(
                f"{source.name} line {line}", "has a quote that is not closed", "close it or leave it out"
            )
        )
    if columns is None:
        found.mistakes.append(_header_mistake(source.name, "is empty"))
    return found


def _decoded(found: TanksFile) -> str:
    content = found.source.content
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        found.warnings.append(f"{found.source.name} is not UTF-8 and was read as Windows-1252.")
        # Latin-1 has a sign for every byte and differs only where Windows-1252 has none.
        return content.decode("cp1252", errors="replace")


def _header_mistake(name: str, what: str) -> Mistake:
    return Mistake(f"{name} line 1", what, f"the first line names the columns: {listed(COLUMNS, 'and')}")


def _columns(header: list[str], found: TanksFile) -> list[str]:
    """The columns by their right names; an unknown one is a mistake and bears an empty name."""
    folded = {column.casefold(): column for column in COLUMNS}
    columns = [folded.get(cell.casefold(), "") for cell in header]
    place = f"{found.source.name} line 1"
    if "id" not in columns:
        found.mistakes.append(_header_mistake(found.source.name, "has no column id"))
        return columns
    for cell, column in zip(header, columns, strict=True):
        if cell and not column:
            close = nearest(cell, COLUMNS)
            remedy = f"the nearest is {close}" if close else f"the columns are {listed(COLUMNS, 'and')}"
            found.mistakes.append(Mistake(place, f"{quoted(cell)} is not a column that is known", remedy))
    for column in COLUMNS:
        if columns.count(column) > 1:
            found.mistakes.append(Mistake(place, f"names the column {column} twice", "keep one of them"))
    return columns


def _row(row: list[str], columns: list[str], separator: str, line: int, found: TanksFile) -> None:
    place = f"{found.source.name} line {line}"
    if any(row[len(columns) :]):
        found.mistakes.append(
            Mistake(
                place,
                f"has {counted(len(row), 'cell')} for {counted(len(columns), 'column')}",
                f'put a cell that holds a {_SEPARATORS[separator]} in "quotes"',
            )
        )
        return
    tank: dict[str, Any] = {
        column: cell for column, cell in zip(columns, row, strict=False) if column and cell
    }
    volume = tank.pop("volume_L", None)
    if volume is not None:
        number = _number(volume, separator)
        if number is None:
            found.mistakes.append(
                Mistake(
                    f"{place}, volume_L", f"{quoted(volume)} is not one number", "write litres, e.g. 180.5"
                )
            )
        else:
            tank["volume_L"] = number
    found.tanks.append(tank)
    found.places.append(place)


def _number(text: str, separator: str) -> float | None:
    """A number with decimal point or comma; None where the sign could as well set thousands apart."""
    if not _NUMBER.fullmatch(text):
        return None
    # A semicolon file comes from a spreadsheet with decimal commas, where a point sets thousands apart.
    if _THOUSANDS.fullmatch(text) and ("," in text or separator == ";"):
        return None
    return float(text.replace(",", "."))
