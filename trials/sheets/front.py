"""The pages of the workbook that are read and not filled in: what to do, and what each tank is given."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trials.sheets.book import FIXED, HEAD, INK, RULE, SOFT, height_of
from trials.sheets.instructions import Section, other_units

if TYPE_CHECKING:
    from xlsxwriter.worksheet import Worksheet

    from trials.sheets.book import Book
    from trials.sheets.doses import TankDose
    from trials.sheets.site import SiteSheet

_WIDTH = 86
_HEADING, _PAGE = 26.0, 734.0
"""Points: of a heading's row, and of an A4 page less the margins that are set below. The page is not scaled."""


def write_front(book: Book, site: SiteSheet) -> None:
    """The front page: what the trial is, what to do, and whom to tell."""
    sheet = book.book.add_worksheet("start here")
    sheet.hide_gridlines(2)
    sheet.set_column(0, 0, _WIDTH)
    small = book.format(font_color=SOFT, text_wrap=True)
    line = book.format(text_wrap=True)
    head = book.format(bold=True, font_size=12, bottom=1, bottom_color=INK, valign="bottom")
    place = f"{site.place}: {site.purpose}"
    sheet.write_string(0, 0, "Recording sheet of a trial", small)
    sheet.write_string(1, 0, site.title, book.format(bold=True, font_size=18, text_wrap=True))
    sheet.set_row(1, height_of(site.title, _WIDTH, 19))
    sheet.write_string(2, 0, place, book.format(font_size=12, text_wrap=True))
    sheet.set_row(2, height_of(place, _WIDTH, 12))
    row, used, breaks = 3, 15 + height_of(site.title, _WIDTH, 19) + height_of(place, _WIDTH, 12), []
    for section in (_use(site), *site.sections, _back(site)):
        if used + _HEADING + height_of(section.lines[0], _WIDTH) > _PAGE:
            breaks.append(row)
            used = 0
        sheet.set_row(row, _HEADING)
        sheet.write_string(row, 0, section.title, head)
        used += _HEADING
        for text in section.lines:
            row += 1
            height = height_of(text, _WIDTH)
            sheet.set_row(row, height)
            sheet.write_string(row, 0, text, line)
            used = used + height if used + height <= _PAGE else height
        row += 1
    sheet.set_h_pagebreaks(breaks)
    sheet.write_string(row, 0, f"Protocol {site.digest[:16]}, trial {site.trial}.", small)
    sheet.protect()
    sheet.set_portrait()
    sheet.print_area(0, 0, row, 0)
    sheet.set_paper(9)
    sheet.set_margins(left=0.7, right=0.7, top=0.7, bottom=0.8)
    sheet.set_footer("&C&9&P / &N")


def _use(site: SiteSheet) -> Section:
    lines = [
        (
            'In the sheet "readings" each row is one tank on one planned day. Fill in what you measured, who measured, and a note '
            "where something was out of the usual. Shaded fields are not due that day, and may be filled in all the same."
        ),
        (
            "If you measured on another day than planned, write that day over the planned one. Empty rows at the end are for "
            "further tests."
        ),
        *(
            ['The sheet "check samples" is for the bottles that all sites measure; give each test its day.']
            if site.samples
            else []
        ),
        'Into the sheet "events" goes what else happened to a tank: carbon given, water changed, feed, animals lost, faults.',
        (
            "White fields are yours; the rest is locked against slips. A field turns yellow where a value is unusual, so look "
            "again, and red and bold where it meets a stop rule."
        ),
        *other_units(site.asked),
    ]
    return Section("How to use this workbook", tuple(lines))


def _back(site: SiteSheet) -> Section:
    return Section(
        "Whom to tell, and where to send this",
        (
            f"Questions, doubts, and every stop rule that is met: {site.lead}.",
            (
                "Send the file back as it is, by mail or as you agreed, each week or when it is full. You can go on in the same "
                "file and send it again: what was taken in before is recognised."
            ),
        ),
    )


def write_doses(book: Book, site: SiteSheet) -> None:
    """A table of doses by tank and day, where there are steps to follow."""
    if site.masked or not any(dose.steps for dose in site.arms):
        return
    sheet = book.book.add_worksheet("doses")
    sheet.hide_gridlines(2)
    wrap = book.format(text_wrap=True)
    head = book.format(bold=True, bg_color=HEAD, text_wrap=True, top=1, bottom=1, valign="vcenter")
    sheet.write_string(0, 0, "What each tank is given, step by step", book.format(bold=True, font_size=14))
    notes = (
        "Usual steps (common practice). What the lead says goes before them; a stop rule that is met goes before both.",
        (
            "Never double a missed dose. Stop at once if fish gasp, the water clouds, or a reactor turns black or smells of rotten "
            f"eggs: do not lean in, ventilate, aerate, and tell {site.lead}."
        ),
    )
    for row, note in enumerate(notes, start=1):
        sheet.merge_range(row, 0, row, 4, "", wrap)
        sheet.write_string(row, 0, note, wrap)
        sheet.set_row(row, height_of(note, 118))
    for column, (title, width) in enumerate(
        (("For the tank", 14), ("What", 46), ("From", 18), ("Give", 24), ("Done by, on", 22))
    ):
        sheet.set_column(column, column, width)
        sheet.write_string(4, column, title, head)
    row = 5
    for dose in site.arms:
        row = _write_dose(book, sheet, row, dose)
    sheet.protect(options={"format_columns": True, "format_rows": True})
    sheet.freeze_panes(5, 0)
    sheet.repeat_rows(4)
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
    sheet.set_footer("&L&9" + site.name.replace("&", "&&")[:100] + "&R&9&P / &N")


def _write_dose(book: Book, sheet: Worksheet, row: int, dose: TankDose) -> int:
    """The rows of one tank; gives the next free row."""
    steps = dose.steps or (("", dose.full or dose.given),)
    for number, (day, amount) in enumerate(steps):
        look = {"text_wrap": True, "bottom": 1, "bottom_color": RULE, "num_format": "@"}
        if number == 0:
            look |= {"top": 2, "top_color": INK}
        named = book.format(**look, bold=True, bg_color=FIXED)
        texts = (dose.tank, f"{dose.arm}: {dose.given}" if number == 0 else "", day, amount)
        sheet.set_row(row, max(18.0, height_of(texts[1], 44)))
        for column, text in enumerate(texts):
            cell = named if column == 0 else book.format(**look)
            if text:
                sheet.write_string(row, column, text, cell)
            else:
                sheet.write_blank(row, column, None, cell)
        sheet.write_blank(row, 4, None, book.format(**look, locked=False))
        row += 1
    return row
