"""Spreadsheets as honest people send them, made to be hard: each with what must come of it.

The trial is that of the conftest beside: tanks q01-a to q02-c, from 2 March 2026, taken in on 1 July 2026. Every row of a
case is either taken in with exactly the values given, or held with the reason codes given; nothing else may come of it.
"""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import openpyxl
import xlsxwriter
from openpyxl.comments import Comment

if TYPE_CHECKING:
    from collections.abc import Callable

N_TO_NO3, P_TO_PO4 = 62.004 / 14.007, 94.969762 / 30.973762
"""Grams of ion to the gram of element, from the conventional atomic weights of N, O and P (from memory)."""

DAY = dt.date(2026, 4, 6)
LONG = ("tank", "taken_at", "variable", "value", "unit")
WIDE = ("tank", "taken_at", "nitrate [mg/L]", "phosphate [mg/L]")


@dataclass(frozen=True)
class Case:
    """A file and what must come of it.

    Parameters
    ----------
    name, content : str, bytes
        The file.
    taken : dict
        By row number, the readings of each accepted row: variable and value, with a sign as text where there is one.
    held : dict
        By row number, the reason codes of each held row.
    said : tuple of str
        Parts of remarks that must be made.
    refused : str
        Part of the one sentence that the whole file is refused with.
    repeated : tuple of int
        Rows that say what another one says.
    """

    name: str
    content: bytes
    taken: dict[int, dict[str, Any]] = field(default_factory=dict)
    held: dict[int, list[str]] = field(default_factory=dict)
    said: tuple[str, ...] = ()
    refused: str = ""
    repeated: tuple[int, ...] = ()


CASES: dict[str, Callable[[], Case]] = {}


def case(make: Callable[[], Case]) -> Callable[[], Case]:
    """Registers a case under the name of the function that makes it."""
    CASES[make.__name__] = make
    return make


def text(*rows: str, encoding: str = "utf-8", end: str = "\n") -> bytes:
    """Lines as bytes."""
    return (end.join(rows) + end).encode(encoding)


def book(rows: list[list[Any]], then: Callable[[Any, Any], None] | None = None, **options: Any) -> bytes:
    """A workbook of one sheet by XlsxWriter; ``then`` changes book and sheet before they are closed."""
    stream = io.BytesIO()
    with xlsxwriter.Workbook(stream, {"in_memory": True, **options}) as workbook:
        day = workbook.add_format({"num_format": "dd.mm.yyyy"})
        sheet = workbook.add_worksheet("Sheet1")
        for at, row in enumerate(rows):
            for column, cell in enumerate(row):
                if isinstance(cell, dt.date):
                    sheet.write_datetime(at, column, cell, day)
                elif isinstance(cell, str):
                    sheet.write_string(at, column, cell)
                elif cell is not None:
                    sheet.write(at, column, cell)
        if then:
            then(workbook, sheet)
    return stream.getvalue()


def opened(rows: list[list[Any]], then: Callable[[Any], None]) -> bytes:
    """A workbook of one sheet by openpyxl, which keeps no results of formulas."""
    workbook = openpyxl.Workbook()
    sheet = workbook.active
    for row in rows:
        sheet.append(row)
    then(sheet)
    stream = io.BytesIO()
    workbook.save(stream)
    return stream.getvalue()


_ODS = "application/vnd.oasis.opendocument.spreadsheet"
_NAMESPACES = " ".join(
    f'xmlns:{short}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"'
    for short, name in (("office", "office"), ("table", "table"), ("text", "text"))
)


def open_document(*rows: str) -> bytes:
    """An ODS workbook of one sheet from the elements of its rows."""
    manifest = (
        '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">'
        f'<manifest:file-entry manifest:full-path="/" manifest:media-type="{_ODS}"/>'
        '<manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml"/></manifest:manifest>'
    )
    content = (
        f'<office:document-content {_NAMESPACES} xmlns:dc="http://purl.org/dc/elements/1.1/"><office:body>'
        f'<office:spreadsheet><table:table table:name="Blatt1">{"".join(rows)}</table:table></office:spreadsheet>'
        "</office:body></office:document-content>"
    )
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("mimetype", _ODS, zipfile.ZIP_STORED)
        archive.writestr("META-INF/manifest.xml", manifest)
        archive.writestr("content.xml", content)
    return stream.getvalue()


