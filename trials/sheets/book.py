"""A workbook under way: its looks, and the lists that drop-downs take their choices from."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from unicodedata import east_asian_width

from xlsxwriter.utility import xl_col_to_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from xlsxwriter.workbook import Workbook

INK, SOFT, RULE = "#1A1A1A", "#595959", "#BFBFBF"
HEAD, FIXED, NOT_DUE, LOOK, STOP = "#DFE9E6", "#F3F5F4", "#E3E3E3", "#FFE3AE", "#F5B8AB"
FONT, FONT_SIZE = "Arial", 10


_LINE = 13.5
"""Points that one line of text takes."""


def height_of(text: str, width: float, size: float = 10) -> float:
    """Points that a text needs in a column of so many digits' width; programs that print do not always see to it."""
    wide = sum(
        2.0 if east_asian_width(c) in "WF" else 1.25 if c.isupper() or c in "%@&mw" else 0.86 for c in text
    )
    lines = max(1, -(-wide * size / 10 // width))
    return float(lines * _LINE * size / 10 + 1.5)


class Book:
    """A workbook under way: its formats, and the lists that drop-downs take their choices from."""

    def __init__(self, book: Workbook) -> None:
        self.book = book
        self._formats: dict[tuple[tuple[str, Any], ...], Any] = {}
        self._lists: dict[str, Sequence[str]] = {}

    def format(self, **properties: Any) -> Any:
        """A format of these properties on top of the usual ones, made once."""
        key = tuple(sorted(properties.items()))
        if key not in self._formats:
            usual = {"font_color": INK, "valign": "top"}
            self._formats[key] = self.book.add_format(usual | properties)
        return self._formats[key]

    def cell(self, *, entry: bool, day: bool = False, **properties: Any) -> Any:
        """A cell of a table: white to write in, or tinted and locked; ``day`` draws a line above."""
        look: dict[str, Any] = {"border": 1, "border_color": RULE, "locked": not entry, "num_format": "@"}
        look["valign"] = "vcenter"
        if not entry:
            look["bg_color"] = FIXED
        if day:
            look |= {"top": 2, "top_color": INK}
        return self.format(**(look | properties))

    def choices(self, name: str, members: Sequence[str]) -> str:
        """The range of a list of choices, to be written by :meth:`write_lists`."""
        self._lists.setdefault(name, members)
        place = list(self._lists).index(name)
        column = xl_col_to_name(place, col_abs=True)
        return f"=lists!{column}$2:{column}${len(members) + 1}"

    def write_lists(self) -> None:
        """The hidden sheet of lists."""
        sheet = self.book.add_worksheet("lists")
        text = self.format(num_format="@")
        for column, (name, members) in enumerate(self._lists.items()):
            sheet.write_string(0, column, f"List of {name}", text)
            for row, member in enumerate(members, start=1):
                sheet.write_string(row, column, member, text)
        sheet.protect()
        sheet.hide()
