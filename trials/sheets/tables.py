"""The tables of the workbook that are filled in: readings, check samples, events, as intake takes them."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

from xlsxwriter.utility import xl_rowcol_to_cell

from trials.sheets import cells
from trials.sheets.book import HEAD, LOOK, NOT_DUE, RULE, STOP

if TYPE_CHECKING:
    from collections.abc import Container, Sequence

    from xlsxwriter.worksheet import Worksheet

    from trials.sheets.asked import Asked
    from trials.sheets.book import Book
    from trials.sheets.site import SiteSheet

EXTRA_ROWS = 40
"""Empty rows after the planned ones, for further tests."""
EVENT_ROWS = 150
CHECK_ROWS = 10
"""For each check sample."""
_DAY = "yyyy-mm-dd"
_EVENT_LOOKS: dict[str, dict[str, Any]] = {
    "at": {"num_format": _DAY, "align": "left"},
    "amount": {"align": "right"},
    "note": {"text_wrap": True},
}


class _Table:
    """A table under way on one sheet: headers with widths, then rows."""

    def __init__(self, book: Book, site: SiteSheet, name: str, widths: dict[str, float], fixed: int) -> None:
        self.book, self.site = book, site
        self.sheet: Worksheet = book.book.add_worksheet(name)
        self.place = {header: column for column, header in enumerate(widths)}
        head = book.format(
            bold=True, bg_color=HEAD, text_wrap=True, border=1, border_color=RULE, valign="vcenter"
        )
        for header, width in widths.items():
            self.sheet.set_column(self.place[header], self.place[header], width)
            self.sheet.write_string(0, self.place[header], header, head)
        self.sheet.set_default_row(19)
        self.sheet.set_row(0, 34)
        self.sheet.freeze_panes(1, fixed)

    def first(self, header: str) -> str:
        """The first cell under a header."""
        return str(xl_rowcol_to_cell(1, self.place[header]))

    def text(self, row: int, header: str, text: str, look: Any) -> None:
        """A cell with a text, or an empty one."""
        if text:
            self.sheet.write_string(row, self.place[header], text, look)
        else:
            self.sheet.write_blank(row, self.place[header], None, look)

    def rule(self, header: str, last: int, rule: dict[str, Any], first: int = 1) -> None:
        """A rule for a part of a column."""
        column = self.place[header]
        self.sheet.data_validation(first, column, last, column, rule)

    def mark(self, header: str, last: int, formula: str, **look: Any) -> None:
        """A look for cells of a column that meet a formula."""
        column = self.place[header]
        look = {"type": "formula", "criteria": formula, "format": self.book.book.add_format(look)}
        self.sheet.conditional_format(1, column, last, column, look)

    def finish(self, last: int) -> None:
        """Locks, and how it prints."""
        width = len(self.place) - 1
        self.sheet.ignore_errors({"number_stored_as_text": f"A1:{xl_rowcol_to_cell(last, width)}"})
        self.sheet.protect(options={"format_columns": True, "format_rows": True, "sort": True})
        self.sheet.set_landscape()
        self.sheet.set_paper(9)
        self.sheet.fit_to_pages(1, 0)
        self.sheet.repeat_rows(0)
        self.sheet.print_area(0, 0, last, width)
        self.sheet.set_margins(left=0.4, right=0.4, top=0.6, bottom=0.6)
        self.sheet.set_header(f"&L&9{_harmless(self.site.title)}&R&9{_harmless(self.site.place)}")
        self.sheet.set_footer("&L&9White fields are yours&R&9&P / &N")


def write_readings(book: Book, site: SiteSheet) -> None:
    """One row a tank and planned day, one column a variable with its unit in the header."""
    widths: dict[str, float] = {"tank": 12, "phase": 13, "taken at": 12, "replicate": 9.5}
    widths |= _widths_of(site.columns) | {"by": 12, "note": 36}
    table = _Table(book, site, "readings", widths, fixed=3)
    last = len(site.rows) + EXTRA_ROWS
    for number in range(1, last + 1):
        _write_row(table, number)
    tanks = book.choices("tanks", [tank.id for tank in site.tanks])
    first, latest = site.days
    table.rule("tank", last, cells.choice_rule(tanks, "a tank"), first=len(site.rows) + 1)
    table.rule("taken at", last, cells.date_rule(first, latest, planned=True))
    table.rule("replicate", last, cells.whole_number_rule())
    for asked in site.columns:
        _rules_for(table, asked, last)
    table.finish(last)


def _write_row(table: _Table, number: int) -> None:
    site, book = table.site, table.book
    due = site.rows[number - 1] if number <= len(site.rows) else None
    day = due is None or number == 1 or due.day != site.rows[number - 2].day
    day = day and number <= len(site.rows) + 1
    named = book.cell(entry=due is None, day=day, bold=True)
    table.text(number, "tank", due.tank if due else "", named)
    table.text(number, "phase", due.phase if due else "", book.cell(entry=False, day=day, text_wrap=True))
    date = book.cell(entry=True, day=day, num_format=_DAY, align="left")
    if due:
        table.sheet.write_datetime(
            number, table.place["taken at"], dt.datetime.combine(due.day, dt.time()), date
        )
    else:
        table.sheet.write_blank(number, table.place["taken at"], None, date)
    table.sheet.write_blank(
        number, table.place["replicate"], None, book.cell(entry=True, day=day, num_format="0", align="right")
    )
    every = {asked.variable.id for asked in site.columns}
    _values(table, number, site.columns, due.variables if due else every, day=day)
    _remarks(table, number, day=day)


def _widths_of(columns: Sequence[Asked]) -> dict[str, float]:
    """The columns of variables, each with that of its kits, and their widths."""
    widths: dict[str, float] = {}
    for asked in columns:
        widths[asked.header] = max(12, min(len(asked.header) * 0.75, 22))
        if asked.several:
            widths[asked.kit_header] = 17
    return widths


def _values(table: _Table, number: int, columns: Sequence[Asked], due: Container[str], *, day: bool) -> None:
    """The cells of a row that take values, shaded where nothing is due, and those of their kits."""
    for asked in columns:
        tint = {} if asked.variable.id in due else {"bg_color": NOT_DUE}
        table.text(number, asked.header, "", table.book.cell(entry=True, day=day, align="right", **tint))
        if asked.several:
            kit = table.book.cell(entry=True, day=day, align="left", indent=1, **tint)
            table.text(number, asked.kit_header, asked.own, kit)


def _remarks(table: _Table, number: int, *, day: bool) -> None:
    for header in ("by", "note"):
        look = table.book.cell(entry=True, day=day, align="left", indent=1, text_wrap=header == "note")
        table.text(number, header, "", look)


def write_checks(book: Book, site: SiteSheet) -> None:
    """Rows for the waters of known content, where the protocol has some: each test with its own day."""
    if not site.samples:
        return
    columns = [units[0] for units in site.checked]
    widths = {"tank": 14, "taken at": 12, "replicate": 9.5} | _widths_of(columns) | {"by": 12, "note": 36}
    table = _Table(book, site, "check samples", widths, fixed=1)
    last = len(site.samples) * CHECK_ROWS
    for number in range(1, last + 1):
        sample, day = site.samples[(number - 1) // CHECK_ROWS], number % CHECK_ROWS == 1
        table.text(number, "tank", sample.id, book.cell(entry=False, day=day, bold=True))
        date = book.cell(entry=True, day=day, num_format=_DAY, align="left")
        table.sheet.write_blank(number, table.place["taken at"], None, date)
        count = book.cell(entry=True, day=day, num_format="0", align="right")
        table.sheet.write_blank(number, table.place["replicate"], None, count)
        _values(table, number, columns, {sample.variable}, day=day)
        _remarks(table, number, day=day)
    first, latest = site.days
    table.rule("taken at", last, cells.date_rule(first, latest, planned=False))
    table.rule("replicate", last, cells.whole_number_rule())
    for asked in columns:
        _rules_for(table, asked, last, watched=False)
    table.finish(last)


def _rules_for(table: _Table, asked: Asked, last: int, *, watched: bool = True) -> None:
    """Rules of a variable's column and of the one for its kit; where ``watched``, looks for what needs a person."""
    cell = table.first(asked.header)
    table.rule(asked.header, last, cells.value_rule(asked, cell))
    if watched:
        for threshold in asked.thresholds:
            table.mark(asked.header, last, cells.meets(threshold, cell), bg_color=STOP, bold=True)
        unusual = cells.outside_usual(asked, cell)
        if unusual:
            table.mark(asked.header, last, unusual, bg_color=LOOK)
    if asked.several and asked.kits:
        kits = table.book.choices(f"kits for {asked.variable.id}", [kit.id for kit in asked.kits])
        table.rule(asked.kit_header, last, cells.choice_rule(kits, "the kit that showed the value"))