def od_row(*cells: str, attributes: str = "") -> str:
    """A row of an ODS sheet."""
    return f"<table:table-row {attributes}>{''.join(cells)}</table:table-row>"


def od_text(shown: str, attributes: str = "", inside: str = "") -> str:
    """A cell of text in an ODS sheet."""
    return f'<table:table-cell office:value-type="string" {attributes}>{inside}<text:p>{shown}</text:p></table:table-cell>'


def od_value(kind: str, value: str, shown: str = "") -> str:
    """A cell of a number, date or percentage in an ODS sheet."""
    name = {"date": "date-value"}.get(kind, "value")
    return f'<table:table-cell office:value-type="{kind}" office:{name}="{value}"><text:p>{shown}</text:p></table:table-cell>'


# Text files: encodings, separators, quotes, ragged rows


@case
def utf8_with_mark_and_crlf() -> Case:
    lines = ("tank,taken_at,variable,value,unit", "q01-a,2026-04-06,nitrate,12.5,mg/L")
    return Case("a.csv", text(*lines, encoding="utf-8-sig", end="\r\n"), {2: {"nitrate": 12.5}})


@case
def utf16_with_tabs() -> Case:
    lines = ("\t".join(LONG), "q01-a\t2026-04-06\tphosphate\t33\tµg/L P")
    return Case("a.txt", text(*lines, encoding="utf-16"), {2: {"phosphate": 0.033 * P_TO_PO4}})


@case
def western_bytes_with_a_micro_sign() -> Case:
    lines = (";".join(LONG), "q01-a;6 April 2026;PO4;33,5;µg/l")
    said = ("not UTF-8 and was read as Western European", "semicolons")
    return Case("a.csv", text(*lines, encoding="latin-1"), {2: {"phosphate": 0.0335}}, said=said)


@case
def windows_bytes_with_a_typographic_dash() -> Case:
    lines = (";".join((*LONG, "note")), "q01-a;2026-04-06;NO3;12;mg/l;after \u2013 not before \u2013 feeding")
    return Case("a.csv", text(*lines, encoding="cp1252"), {2: {"nitrate": 12}})


@case
def old_mac_line_ends() -> Case:
    lines = (",".join(LONG), "q01-a,2026-04-06,nitrate,12.5,mg/L")
    return Case("a.csv", text(*lines, end="\r"), {2: {"nitrate": 12.5}})


@case
def trailing_separators() -> Case:
    lines = (
        "tank;taken_at;nitrate [mg/L];;;",
        "q01-a;2026-04-06;12,5;;;",
        "q01-b;2026-04-06;13,5",
        "q01-c;2026-04-06;14,5;",
    )
    return Case("a.csv", text(*lines), {2: {"nitrate": 12.5}, 3: {"nitrate": 13.5}, 4: {"nitrate": 14.5}})


@case
def ragged_rows_by_decimal_commas() -> Case:
    lines = (",".join(LONG), "q01-a,2026-04-06,nitrate,12,5,mg/L", "q01-b,2026-04-06,nitrate,12.5,mg/L")
    return Case("a.csv", text(*lines), {3: {"nitrate": 12.5}}, {2: ["too-many-cells"]})


@case
def quoted_cells_with_breaks_and_quotes() -> Case:
    lines = (
        '"tank","taken_at","nitrate [mg/L]","note"',
        '"q01-a","2026-04-06","12,5","he said ""fine"",\nand left"',
        '"q01-b","2026-04-06","13,5",""',
    )
    return Case("a.csv", text(*lines), {2: {"nitrate": 12.5}, 3: {"nitrate": 13.5}})


@case
def a_quotation_mark_left_open() -> Case:
    lines = (
        "tank,taken_at,nitrate [mg/L],note",
        'q01-a,2026-04-06,12,"six inch',
        'q01-b,2026-04-06,13,x"',
        "q01-c,2026-04-06,14,",
    )
    # The row that was swallowed is told in the row that swallowed it.
    return Case("a.csv", text(*lines), {3: {"nitrate": 14}}, {2: ["open-quote"]})


