"""Rows that are no readings: headers that stand again, headers of other tables, totals and means, rows above the header."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from schemas.readings import HoldReason
from trials.intake.columns import CodedColumn, quoted, stripped
from trials.intake.headers import is_unit, role_of
from trials.intake.names import key

if TYPE_CHECKING:
    from collections.abc import Container

    from numpy.typing import NDArray

    from trials.intake.headers import Layout
    from trials.intake.holds import Holds
    from trials.intake.tables import RawTable

_WORKED_OUT = frozenset(
    {
        "total",
        "totals",
        "grand total",
        "subtotal",
        "sum",
        "average",
        "averages",
        "avg",
        "mean",
        "means",
        "median",
    }
    | {
        "min",
        "minimum",
        "max",
        "maximum",
        "sd",
        "std",
        "stdev",
        "st dev",
        "standard deviation",
        "range",
        "count",
    }
    | {"n", "se", "sem", "cv", "rsd"}
)


def without_repeated_headers(table: RawTable) -> tuple[RawTable, list[str]]:
    """The table without rows that are its header once more, as where exports were pasted below one another."""
    same = np.ones(len(table), dtype=bool)
    same[: table.above] = False
    for text, column in zip(table.header, table.columns, strict=True):
        if not same.any():
            return table, []
        folded = key(text)
        same &= column.spread([isinstance(c, str) and key(c) == folded for c in column.cells], bool)
    if not same.any():
        return table, []
    again = int(same.sum())
    rows = f"row {table.numbers[same][0]} and was" if again == 1 else f"{again:,} rows and was each time"
    return table.take(~same), [f"The header stands again in {rows} passed over."]


def with_units_below(table: RawTable, layout: Layout) -> tuple[RawTable, Layout, list[str]]:
    """Table and layout where the first row below the header holds the units of a wide table and nothing else."""
    row = table.above
    if not layout.variables or len(table) <= row:
        return table, layout, []
    cells = [stripped(column.cells[column.codes[row]]) for column in table.columns]
    below = {column.place: cells[column.place] for column in layout.variables if cells[column.place]}
    filled = {place for place, text in enumerate(cells) if text}
    named = [column for column in layout.variables if column.place in below]
    if not below or filled != set(below):
        return table, layout, []
    if not all(is_unit(column.named, below[column.place]) and not column.unit for column in named):
        return table, layout, []
    variables = tuple(
        replace(column, unit=below.get(column.place, column.unit)) for column in layout.variables
    )
    rows = np.ones(len(table), dtype=bool)
    rows[row] = False
    said = ", ".join(f"{column.named.variable.id} in {below[column.place]}" for column in named)
    remark = f"Row {table.numbers[row]} was taken as the units of the columns above it: {said}."
    return table.take(rows), replace(layout, variables=variables), [remark]


def hold_odd_rows(
    table: RawTable, layout: Layout, first_line: int, tanks: Container[str], holds: Holds
) -> NDArray[np.bool_]:
    """Holds rows that cannot be readings, and says which they are, so that nothing else is looked for in them.

    ``tanks`` are those of the trial, folded: a tank may be called Max.
    """
    odd = np.zeros(len(table), dtype=bool)
    odd[: table.above] = True
    text = "The row stands above the header: move it below, or take it out."
    holds.add_each(range(first_line, first_line + table.above), HoldReason.ABOVE_HEADER, text)
    tank, taken = (table.columns[layout.roles[role]] for role in ("tank", "taken_at"))
    second = np.flatnonzero(_names_columns(tank) & _names_columns(taken) & ~odd)
    if len(second):
        text = (
            f"Row {table.numbers[second[0]]} is the header of another table, whose columns are other ones: put that table "
            "on a sheet or into a file of its own."
        )
        holds.add_each(range(first_line + second[0], first_line + len(table)), HoldReason.SECOND_HEADER, text)
        odd[second[0] :] = True
    for column in (tank, taken):
        for code in _worked_out(column, tanks):
            rows = np.flatnonzero((column.codes == code) & ~odd)
            text = (
                f"The row of {quoted(stripped(column.cells[code]))} is worked out from other rows and is no reading: take it "
                "out, the analysis works out its own."
            )
            holds.add_each(rows + first_line, HoldReason.WORKED_OUT, text)
            odd[rows] = True
    return odd


def hold_unclear_columns(
    table: RawTable, layout: Layout, rows: NDArray[np.int64], first_line: int, holds: Holds
) -> None:
    """Holds those of the rows that have a value under a header that may mean one thing or another."""
    for place, text in layout.unclear.items():
        column = table.columns[place].take(rows)
        filled = column.spread([bool(stripped(cell)) for cell in column.cells], bool)
        holds.add_each(rows[filled] + first_line, HoldReason.UNCLEAR_COLUMN, text)


def _names_columns(column: CodedColumn) -> NDArray[np.bool_]:
    named = [
        isinstance(cell, str) and not cell[:1].isdigit() and role_of(cell) is not None
        for cell in column.cells
    ]
    return column.spread(named, bool)


def _worked_out(column: CodedColumn, tanks: Container[str]) -> list[int]:
    return [
        code
        for code, cell in enumerate(column.cells)
        if isinstance(cell, str)
        and not cell[:1].isdigit()  # spares every date a look
        and key(cell).rstrip(":") in _WORKED_OUT
        and key(cell) not in tanks
    ]
