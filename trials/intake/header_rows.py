"""Which row of a sheet or a text file is its header: people put titles, sites and blank rows above it."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from trials.intake.columns import quoted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from trials.intake.tables import Headings

SEARCHED = 30
"""Rows from the top among which the header is looked for."""

_FULL = 3


class HeaderRow(NamedTuple):
    """Where the header stands among the first rows, from 0, and how many of its cells are known."""

    place: int
    known: int


def header_row(rows: Sequence[Sequence[str]], headings: Headings) -> HeaderRow | None:
    """The row that names most columns, the first of several; where none names any, the first that is not blank.

    Parameters
    ----------
    rows : sequence of rows
        The first rows as texts, at most :data:`SEARCHED` of them.
    headings : Headings
        Knows the names of columns.
    """
    best: HeaderRow | None = None
    for place, row in enumerate(rows):
        if any(cell.strip() for cell in row):
            known = headings.known(row)
            if best is None or known > best.known:
                best = HeaderRow(place, known)
    return best


def rows_of_data(above: Sequence[Sequence[str]], header: Sequence[str]) -> list[int]:
    """Rows above the header that fill as many cells as it does: not titles, but data that were sorted or moved there."""
    width = max(_filled(header), _FULL)
    return [place for place, row in enumerate(above) if _filled(row) >= width]


def on_header(above: Sequence[Sequence[str]], data: Sequence[int]) -> list[str]:
    """What stands above the header and is not taken in."""
    titles = [
        cell.strip() for place, row in enumerate(above) if place not in data for cell in row if cell.strip()
    ]
    if not titles:
        return []
    number = len(above) + 1
    return [
        f"The header was found in row {number}; what stands above it was left alone: {quoted(', '.join(titles))}."
    ]


def _filled(row: Sequence[str]) -> int:
    return sum(bool(cell.strip()) for cell in row)