@case
def separator_named_in_the_first_line() -> Case:
    return Case("a.csv", text("sep=;", "tank;taken_at;pH", "q01-a;2026-04-06;8,1"), {3: {"ph": 8.1}})


@case
def header_twice() -> Case:
    lines = (
        "tank,taken_at,nitrate [mg/L]",
        "q01-a,2026-04-06,12",
        "Tank,Taken_at,Nitrate [mg/L]",
        "q01-b,2026-04-06,13",
    )
    return Case(
        "a.csv",
        text(*lines),
        {2: {"nitrate": 12}, 4: {"nitrate": 13}},
        said=("The header stands again in row 3",),
    )


@case
def another_table_below() -> Case:
    lines = (
        "tank,taken_at,nitrate [mg/L]",
        "q01-a,2026-04-06,12",
        "tank,taken_at,phosphate [mg/L]",
        "q01-a,2026-04-06,0.1",
    )
    second = ["below-a-second-header"]
    return Case("a.csv", text(*lines), {2: {"nitrate": 12}}, {3: second, 4: second})


@case
def no_header() -> Case:
    lines = ("q01-a,2026-04-06,nitrate,12,mg/L", "q01-b,2026-04-06,nitrate,13,mg/L")
    return Case("a.csv", text(*lines), refused="has no header: none of its first rows names")


@case
def one_name_for_two_columns() -> Case:
    return Case("a.csv", text("tank,date,pH,pH", "q01-a,2026-04-06,8,8.1"), refused="has two columns for ph")


@case
def blank_lines_everywhere() -> Case:
    lines = (
        "",
        ";;",
        "tank;taken_at;pH",
        ";;",
        "q01-a;2026-04-06;8,1",
        "",
        "   ;;",
        "q01-b;2026-04-06;8,2",
        ";;",
    )
    return Case("a.csv", text(*lines), {5: {"ph": 8.1}, 8: {"ph": 8.2}}, said=("4 blank rows",))


@case
def titles_above_the_header() -> Case:
    lines = (
        "Readings of April;;",
        "Site;q01;",
        ";;",
        "tank;taken_at;nitrate [mg/L]",
        "q01-a;2026-04-06;12,5",
    )
    return Case(
        "a.csv",
        text(*lines),
        {5: {"nitrate": 12.5}},
        said=('found in row 4; what stands above it was left alone: "Readings of April, Site, q01"',),
    )


@case
def data_sorted_above_the_header() -> Case:
    lines = (
        "q01-a,2026-04-06,12",
        "q01-b,2026-04-06,13",
        "tank,taken_at,nitrate [mg/L]",
        "q01-c,2026-04-06,14",
    )
    above = ["above-the-header"]
    return Case("a.csv", text(*lines), {4: {"nitrate": 14}}, {1: above, 2: above})


# Columns: other names, other order, slips of the keyboard, units in words


@case
def columns_renamed_and_in_another_order() -> Case:
    lines = (
        "Remarks,Units,Result,Parameter,Sample date,Tank ID,Tested by",
        ",ppm,12.5,NO3,2026-04-06,q01-a,MO",
    )
    said = (
        '"Result" was taken as value',
        '"Sample date" was taken as taken_at',
        '"Tank ID" was taken as tank',
    )
    return Case("a.csv", text(*lines), {2: {"nitrate": 12.5}}, said=said)


@case
def columns_misspelt() -> Case:
    lines = ("tannk,takenat,nitrat [mg/L],phosphat [mg/L]", "q01-a,2026-04-06,12.5,0.1")
    said = ('"nitrat [mg/L]" was taken as nitrate, which it is spelt like', '"tannk" was taken as tank')
    return Case("a.csv", text(*lines), {2: {"nitrate": 12.5, "phosphate": 0.1}}, said=said)


@case
def a_column_spelt_like_two() -> Case:
    lines = ("tank,date,nitrte [mg/L],pH", "q01-a,2026-04-06,12.5,8.1", "q01-b,2026-04-06,,8.1")
    return Case("a.csv", text(*lines), {3: {"ph": 8.1}}, {2: ["unclear-column"]})


