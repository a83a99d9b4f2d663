"""Rows of a printed table: which form each has, and the numbers in it."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from schemas.errors import PublicationError
from schemas.plain_words import listed, nearest, quoted

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

ARM_COLUMNS = (
    "arm", "n", "mean", "sd", "se", "geometric_mean", "sd_log", "median", "q1", "q3", "min", "max",
)  # fmt: skip
CONTRAST_COLUMNS = (
    "test", "reference", "n", "n_test", "n_reference", "difference", "ratio", "sd", "se", "t", "p", "low", "high",
    "level", "df",
)  # fmt: skip
_NUMBER = re.compile(r"[-+\u2212]?(?:\d+(?:[.,]\d+)?|[.,]\d+)(?:[eE][-+]?\d+)?")


@dataclass(frozen=True)
class Row:
    """One row: where it stands, and its cells."""

    place: str
    cells: Mapping[str, Any]

    def has(self, *names: str) -> bool:
        """Whether all of these columns are filled in."""
        return all(self.cells.get(name) not in {None, ""} for name in names)

    def text(self, name: str) -> str:
        """A cell as a name."""
        if not self.has(name):
            raise PublicationError(f"{self.place} has no {name}.")
        return str(self.cells[name]).strip()

    def number(self, name: str) -> float:
        """A cell as a number; a limit such as ``<0.05`` is none."""
        if not self.has(name):
            raise PublicationError(f"{self.place} has no {name}.")
        value = self.cells[name]
        if isinstance(value, bool) or not isinstance(value, (int, float, str)):
            raise PublicationError(f"{self.place}, {name} is {quoted(value)}; write a number.")
        if isinstance(value, str):
            shown = value.strip()
            if not _NUMBER.fullmatch(shown):
                limit = (
                    ", a limit and no number; take another column that the table prints"
                    if shown[:1] in "<>\u2264\u2265"
                    else "; write a plain number"
                )
                raise PublicationError(f"{self.place}, {name} is {quoted(shown)}{limit}.")
            value = float(shown.replace("\u2212", "-").replace(",", "."))
        return float(value)

    def positive(self, name: str) -> float:
        """A cell as a number above 0."""
        value = self.number(name)
        if not 0 < value < float("inf"):
            raise PublicationError(f"{self.place}, {name} is {value:g}; it must be above 0.")
        return value

    def count(self, name: str) -> int:
        """A cell as a whole number of tanks or pairs."""
        value = self.number(name)
        if value != int(value) or value < 1:
            raise PublicationError(
                f"{self.place}, {name} is {value:g}; write how many tanks or pairs, a whole number."
            )
        return int(value)


def read_table(name: str, content: bytes) -> tuple[list[dict[str, Any]], list[str]]:
    """The rows of a CSV file (comma, semicolon or tab; UTF-8) with where each stands.

    Raises
    ------
    PublicationError
        It is no such file.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise PublicationError(f"{name} is not UTF-8 text; save it as UTF-8.") from None
    head = text.splitlines()[0] if text.strip() else ""
    separator = max(",;\t", key=head.count)
    try:
        lines = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True))
    except csv.Error as error:
        raise PublicationError(f"{name} cannot be read as CSV ({error}).") from None
    filled = [(number, line) for number, line in enumerate(lines, 1) if any(cell.strip() for cell in line)]
    if len(filled) < 2:
        raise PublicationError(f"{name} holds no row below a header.")
    header = [cell.strip().casefold() for cell in filled[0][1]]
    rows, places = [], []
    for number, line in filled[1:]:
        if len(line) > len(header):
            raise PublicationError(
                f"{name}, row {number} has {len(line)} cells, and the header has {len(header)}."
            )
        rows.append(dict(zip(header, (cell.strip() for cell in line), strict=False)))
        places.append(f"{name}, row {number}")
    return rows, places


def rows_of(cells: Sequence[Mapping[str, Any]], places: Sequence[str]) -> tuple[list[Row], bool]:
    """The rows, and whether they are arms (else contrasts).

    Raises
    ------
    PublicationError
        A column means nothing here, or arms and contrasts stand in one table.
    """
    rows = [Row(place, {**row}) for place, row in zip(places, cells, strict=True)]
    by_arm = {row.has("arm") for row in rows}
    if len(by_arm) > 1:
        odd = next(row for row in rows if not row.has("arm"))
        raise PublicationError(
            f"{odd.place} has no arm, and others have; keep arms and contrasts in tables of their own."
        )
    arms = by_arm == {True}
    known = ARM_COLUMNS if arms else CONTRAST_COLUMNS
    for row in rows:
        for name in row.cells:
            if name not in known:
                close = nearest(name, known)
                hint = f"did you mean {close}?" if close else f"the columns are {listed(known, 'and')}."
                raise PublicationError(
                    f"{row.place} has a column {quoted(name)}, which means nothing here; {hint}"
                )
    return rows, arms


def only_one(row: Row, ways: Sequence[tuple[str, ...]]) -> tuple[str, ...]:
    """The one of several ways of giving the same thing that a row uses.

    Raises
    ------
    PublicationError
        It uses none, or more than one, which could contradict each other.
    """
    used = [way for way in ways if row.has(*way)]
    if len(used) != 1:
        offered = listed([" and ".join(way) for way in ways])
        found = (
            "gives none of"
            if not used
            else f"gives {listed([' and '.join(way) for way in used], 'and')}; give one of"
        )
        raise PublicationError(f"{row.place} {found} {offered}.")
    return used[0]
