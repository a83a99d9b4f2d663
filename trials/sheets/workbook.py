"""The workbook of a site: a front page, tables to fill in, and what intake knows it by."""

from __future__ import annotations

import datetime as dt
import io
from typing import TYPE_CHECKING

import xlsxwriter

from schemas.events import EVENTS
from trials.sheets.book import FONT, FONT_SIZE, Book
from trials.sheets.front import write_doses, write_front
from trials.sheets.site import SHEET_FORMAT
from trials.sheets.tables import write_checks, write_events, write_readings

if TYPE_CHECKING:
    from trials.sheets.site import SiteSheet


def workbook_of(site: SiteSheet) -> bytes:
    """The bytes of a site's workbook: the same for the same trial, whenever they are made.

    Every text is written as a text, so that none is a formula or a link; cells that are not to be filled in are
    locked against slips (there is no password), and a very hidden sheet says which trial and site it is.
    """
    content = io.BytesIO()
    options = {"in_memory": True, "default_format_properties": {"font_name": FONT, "font_size": FONT_SIZE}}
    with xlsxwriter.Workbook(content, options) as file:
        file.set_properties(
            {
                "title": site.title[:250],
                "subject": f"Recording sheet, {site.place}",
                "created": dt.datetime.combine(site.protocol.schedule.start, dt.time()),
            }
        )
        book = Book(file)
        write_front(book, site)
        write_doses(book, site)
        write_readings(book, site)
        write_checks(book, site)
        write_events(book, site, [form.title for form in EVENTS.values()])
        book.write_lists()
        _write_identity(book, site)
    return content.getvalue()


def _write_identity(book: Book, site: SiteSheet) -> None:
    sheet = book.book.add_worksheet("fairtank")
    known = {"trial": site.trial, "digest": site.digest, "site": site.site, "sheet_format": SHEET_FORMAT}
    text = book.format(num_format="@")
    for row, (key, value) in enumerate(known.items()):
        sheet.write_string(row, 0, key, text)
        sheet.write_string(row, 1, value, text)
    sheet.protect()
    sheet.very_hidden()