@case
def units_in_words() -> Case:
    lines = (
        ",".join(LONG),
        "q01-a,2026-04-06,nitrate,12.5,milligrams per litre",
        "q01-b,2026-04-06,nitrate,12.5,parts per million",
        "q01-c,2026-04-06,phosphate,50,parts per billion",
        "q02-a,2026-04-06,phosphate,50,micrograms per liter",
        "q02-b,2026-04-06,temperature,25,degrees Celsius",
    )
    taken = {2: {"nitrate": 12.5}, 3: {"nitrate": 12.5}, 4: {"phosphate": 0.05}, 5: {"phosphate": 0.05}}
    return Case("a.csv", text(*lines), taken | {6: {"temperature": 25}})


@case
def units_in_a_row_of_their_own() -> Case:
    lines = ("tank,date,nitrate,phosphate,pH", ",,mg/L as N,ppb,", "q01-a,2026-04-06,2.5,50,8.1")
    taken = {3: {"nitrate": 2.5 * N_TO_NO3, "phosphate": 0.05, "ph": 8.1}}
    return Case("a.csv", text(*lines), taken, said=("Row 2 was taken as the units of the columns above it",))


@case
def a_note_in_the_row_of_units() -> Case:
    lines = ("tank,date,nitrate,note", ",,mg/L,drop kit", "q01-a,2026-04-06,2.5,")
    held = {2: ["no-tank", "no-date", "not-a-number", "no-unit"], 3: ["no-unit"]}
    return Case("a.csv", text(*lines), held=held)


@case
def nitrogen_in_the_header() -> Case:
    lines = ("tank,date,nitrate (as N) [mg/L]", "q01-a,2026-04-06,2.5")
    return Case("a.csv", text(*lines), {2: {"nitrate": 2.5 * N_TO_NO3}}, said=("was taken as nitrate as N",))


@case
def nitrogen_in_name_and_unit() -> Case:
    lines = (
        ",".join(LONG),
        "q01-a,2026-04-06,NO3-N,2.5,mg/L",
        "q01-b,2026-04-06,nitrate,2.5,mg/L NO3-N",
        "q01-c,2026-04-06,NO3-N,2.5,mg/L as NO3",
    )
    taken = {2: {"nitrate": 2.5 * N_TO_NO3}, 3: {"nitrate": 2.5 * N_TO_NO3}}
    return Case("a.csv", text(*lines), taken, {4: ["unit-not-accepted"]})


@case
def ppb_in_a_column_of_mg() -> Case:
    lines = (
        "tank,date,phosphate [mg/L]",
        "q01-a,2026-04-06,45",
        "q01-b,2026-04-06,5",
        "q01-c,2026-04-06,0.05",
    )
    return Case("a.csv", text(*lines), {4: {"phosphate": 0.05}}, {2: ["out-of-bounds"], 3: ["unlikely"]})


@case
def mg_in_a_column_of_ppb() -> Case:
    lines = ("tank,date,phosphate [ppb]", "q01-a,2026-04-06,0.05", "q01-b,2026-04-06,45")
    return Case("a.csv", text(*lines), {3: {"phosphate": 0.045}}, {2: ["unlikely"]})


# Cells: numbers, limits, spaces, digits


@case
def decimal_commas_and_thousands() -> Case:
    lines = (
        ";".join(LONG),
        "q01-a;2026-04-06;magnesium;1,300;mg/L",
        "q01-b;2026-04-06;magnesium;1300;mg/L",
        "q01-c;2026-04-06;magnesium;1.300,5;mg/L",
        "q02-a;2026-04-06;nitrate;1'200;mg/L",
    )
    held = {2: ["ambiguous-number"], 4: ["thousands-separator"], 5: ["thousands-separator"]}
    return Case("a.csv", text(*lines), {3: {"magnesium": 1300}}, held)


@case
def limits_in_every_spelling() -> Case:
    cells = [
        "<0,02",
        "< 0.02",
        "\u22640.02",
        "<=0.02",
        "=<0.02",
        "\uff1c0.02",
        "below 0.02",
        "under 0,02",
        "n.d.",
        "ND",
        "nd",
        "not detected",
    ]
    tanks = [f"q0{site}-{letter}" for site in (1, 2) for letter in "abc"]
    lines = [
        f"{tanks[place % 6]};2026-04-{6 + place // 6:02};phosphate;{cell};mg/L"
        for place, cell in enumerate(cells)
    ]
    taken = {place + 2: {"phosphate": "<0.02"} for place in range(len(cells))}
    return Case("a.csv", text(";".join(LONG), *lines), taken)


