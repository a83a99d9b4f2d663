"""The three things that files bring: readings of tanks, events, and readings of check samples.

Each has a table of its own, a number of its own that counts through the whole register, and columns that are stored
and hashed in one order.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from trials.register import tables

if TYPE_CHECKING:
    from sqlalchemy import Table


@dataclass(frozen=True)
class Kept:
    """Where one of them is stored and what is returned of it.

    Parameters
    ----------
    name : str
        What it is called in an intake: ``readings``, ``events`` or ``checks``.
    title : str
        What it is called in a sentence.
    table : Table
        Where it is stored.
    key : str
        The column of its number.
    moment : str
        The column that says when.
    number : str
        The column that holds a measured number.
    order : tuple of str
        The columns that it is sorted by, the first before all; its number comes last.
    """

    name: str
    title: str
    table: Table
    key: str
    moment: str
    number: str
    order: tuple[str, ...]

    @property
    def columns(self) -> tuple[str, ...]:
        """The columns in the order in which they are stored and hashed; number and entry are not among them."""
        return tuple(column.name for column in self.table.columns if column.name not in (self.key, "entry"))

    @property
    def dtypes(self) -> dict[str, str]:
        """The type of each column that is handed out, in order: the number first, where it came from last."""
        last = ("file", "sheet", "row")
        names = (self.key, *(name for name in self.columns if name not in last), *last)
        special = {
            self.key: "int64",
            "row": "int64",
            "replicate": "int64",
            self.moment: "datetime64[us]",
            self.number: "float64",
        }
        return {name: special.get(name, "str") for name in names}


READINGS = Kept(
    "readings",
    "readings",
    tables.readings,
    "reading",
    "taken_at",
    "value",
    ("tank", "variable", "taken_at", "replicate"),
)
EVENTS = Kept("events", "events", tables.events, "event", "at", "amount", ("tank", "at", "kind"))
CHECKS = Kept(
    "checks",
    "readings of check samples",
    tables.check_readings,
    "reading",
    "taken_at",
    "value",
    ("site", "sample", "variable", "taken_at", "replicate"),
)
ALL = (READINGS, EVENTS, CHECKS)
