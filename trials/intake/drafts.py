"""A raw table to drafts: one line a reading that the file may hold, with what could not be read held."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from pandas.api.types import union_categoricals

from schemas.readings import HoldReason
from schemas.vocabulary import CheckKind
from trials.intake.clock import with_times
from trials.intake.columns import CodedColumn, Coder, stripped
from trials.intake.dates import read_moments
from trials.intake.names import key
from trials.intake.odd_rows import hold_odd_rows, hold_unclear_columns
from trials.intake.values import Measured

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from trials.intake.headers import Layout, ValueColumn
    from trials.intake.holds import Finding, Holds
    from trials.intake.tables import RawTable
    from trials.intake.values import Understanding

_DATE = re.compile(r"[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}|[0-9]{1,2}[./][0-9]{1,2}[./][0-9]{2,4}")
_LEAST_SEPARATORS = 2
_UNPRINTABLE = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


def value_cells(table: RawTable, layout: Layout) -> list[Any]:
    """The distinct cells of the columns that hold values."""
    places = [column.place for column in layout.variables] or [layout.roles["value"]]
    return [cell for place in places for cell in table.columns[place].cells]


def drafts_of(table: RawTable, layout: Layout, first_line: int, by: Understanding) -> pd.DataFrame:
    """One line a reading that the table may hold.

    Parameters
    ----------
    table, layout : RawTable, Layout
        The table, and what its columns are.
    first_line : int
        Position of its first row among all rows of the file.
    by : Understanding
        Trial and decimal sign; what cannot be read is added to its holds.

    Returns
    -------
    DataFrame
        The columns of a reading, ``site``, ``line``, ``timed``, ``raw_replicate``, and ``where`` (the column of a wide
        table, for sentences). Text is categorical; a value, date or replicate that could not be read is NaN,
        NaT or 0.
    """
    tanks = {key(tank.id) for tank in by.protocol.tanks}
    odd = hold_odd_rows(table, layout, first_line, tanks, by.holds)
    hold_rows(table, first_line, odd, by.holds)
    odd[[*table.short, *table.surplus]] = True
    rows = np.flatnonzero(~odd)
    hold_unclear_columns(table, layout, rows, first_line, by.holds)
    lines = rows + first_line
    columns = {role: table.columns[place].take(rows) for role, place in layout.roles.items()}
    shared = _shared(columns, lines, by)
    kit = columns.get("kit", CodedColumn.constant("", len(rows))).map(stripped)
    blanks = {s.id for s in by.protocol.check_samples or () if s.kind is CheckKind.BLANK}
    tank = columns["tank"]
    of_blank = tank.spread([stripped(cell) in blanks for cell in tank.cells], bool)
    if not layout.variables:
        unit = columns.get("unit", CodedColumn.constant("", len(rows)))
        variable = columns["variable"].map(stripped)
        measured = Measured(lines, variable, columns["value"], unit.map(stripped), kit, of_blank=of_blank)
        return _joined(shared, measured, by)
    parts = []
    empty = np.ones(len(rows), dtype=bool)
    for column in layout.variables:
        value = table.columns[column.place].take(rows)
        filled = np.flatnonzero(value.spread([bool(stripped(cell)) for cell in value.cells], bool))
        empty[filled] = False
        own = _own_kit(table, column, rows, kit)
        measured = Measured(
            lines=lines[filled],
            variable=CodedColumn.constant(column.named.text, len(filled)),
            value=value.take(filled),
            unit=CodedColumn.constant(column.unit, len(filled)),
            kit=own.take(filled),
            where=f'Column "{column.header}": ',
            of_blank=of_blank[filled],
        )
        parts.append(_joined(shared.iloc[filled].assign(kit=measured.kit.categorical()), measured, by))
    nothing = np.flatnonzero(empty)
    parts.append(_without_reading(shared.iloc[nothing]))
    text = "No column of the row holds a value: fill one in, or take the row out."
    by.holds.add_each(lines[nothing], HoldReason.NO_VALUE, text)
    return stacked(parts)


def _own_kit(table: RawTable, column: ValueColumn, rows: NDArray[np.int64], kit: CodedColumn) -> CodedColumn:
    """The kit of each row for one variable: the one named for it, else the one named for the whole row."""
    if column.kit is None:
        return kit
    own = table.columns[column.kit].take(rows).map(stripped)
    named, shared = own.by_row(), kit.by_row()
    coder = Coder()
    codes = [coder[text or other] for text, other in zip(named, shared, strict=True)]
    return CodedColumn(np.array(codes, dtype=np.int32), tuple(coder))


def stacked(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Drafts below one another, with text kept categorical."""
    if len(parts) == 1:
        return parts[0]
    columns: dict[str, Any] = {}
    for name in parts[0].columns:
        pieces = [part[name] for part in parts]
        is_text = isinstance(pieces[0].dtype, pd.CategoricalDtype)
        columns[name] = union_categoricals(pieces) if is_text else np.concatenate(pieces)
    return pd.DataFrame(columns, copy=False)