@case
def above_the_range() -> Case:
    lines = (
        ",".join(LONG),
        "q01-a,2026-04-06,nitrate,> 40,mg/L",
        "q01-b,2026-04-06,nitrate,\u226540,mg/L",
        "q01-c,2026-04-06,nitrate,more than 40,mg/L",
    )
    return Case("a.csv", text(*lines), {row: {"nitrate": ">40"} for row in (2, 3, 4)})


@case
def words_where_numbers_belong() -> Case:
    cells = ["trace", "5-10", "~5", "5?", "5 \u00b1 1", "-", "n/a", "clear", "0"]
    codes = ["limit-unknown", *["not-a-number"] * 7, "zero"]
    lines = [f"q01-a,2026-04-{6 + place:02},nitrate,{cell},mg/L" for place, cell in enumerate(cells)]
    held = {place + 2: [code] for place, code in enumerate(codes)}
    return Case("a.csv", text(",".join(LONG), *lines), held=held)


@case
def spaces_and_marks_that_nobody_sees() -> Case:
    lines = (
        "\ufefftank ;\u00a0taken_at;variable;value;unit",
        "\u00a0q01-a\u200b;2026-04-06\u00a0;nitrate\u202f;\u00a012,5\u2009;mg/L\u200b",
        "q01\u200b-b;2026\u20114\u20116;nitrate;\u200e12,5;mg\u00a0/\u00a0L",
    )
    return Case("a.csv", text(*lines), {2: {"nitrate": 12.5}, 3: {"nitrate": 12.5}})


@case
def digits_and_minus_signs_of_other_scripts() -> Case:
    lines = (
        ",".join(LONG),
        "q01-a,2026-04-06,nitrate,\uff11\uff12\uff0e\uff15,mg/L",
        "q01-b,2026-04-06,nitrate,\u0661\u0662,mg/L",
        "q01-c,2026-04-06,redox,\u2212300,mV",
        "q02-a,2026-04-06,redox,\u2013300,mV",
    )
    held = {4: ["unlikely"], 5: ["unlikely"]}
    return Case("a.csv", text(*lines), {2: {"nitrate": 12.5}, 3: {"nitrate": 12}}, held)


# Dates, times, zones


@case
def dates_in_words_and_figures() -> Case:
    cells = {
        "6 April 2026": None,
        "Mon 6 Apr 2026 18:30": None,
        "April 7, 2026": None,
        "8-Apr-2026": None,
        "13/04/2026": None,
        "04/14/2026": None,
        "2026/4/15": None,
        "03/04/2026": "ambiguous-date",
        "6.4.26": "two-digit-year",
        "46118": "day-number",
        "31 April 2026": "impossible-date",
        "last Monday": "not-a-date",
        "6 April 2027": "in-the-future",
        "6 February 2026": "before-the-start",
    }
    lines = [f'q01-a;"{cell}";nitrate;12,5;mg/L' for cell in cells]
    held = {row: [code] for row, code in enumerate(cells.values(), start=2) if code}
    taken = {row: {"nitrate": 12.5} for row, code in enumerate(cells.values(), start=2) if not code}
    return Case("a.csv", text(";".join(LONG), *lines), taken, held)


@case
def times_in_a_column_of_their_own() -> Case:
    cells = ["18:30", "6.30 pm", "18:30:15", "", "7 am", "25:00", "evening", "18"]
    lines = [f"q01-a,2026-04-{6 + place:02},{cell},8.1" for place, cell in enumerate(cells)]
    held = {row: ["not-a-time"] for row in (7, 8, 9)}
    return Case(
        "a.csv", text("tank,date,time,pH", *lines), {row: {"ph": 8.1} for row in (2, 3, 4, 5, 6)}, held
    )


