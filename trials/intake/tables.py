"""A table as read from a file, before anything is understood: headers, coded columns, row numbers."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from schemas.errors import IntakeError
from trials.intake.columns import CodedColumn, Coder, is_blank, text_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

MAX_COLUMNS = 1000
_as_json = json.JSONEncoder(ensure_ascii=False).encode
_text_as_json = json.encoder.encode_basestring


class Headings(Protocol):
    """What a reader of files has to know of the names of columns."""

    def known(self, header: Sequence[str]) -> int:
        """How many of these headers are columns that are known."""

    def carried_down(self, text: str) -> bool:
        """Whether a cell under this header that is merged over rows holds for each of them: a tank does, a value not."""


@dataclass(frozen=True)
class RawTable:
    """One sheet of a workbook, or a whole text file.

    Parameters
    ----------
    sheet : str
        Name of the sheet; empty for a text file.
    header : tuple of str
        Cells of the header's row, as they stand.
    columns : tuple of CodedColumn
        One for each header; rows that are blank, and columns without header or cells, are left out.
    numbers : array of int
        Row numbers as a spreadsheet shows them, from 1.
    short : dict of int to int
        Rows (by position) with fewer cells than the header, and how many they have.
    surplus : dict of int to tuple of str
        Rows (by position) with cells beyond the header, and those cells.
    blank : int
        Blank rows passed over.
    separator : str
        What stands between cells of a text file; empty for a sheet.
    above : int
        How many of the rows, the first ones, stand above the header.
    remarks : tuple of str
        What was met on the way that is no row: titles, merged and hidden cells, comments.
    """

    sheet: str
    header: tuple[str, ...]
    columns: tuple[CodedColumn, ...]
    numbers: NDArray[np.int64]
    short: dict[int, int] = field(default_factory=dict)
    surplus: dict[int, tuple[str, ...]] = field(default_factory=dict)
    blank: int = 0
    separator: str = ""
    above: int = 0
    remarks: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.numbers)

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Headers made unique: repeated ones are numbered, empty ones called by their place."""
        seen: dict[str, int] = {}
        names = []
        for place, text in enumerate(self.header, start=1):
            name = text.strip() or f"column {place}"
            seen[name] = seen.get(name, 0) + 1
            names.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
        return tuple(names)

    def take(self, rows: NDArray[np.bool_]) -> RawTable:
        """Only these rows, a mask."""
        kept = np.flatnonzero(rows)
        places = {int(old): new for new, old in enumerate(kept)}
        return replace(
            self,
            columns=tuple(column.take(kept) for column in self.columns),
            numbers=self.numbers[kept],
            short={places[old]: cells for old, cells in self.short.items() if old in places},
            surplus={places[old]: cells for old, cells in self.surplus.items() if old in places},
            above=int((kept < self.above).sum()),
        )

    def cells_as_json(self) -> list[str]:
        """Each row as a JSON object of header to text, as sent."""
        if not len(self):
            return []
        parts: list[list[str]] = []
        for name, column in zip(self.names, self.columns, strict=True):
            key = f"{', ' if parts else '{'}{_as_json(name)}: "
            end = "}" if len(parts) == len(self.columns) - 1 else ""
            texts = [f"{key}{_text_as_json(text_of(cell))}{end}" for cell in column.cells]
            parts.append(column.spread(texts, object).tolist())
        rows = list(map("".join, zip(*parts, strict=True)))
        for position, cells in self.surplus.items():
            first = len(self.header) + 1
            more = {f"column {place}": text for place, text in enumerate(cells, start=first)}
            rows[position] = _as_json(json.loads(rows[position]) | more)
        return rows


class TableBuilder:
    """Takes rows in blocks and codes them, so that equal cells are kept once."""

    def __init__(self, header: Sequence[str], where: str) -> None:
        if len(header) > MAX_COLUMNS:
            raise IntakeError(f"{where} has {len(header)} columns; {MAX_COLUMNS} is the most that is read.")
        self._header = tuple(header)
        self._coders = [Coder() for _ in header]
        self._codes: list[list[NDArray[np.int32]]] = [[] for _ in header]
        self._short: dict[int, int] = {}
        self._surplus: dict[int, tuple[str, ...]] = {}
        self._length = 0
        self._above: list[int] = []

    @property
    def width(self) -> int:
        """Cells that a row should have."""
        return len(self._header)

    def add_columns(self, columns: Iterable[Sequence[Any]], length: int) -> None:
        """A block of rows that are all as wide as the header, column by column."""
        for coder, codes, cells in zip(self._coders, self._codes, columns, strict=True):
            codes.append(np.fromiter(map(coder.__getitem__, cells), np.int32, length))
        self._length += length

    def add_rows(self, rows: Sequence[list[str]]) -> None:
        """A block of rows, wide or narrow as they come."""
        if any(len(row) != self.width for row in rows):
            rows = [self._fitted(row, self._length + place) for place, row in enumerate(rows)]
        self.add_columns(zip(*rows, strict=True), len(rows))

    def add_above(self, rows: Sequence[tuple[int, list[str]]]) -> None:
        """Rows that stand above the header, with their numbers; to be added first."""
        self._above = [number for number, _ in rows]
        if rows:
            self.add_rows([cells for _, cells in rows])

    def _fitted(self, row: list[str], position: int) -> list[str]:
        if len(row) < self.width:
            if any(text.strip() for text in self._header[len(row) :]):
                self._short[position] = len(row)
            return row + [""] * (self.width - len(row))
        if any(cell.strip() for cell in row[self.width :]):
            self._surplus[position] = tuple(row[self.width :])
        return row[: self.width]

    def finish(
        self, sheet: str, first_number: int, separator: str = "", remarks: Sequence[str] = ()
    ) -> RawTable:
        """The table without its blank rows. ``first_number`` is the number of the first row below the header."""
        columns = [
            CodedColumn(np.concatenate(codes) if codes else np.zeros(0, np.int32), tuple(coder))
            for coder, codes in zip(self._coders, self._codes, strict=True)
        ]
        blank = np.ones(self._length, dtype=bool)
        blank[list(self._surplus)] = False
        for column in columns:
            if blank.any():
                blank &= column.spread([is_blank(cell) for cell in column.cells], bool)
        kept = np.flatnonzero(~blank)
        above = len(self._above)
        numbers = np.arange(first_number - above, first_number - above + self._length)
        numbers[:above] = self._above
        used = [
            place
            for place, (text, column) in enumerate(zip(self._header, columns, strict=True))
            if text.strip() or not all(map(is_blank, column.cells))
        ]
        return RawTable(
            sheet=sheet,
            header=tuple(self._header[place] for place in used),
            columns=tuple(columns[place].take(kept) if blank.any() else columns[place] for place in used),
            numbers=numbers[kept],
            short={
                int(np.searchsorted(kept, old)): cells for old, cells in self._short.items() if not blank[old]
            },
            surplus={int(np.searchsorted(kept, old)): cells for old, cells in self._surplus.items()},
            blank=int(blank.sum()),
            separator=separator,
            above=int((kept < above).sum()),
            remarks=tuple(remarks),
        )
