"""A column of a file, held as its distinct cells and a number for each row: each text is understood once."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Sequence

    from numpy.typing import NDArray

Cell = str | float | bool | dt.datetime | dt.date | dt.time | dt.timedelta
"""A cell as read: always text from a text file, typed where a workbook says so."""

_LONGEST_SHOWN = 60
# Zero-width, soft-hyphen and direction marks, which nobody typed on purpose.
_INVISIBLE = str.maketrans(
    "", "", "\u00ad\u200b\u200c\u200d\u200e\u200f\u2060\ufeff\u202a\u202b\u202c\u202d\u202e"
)


class Coder(dict["Hashable", int]):
    """Numbers what it is asked for in order of first appearance."""

    def __missing__(self, key: Hashable) -> int:
        number = self[key] = len(self)
        return number


@dataclass(frozen=True)
class CodedColumn:
    """Distinct cells, and for each row the place of its cell among them."""

    codes: NDArray[np.int32]
    cells: tuple[Any, ...]

    @classmethod
    def constant(cls, cell: Cell, length: int) -> CodedColumn:
        """The same cell in every row."""
        return cls(np.zeros(length, dtype=np.int32), (cell,))

    def map(self, function: Callable[[Cell], Hashable]) -> CodedColumn:
        """The column with each distinct cell replaced; cells that become equal become one."""
        coder = Coder()
        codes = np.fromiter((coder[function(cell)] for cell in self.cells), np.int32, len(self.cells))
        return CodedColumn(codes[self.codes], tuple(coder))

    def spread(self, values: Sequence[Any], dtype: Any) -> NDArray[Any]:
        """One value a distinct cell made one value a row."""
        return _array(values, dtype)[self.codes]

    def by_row(self) -> NDArray[Any]:
        """The cells, one a row."""
        return self.spread(self.cells, object)

    def take(self, rows: NDArray[Any]) -> CodedColumn:
        """Only these rows (positions or a mask)."""
        return CodedColumn(self.codes[rows], self.cells)

    def categorical(self) -> pd.Categorical:
        """The column as pandas holds distinct texts."""
        return pd.Categorical.from_codes(self.codes, pd.Index(_array(self.cells, object), dtype=str))


def text_array(texts: Sequence[str], codes: NDArray[Any]) -> Any:
    """One of the texts a row, as the array that pandas holds text in."""
    return pd.Index(_array(texts, object), dtype=str).array.take(codes)


def _array(values: Sequence[Any], dtype: Any) -> NDArray[Any]:
    # Filled rather than converted: numpy would make a second dimension of tuples and strings of dates.
    array = np.empty(len(values), dtype=dtype)
    array[:] = values
    return array


def text_of(cell: Cell) -> str:
    """A cell as a person would see it, a typed one in its plainest form.

    Examples
    --------
    >>> text_of(12.0), text_of(0.5), text_of(dt.datetime(2026, 4, 3, 18, 30))
    ('12', '0.5', '2026-04-03 18:30:00')
    """
    if isinstance(cell, str):
        return cell
    if isinstance(cell, bool):
        return str(cell).upper()
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    return str(cell)


def is_blank(cell: Cell) -> bool:
    """Whether nothing stands in a cell, or only white space."""
    return isinstance(cell, str) and (not cell or cell.isspace())


def quoted(text: str) -> str:
    """A text in quotation marks for a sentence, cut where it is long."""
    return f'"{cut(text)}"'


def cut(text: str) -> str:
    """A text as far as a sentence can hold it."""
    return text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}..."


def stripped(cell: Cell) -> str:
    """The text of a cell without spaces (of any kind) around it and without invisible marks."""
    text = text_of(cell).strip()
    return text if text.isascii() else text.translate(_INVISIBLE).strip()