@case
def time_zones() -> Case:
    cells = [
        "2026-04-06T18:30+02:00",
        "2026-04-07 18:30 UTC",
        "2026-04-08 18:30Z",
        "2026-04-09 18:30 GMT+1",
        "2026-04-10 18:30 CST",
    ]
    lines = [f"q01-a,{cell},8.1" for cell in cells]
    return Case(
        "a.csv", text("tank,date,pH", *lines), {row: {"ph": 8.1} for row in (2, 3, 4, 5)}, {6: ["not-a-date"]}
    )


@case
def a_time_beside_a_moment() -> Case:
    lines = ("tank,date,time,pH", "q01-a,2026-04-06 18:30,18:30,8.1", "q01-b,2026-04-06 18:30,09:00,8.1")
    return Case("a.csv", text(*lines), {2: {"ph": 8.1}}, {3: ["two-times"]})


# Rows that are no readings


@case
def totals_and_means_below() -> Case:
    lines = (
        "tank,date,nitrate [mg/L]",
        "q01-a,2026-04-06,12",
        "q01-b,2026-04-06,14",
        "Average,,13",
        "Total:,,26",
        ",Mean,13",
    )
    worked_out = ["worked-out-row"]
    return Case(
        "a.csv",
        text(*lines),
        {2: {"nitrate": 12}, 3: {"nitrate": 14}},
        {4: worked_out, 5: worked_out, 6: worked_out},
    )


@case
def the_same_row_twice() -> Case:
    lines = ("tank,date,nitrate [mg/L]", "q01-a,2026-04-06,12", "q01-a,6 April 2026,12.0")
    return Case("a.csv", text(*lines), {2: {"nitrate": 12}}, repeated=(3,))


# Workbooks


@case
def workbook_with_titles_and_merged_cells() -> Case:
    rows = [
        ["Quillmere, April"],
        [],
        list(WIDE),
        ["", DAY, 12.5, 0.1],
        [None, dt.date(2026, 4, 13), 13.5, 0.2],
        [],
        ["q01-b", DAY, 14.5, 0.3],
    ]

    def merge(workbook: Any, sheet: Any) -> None:
        sheet.merge_range(0, 0, 0, 3, "Quillmere, April", workbook.add_format())
        sheet.merge_range(3, 0, 5, 0, "q01-a", workbook.add_format())

    taken = {
        4: {"nitrate": 12.5, "phosphate": 0.1},
        5: {"nitrate": 13.5, "phosphate": 0.2},
        7: {"nitrate": 14.5, "phosphate": 0.3},
    }
    said = (
        'Column "tank" has cells merged over several rows',
        "The header was found in row 3",
        "1 blank row",
    )
    return Case("a.xlsx", book(rows, merge), taken, said=said)


@case
def workbook_with_a_blank_that_is_not_merged() -> Case:
    rows = [list(WIDE), ["q01-a", DAY, 12.5, 0.1], [None, dt.date(2026, 4, 13), 13.5, 0.2]]
    return Case("a.xlsx", book(rows), {2: {"nitrate": 12.5, "phosphate": 0.1}}, {3: ["no-tank"]})


@case
def workbook_with_a_value_merged_over_rows() -> Case:
    rows = [list(LONG), ["q01-a", DAY, "nitrate", None, "mg/L"], ["q01-b", DAY, "nitrate", None, "mg/L"]]

    def merge(workbook: Any, sheet: Any) -> None:
        sheet.merge_range(1, 3, 2, 3, 12.5, workbook.add_format())

    return Case("a.xlsx", book(rows, merge), {2: {"nitrate": 12.5}}, {3: ["no-value"]})


@case
def workbook_with_errors() -> Case:
    rows = [list(WIDE), *(["q01-a", dt.date(2026, 4, 6 + row), None, 0.1] for row in range(3))]

    def errors(_: Any, sheet: Any) -> None:
        for row, error in enumerate(("#DIV/0!", "#N/A", "#VALUE!"), start=1):
            sheet.write_formula(row, 2, "=1/0", None, error)

    return Case("a.xlsx", book(rows, errors), held={row: ["spreadsheet-error"] for row in (2, 3, 4)})