def write_events(book: Book, site: SiteSheet, kinds: Sequence[str]) -> None:
    """Empty rows for what else happened to a tank."""
    widths = {"tank": 12, "at": 12, "kind": 36, "amount": 11, "unit": 9, "by": 12, "note": 50}
    table = _Table(book, site, "events", dict(widths), fixed=0)
    for number in range(1, EVENT_ROWS + 1):
        for header in widths:
            look = _EVENT_LOOKS.get(header, {})
            table.sheet.write_blank(number, table.place[header], None, book.cell(entry=True, **look))
    first, latest = site.days
    table.rule(
        "tank",
        EVENT_ROWS,
        cells.choice_rule(book.choices("tanks", [tank.id for tank in site.tanks]), "a tank"),
    )
    table.rule("at", EVENT_ROWS, cells.date_rule(first, latest, planned=False))
    table.rule("kind", EVENT_ROWS, cells.choice_rule(book.choices("events", kinds), "what happened"))
    table.rule("amount", EVENT_ROWS, cells.amount_rule(table.first("amount")))
    units = book.choices("units of events", ("mL", "g", "L", "%", "1"))
    table.rule("unit", EVENT_ROWS, cells.choice_rule(units, "a unit") | {"error_type": "information"})
    table.finish(EVENT_ROWS)


def _harmless(text: str) -> str:
    """A text for a printed header, where ``&`` begins a code."""
    return text[:90].replace("&", "&&")
