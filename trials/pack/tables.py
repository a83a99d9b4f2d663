"""The tables of a pack: what each column is, and how it is written as CSV and read back without loss.

A table is CSV as RFC 4180 has it: UTF-8 without a mark, commas, lines ended by CR LF, a header. Numbers are written so that
reading them gives the very same number; an empty cell means what its column says it means.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from schemas.errors import PackError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence


@dataclass(frozen=True)
class Column:
    """A column: its Table Schema type, what it is, and what an empty cell of it means (nothing: it has none).

    ``unit`` is a UCUM code, or a sentence where the unit depends on another column.
    """

    name: str
    type: str
    what: str
    empty: str = ""
    unit: str = ""
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class Reference:
    """Columns that hold a key of another table."""

    columns: tuple[str, ...]
    table: str
    key: tuple[str, ...]


@dataclass(frozen=True)
class Table:
    """A table: its place in the pack, what it holds, its columns, its key, and the tables that it refers to."""

    name: str
    path: str
    title: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()
    references: tuple[Reference, ...] = ()

    @property
    def names(self) -> list[str]:
        """The names of the columns, in order."""
        return [column.name for column in self.columns]


def write_table(table: Table, rows: Iterable[Mapping[str, Any]]) -> bytes:
    """Write rows, each a mapping by column; what is None, NaN or not there becomes an empty cell."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(table.names)
    writer.writerows([_cell(row.get(name)) for name in table.names] for row in rows)
    return text.getvalue().encode()


def write_frame(table: Table, frame: pd.DataFrame) -> bytes:
    """Write a frame that has the columns of a table, in whatever order."""
    columns = [frame[name] for name in table.names]
    written = [
        column.dt.strftime("%Y-%m-%dT%H:%M:%S.%f").str.removesuffix(".000000").tolist()
        if column.dtype.kind == "M"
        else [_cell(value) for value in column.tolist()]
        for column in columns
    ]
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(table.names)
    writer.writerows(zip(*written, strict=True))
    return text.getvalue().encode()


def read_table(table: Table, content: bytes) -> pd.DataFrame:
    """Read a table as typed columns.

    Texts are texts (empty where the cell is), integers ``int64``, numbers ``float64`` (NaN where empty), moments
    ``datetime64[us]``, booleans ``bool``.

    Raises
    ------
    PackError
        The columns are not those of the table, or a cell cannot be what its column is.
    """
    rows = read_rows(table, content)
    columns = list(zip(*rows, strict=True)) or [()] * len(table.columns)
    return pd.DataFrame(
        {
            column.name: _typed(table, column, cells)
            for column, cells in zip(table.columns, columns, strict=True)
        }
    )


def read_rows(table: Table, content: bytes) -> list[list[str]]:
    """Read the cells of a table as texts, without its header.

    Raises
    ------
    PackError
        It is no CSV in UTF-8, its header is another, or a row has another length.
    """
    try:
        rows = list(csv.reader(io.StringIO(content.decode(), newline=""), strict=True))
    except (UnicodeDecodeError, csv.Error) as error:
        raise PackError(f"{table.path} cannot be read as CSV ({error}).") from None
    if not rows or rows[0] != table.names:
        raise PackError(f"{table.path} must begin with the columns {','.join(table.names)}.")
    for number, row in enumerate(rows, 1):
        if len(row) != len(table.columns):
            raise PackError(
                f"{table.path}, row {number}: it has {len(row)} cells, and the header {len(table.columns)}."
            )
    return rows[1:]


def _cell(value: Any) -> str:
    if value is None or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(float(value))
    return str(value)


def _typed(table: Table, column: Column, cells: Sequence[str]) -> pd.Series[Any]:
    try:
        match column.type:
            case "integer":
                return pd.Series([int(cell) for cell in cells], dtype="int64")
            case "number":
                return pd.Series([float(cell) if cell else np.nan for cell in cells], dtype="float64")
            case "datetime":
                return pd.Series(np.array(cells, dtype="datetime64[us]"))
            case "boolean":
                return pd.Series([{"true": True, "false": False}[cell] for cell in cells], dtype=bool)
    except (KeyError, OverflowError, ValueError):
        bad = next((number for number, cell in enumerate(cells, 2) if not _fits(column, cell)), 2)
        raise PackError(
            f'{table.path}, row {bad}: "{cells[bad - 2][:60]}" is no {column.type}, as {column.name} must be.'
        ) from None
    return pd.Series(list(cells), dtype="str")


def _fits(column: Column, cell: str) -> bool:
    try:
        match column.type:
            case "integer":
                np.int64(int(cell))
            case "number":
                float(cell or "nan")
            case "datetime":
                np.datetime64(cell, "us")
            case _:
                return cell in {"true", "false"}
    except (OverflowError, ValueError):
        return False
    return True