@case
def workbook_with_formulas() -> Case:
    rows = [list(WIDE), ["q01-a", DAY, None, 0.1], ["q01-b", DAY, None, 0.1]]

    def formulas(_: Any, sheet: Any) -> None:
        sheet.write_formula(1, 2, "=10+2.5", None, 12.5)
        sheet.write_formula(2, 2, '="<"&0.5', None, "<0.5")

    return Case(
        "a.xlsx",
        book(rows, formulas),
        {2: {"nitrate": 12.5, "phosphate": 0.1}, 3: {"nitrate": "<0.5", "phosphate": 0.1}},
    )


@case
def workbook_with_formulas_never_worked_out() -> Case:
    def formulas(sheet: Any) -> None:
        sheet["C2"] = "=10+2.5"
        sheet["A3"] = "=A2"

    rows = [list(WIDE), ["q01-a", DAY, None, 0.1], [None, DAY, 12, 0.1]]
    held = {2: ["formula-without-result"], 3: ["formula-without-result"]}
    return Case("a.xlsx", opened(rows, formulas), held=held)


@case
def workbook_with_hidden_rows_columns_and_comments() -> Case:
    def hide(sheet: Any) -> None:
        sheet.row_dimensions[2].hidden = True
        sheet.column_dimensions["D"].hidden = True
        sheet["C3"].comment = Comment("the old kit", "MO")

    rows = [list(WIDE), ["q01-a", DAY, 12.5, 0.1], ["q01-b", DAY, 13.5, 0.2]]
    taken = {2: {"nitrate": 12.5, "phosphate": 0.1}, 3: {"nitrate": 13.5, "phosphate": 0.2}}
    said = ("Column D and row 2 are hidden", 'C3 "the old kit"')
    return Case("a.xlsx", opened(rows, hide), taken, said=said)


@case
def workbook_of_the_calendar_of_1904() -> Case:
    rows = [list(WIDE), ["q01-a", DAY, 12.5, 0.1]]
    return Case("a.xlsx", book(rows, date_1904=True), {2: {"nitrate": 12.5, "phosphate": 0.1}})


@case
def workbook_with_truths_percentages_and_numbers_as_text() -> Case:
    rows = [
        ["tank", "taken_at", "oxygen-saturation [%]", "nitrate [mg/L]"],
        ["q01-a", DAY, None, 12],
        ["q01-b", DAY, 95, True],
        ["q01-c", DAY, "96", "12,5"],
        ["q02-a", DAY, 97, None],
    ]

    def percent(workbook: Any, sheet: Any) -> None:
        shown = workbook.add_format({"num_format": "0.0%"})
        sheet.write_number(1, 2, 0.945, shown)
        sheet.write_number(4, 3, 0.12, shown)

    taken = {2: {"oxygen-saturation": 94.5, "nitrate": 12}, 4: {"oxygen-saturation": 96, "nitrate": 12.5}}
    return Case("a.xlsx", book(rows, percent), taken, {3: ["not-a-number"], 5: ["two-units"]})


@case
def workbook_with_dates_as_numbers_and_values_as_dates() -> Case:
    rows = [list(LONG), ["q01-a", 46118, "nitrate", 12, "mg/L"], ["q01-b", DAY, "nitrate", DAY, "mg/L"]]
    return Case("a.xlsx", book(rows), held={2: ["day-number"], 3: ["date-as-value"]})


@case
def workbook_with_times_as_fractions() -> Case:
    rows = [["tank", "date", "time", "pH"], ["q01-a", DAY, None, 8.1], ["q01-b", DAY, 0.75, 8.1]]

    def clock(workbook: Any, sheet: Any) -> None:
        sheet.write_number(1, 2, 0.75, workbook.add_format({"num_format": "hh:mm"}))

    return Case("a.xlsx", book(rows, clock), {2: {"ph": 8.1}}, {3: ["not-a-time"]})


