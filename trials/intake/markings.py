"""What a workbook says beside its values: errors, formulas without a result, merged and hidden cells, comments.

The reader of workbooks gives an empty cell for an error and for a formula that was never worked out, and 0.05 for
5 %. Taken at its word, an error would be a day without a reading. So these cells are put back as the texts that a
person sees.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

from trials.intake.columns import quoted
from trials.intake.holds import told

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

_MOST_SHOWN = 3

_MOST_TREE = 16 << 20
_DEFINES = re.compile(rb"<!\s*(?:DOCTYPE|ENTITY)", re.IGNORECASE)

Merged = tuple[tuple[int, int], tuple[int, int]]
"""First and last cell of a merged area, each as row and column from 0."""


@dataclass
class Markings:
    """The markings of one sheet; rows and columns are counted from 0.

    Parameters
    ----------
    rows, columns : int
        How far its cells reach.
    texts : dict
        By row and column, the text to be put in place of what the reader gives.
    merged : list
        Merged areas, where the reader does not give them.
    hidden_rows, hidden_columns : list of int
        What a person does not see.
    comments : list
        Comments by row, column and text.
    """

    rows: int = 0
    columns: int = 0
    texts: dict[tuple[int, int], str] = field(default_factory=dict)
    merged: list[Merged] = field(default_factory=list)
    hidden_rows: list[int] = field(default_factory=list)
    hidden_columns: list[int] = field(default_factory=list)
    comments: list[tuple[int, int, str]] = field(default_factory=list)

    def remarks(self) -> Iterator[str]:
        """What is hidden and what is commented, in sentences."""
        hidden = [
            *_hidden(self.hidden_columns, "column", letters),
            *_hidden(self.hidden_rows, "row", lambda row: str(row + 1)),
        ]
        if hidden:
            verb = "is" if len(self.hidden_rows) + len(self.hidden_columns) == 1 else "are"
            yield f"{told('', ' and '.join(hidden))} {verb} hidden in the workbook and taken in like any other."
        if self.comments:
            shown = [
                f"{letters(column)}{row + 1} {quoted(' '.join(text.split()))}"
                for row, column, text in self.comments[:_MOST_SHOWN]
            ]
            more = f" and {len(self.comments) - _MOST_SHOWN} more" if len(self.comments) > _MOST_SHOWN else ""
            yield (
                f"Comments on cells are kept with the file but not read: {', '.join(shown)}{more}; what matters for a reading "
                "belongs into the column note."
            )


def tree(part: bytes) -> ET.Element:
    """The elements of a small part of a workbook.

    A part that defines entities can grow without end when it is read, and no spreadsheet program writes one.

    Raises
    ------
    ParseError
        It is no XML, defines entities, or is larger than such parts are.
    """
    if len(part) > _MOST_TREE or _DEFINES.search(part):
        raise ET.ParseError("larger than such parts are, or with definitions of its own")
    return ET.fromstring(part)  # noqa: S314 - it defines nothing


def letters(column: int) -> str:
    """The letters that a spreadsheet shows over a column, counted from 0.

    Examples
    --------
    >>> letters(0), letters(25), letters(26), letters(16383)
    ('A', 'Z', 'AA', 'XFD')
    """
    text = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


def column_number(text: str) -> int:
    """The number, from 0, of the column under these letters."""
    number = 0
    for letter in text.upper():
        number = number * 26 + ord(letter) - ord("A") + 1
    return number - 1


def as_percent(value: float) -> str:
    """A share as the percentage that the cell shows, without the noise of the last binary digits."""
    return f"{float(f'{100 * value:.13g}')!r}%"


def _hidden(places: Sequence[int], one: str, name: Callable[[int], str]) -> list[str]:
    if not places:
        return []
    shown = [name(place) for place in places[:_MOST_SHOWN]]
    more = f" and {len(places) - _MOST_SHOWN:,} more" if len(places) > _MOST_SHOWN else ""
    return [f"{one}{'s' if len(places) > 1 else ''} {', '.join(shown)}{more}"]