def hold_rows(table: RawTable, first_line: int, odd: NDArray[np.bool_], holds: Holds) -> None:
    """Rows that are wider or narrower than the header, or hold what no row should."""
    width = len(table.header)
    for row, cells in table.short.items():
        if odd[row]:
            continue
        text = (
            f"The row has {cells} cells and the header {width}: "
            "every column needs its separator, even where the cell is empty."
        )
        holds.add(first_line + row, HoldReason.TOO_FEW_CELLS, text)
    comma = "" if table.separator != "," else "; if a decimal comma split a number, save with semicolons"
    for row, surplus in table.surplus.items():
        if odd[row]:
            continue
        text = f"The row has {width + len(surplus)} cells and the header {width}: take out what is too much{comma}."
        holds.add(first_line + row, HoldReason.TOO_MANY_CELLS, text)
    lines = np.arange(first_line, first_line + len(table))
    for name, column in zip(table.names, table.columns, strict=True):
        findings = [
            None if not isinstance(cell, str) or cell.isprintable() else _cell_finding(name, cell, table)
            for cell in column.cells
        ]
        holds.add_cells(lines, column.codes, findings)


def _cell_finding(name: str, cell: str, table: RawTable) -> Finding | None:
    if _UNPRINTABLE.search(cell):
        text = f'The cell in column "{name}" holds a character that cannot be shown: delete the cell and type it again.'
        return HoldReason.UNPRINTABLE, text
    swallowed = [line for line in cell.splitlines()[1:] if _is_row(line, table)]
    if swallowed:
        text = (
            f'The cell in column "{name}" runs over {len(swallowed)} further rows, beginning with '
            f'"{swallowed[0][:40]}": close the quotation mark, or take it out.'
        )
        return HoldReason.OPEN_QUOTE, text
    return None


def _is_row(line: str, table: RawTable) -> bool:
    """Whether a line inside a cell was a row of a text file: as wide as the table, or in a sheet, cells with a date."""
    if table.separator:
        return line.count(table.separator) >= len(table.header) - 1
    return any(line.count(separator) >= _LEAST_SEPARATORS for separator in ",;\t") and bool(
        _DATE.search(line)
    )


def _shared(columns: dict[str, CodedColumn], lines: NDArray[np.int64], by: Understanding) -> pd.DataFrame:
    """What all readings of a row share."""
    taken = columns["taken_at"]
    codes, moments = taken.codes, read_moments(taken.cells)
    if "time" in columns:
        codes, moments = with_times(taken, moments, columns["time"])
    by.holds.add_cells(lines, codes, moments.findings)
    offset = CodedColumn(codes, moments.offsets)
    blank = CodedColumn.constant("", len(lines))
    replicate = columns.get("replicate", blank).map(stripped)
    texts = {
        role: columns.get(role, blank).map(stripped).categorical()
        for role in ("tank", "site", "kit", "by", "note")
    }
    return pd.DataFrame(
        {
            "line": lines,
            "tank": texts["tank"],
            "site": texts["site"],
            "taken_at": moments.instants[codes],
            "timed": moments.timed[codes],
            "utc_offset": offset.map(str).categorical(),
            "replicate": replicate.spread([_replicate(text) for text in replicate.cells], np.int64),
            "raw_replicate": replicate.categorical(),
            "kit": texts["kit"],
            "by": texts["by"],
            "note": texts["note"],
        },
        copy=False,
    )


def _replicate(text: str) -> int:
    """1 where nothing is written; 0 for what is no count, which the schema then refuses."""
    if not text:
        return 1
    return int(text) if text.isascii() and text.isdecimal() and len(text) < 7 else 0


def _joined(shared: pd.DataFrame, measured: Measured, by: Understanding) -> pd.DataFrame:
    where = CodedColumn.constant(measured.where, len(shared)).categorical()
    return shared.assign(**measured.understood(by), where=where)


def _without_reading(shared: pd.DataFrame) -> pd.DataFrame:
    """Drafts of rows that hold no value: their tank, date and replicate are looked at all the same."""
    nothing = CodedColumn.constant("", len(shared)).categorical()
    missing = CodedColumn(np.full(len(shared), -1, np.int32), ()).categorical()
    return shared.assign(
        variable=missing, value=np.nan, sign=nothing, raw_value=nothing, raw_unit=nothing, where=nothing
    )