@case
def workbook_with_many_sheets() -> Case:
    stream = io.BytesIO()
    with xlsxwriter.Workbook(stream, {"in_memory": True}) as workbook:
        for place, name in enumerate(("April", "Notes", "May")):
            sheet = workbook.add_worksheet(name)
            rows = (
                [["to buy"], ["salt"]]
                if name == "Notes"
                else [list(LONG), ["q01-a", f"2026-0{4 + place}-06", "pH", 8.1, ""]]
            )
            for line, row in enumerate(rows, start=place):
                sheet.write_row(line, 0, row)
        workbook.get_worksheet_by_name("May").hide()
    said = ('Sheet "Notes" has no row that names', 'Sheet "May": The sheet is hidden')
    return Case("a.xlsx", stream.getvalue(), {2: {"ph": 8.1}, 4: {"ph": 8.1}}, said=said)


@case
def workbook_under_the_name_of_a_text_file() -> Case:
    return Case(
        "a.csv", book([list(WIDE), ["q01-a", DAY, 12.5, 0.1]]), {2: {"nitrate": 12.5, "phosphate": 0.1}}
    )


@case
def page_of_the_web_under_the_name_of_a_workbook() -> Case:
    return Case(
        "a.xls", text("<html><table>", "<tr><td>tank</td></tr>", "</table></html>"), refused="has no header"
    )


@case
def open_document_with_everything() -> Case:
    rows = (
        od_row(od_text("April")),
        od_row(*(od_text(name) for name in ("tank", "taken_at", "oxygen-saturation [%]", "nitrate [mg/L]"))),
        od_row(
            od_text(
                "q01-a",
                'table:number-rows-spanned="2"',
                "<office:annotation><dc:creator>MO</dc:creator><text:p>big tank</text:p></office:annotation>",
            ),
            od_value("date", "2026-04-06", "06.04.26"),
            od_value("percentage", "0.95", "95%"),
            od_value("float", "12.5", "12,5"),
        ),
        od_row(
            "<table:covered-table-cell/>",
            od_value("date", "2026-04-13T18:30:00", "13.04.26"),
            od_value("percentage", "0.96", "96%"),
            od_value("float", "13.5", "13,5"),
            attributes='table:visibility="collapse"',
        ),
        od_row(
            od_text("q01-b"),
            od_value("date", "2026-04-06", "06.04.26"),
            od_value("percentage", "0.97", "97%"),
            '<table:table-cell table:formula="of:=1/0" office:value-type="string" office:string-value=""><text:p>#DIV/0!</text:p></table:table-cell>',
        ),
        od_row(
            '<table:table-cell table:number-columns-repeated="1024"/>',
            attributes='table:number-rows-repeated="1048000"',
        ),
    )
    taken = {
        3: {"oxygen-saturation": 95, "nitrate": 12.5},
        4: {"oxygen-saturation": 96, "nitrate": 13.5},
    }
    said = ("Row 4 is hidden", 'A3 "big tank"', "merged over several rows", "The header was found in row 2")
    return Case("a.ods", open_document(*rows), taken, {5: ["spreadsheet-error"]}, said=said)


@case
def open_document_with_a_truth_and_a_formula_without_result() -> Case:
    rows = (
        od_row(*(od_text(name) for name in WIDE)),
        od_row(od_text("q01-a"), od_value("date", "2026-04-06"), od_value("float", "1", "TRUE")),
        od_row(
            od_text("q01-b"), od_value("date", "2026-04-06"), '<table:table-cell table:formula="of:=10+2"/>'
        ),
        od_row(od_text("q01-c"), od_value("date", "2026-04-06"), od_value("float", "12.5", "12,5")),
    )
    held = {2: ["not-a-number"], 3: ["formula-without-result"]}
    return Case("a.ods", open_document(*rows), {4: {"nitrate": 12.5}}, held)


@case
def open_document_with_a_cell_in_the_last_corner() -> Case:
    rows = (
        od_row(*(od_text(name) for name in WIDE)),
        od_row(
            '<table:table-cell table:number-columns-repeated="1024"/>',
            attributes='table:number-rows-repeated="1048000"',
        ),
        od_row('<table:table-cell table:number-columns-repeated="1000"/>', od_text("x")),
    )
    return Case("a.ods", open_document(*rows), refused="delete stray cells far outside the table")


@case
def protected_or_of_the_old_kind() -> Case:
    content = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(2000)
    return Case("a.xls", content, refused="save it as an .xlsx workbook without a password")


@case
def empty_file() -> Case:
    return Case("a.csv", b"\r\n \r\n", refused="is empty")
