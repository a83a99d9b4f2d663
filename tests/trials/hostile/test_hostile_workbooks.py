"""Workbooks made to hurt: each is refused in one sentence, in little time, before anything large is made of it."""

import io
import itertools
import zipfile

import pytest
import xlsxwriter
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from schemas.errors import IntakeError
from trials.intake import marked_xlsx, markings, workbook

HEADER = ("tank", "taken_at", "variable", "value", "unit")
SHEET, STYLES, BOOK, TEXTS, RELATIONS = (
    "xl/worksheets/sheet1.xml",
    "xl/styles.xml",
    "xl/workbook.xml",
    "xl/sharedStrings.xml",
    "xl/_rels/workbook.xml.rels",
)
MAIN = "application/vnd.oasis.opendocument.spreadsheet"


def sound():
    """The parts of a workbook with one reading."""
    stream = io.BytesIO()
    with xlsxwriter.Workbook(stream, {"in_memory": True}) as book:
        sheet = book.add_worksheet("readings")
        sheet.write_row(0, 0, HEADER)
        sheet.write_row(1, 0, ("q01-a", "2025-05-04", "nitrate", 12, "mg/L"))
    with zipfile.ZipFile(stream) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def zipped(parts):
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return stream.getvalue()


def with_part(name, change):
    parts = sound()
    parts[name] = change(parts[name])
    return zipped(parts)


def in_sheet(more):
    return with_part(SHEET, lambda part: part.replace(b"</sheetData>", more + b"</sheetData>"))


def after_sheet(more):
    return with_part(SHEET, lambda part: part.replace(b"</worksheet>", more + b"</worksheet>"))


def laughs(levels=12):
    """Entities that stand for ten of the one before: 10 to the power of levels signs in a few lines."""
    names = [chr(ord("a") + place) for place in range(levels)]
    lines = [f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in itertools.pairwise(names)]
    return f'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">{"".join(lines)}]>'.encode(), f"&{names[-1]};".encode()


def defining(part, definition):
    head, end, rest = part.partition(b"?>")
    return head + end + definition + rest


def open_document(body, definition=b""):
    spaces = "".join(
        f' xmlns:{name}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"'
        for name in ("office", "table", "text")
    )
    content = (
        b'<?xml version="1.0"?>'
        + definition
        + f"<office:document-content{spaces}><office:body><office:spreadsheet>".encode()
        + b'<table:table table:name="r">'
        + body
        + b"</table:table></office:spreadsheet></office:body></office:document-content>"
    )
    return zipped({"mimetype": MAIN, "content.xml": content})


DEFINITION, LAUGH = laughs()
OUTSIDE = b'<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hostname">]>'
FAR = "stray cells far outside"
DAMAGED = "is damaged or not a workbook"

CASES = {
    "laughs in the book": (
        lambda: with_part(BOOK, lambda p: defining(p, DEFINITION).replace(b"readings", LAUGH)),
        DAMAGED,
    ),
    "laughs in the styles": (
        lambda: with_part(STYLES, lambda p: defining(p, DEFINITION).replace(b"Calibri", LAUGH)),
        DAMAGED,
    ),
    "laughs in the texts": (
        lambda: with_part(TEXTS, lambda p: defining(p, DEFINITION).replace(b"nitrate", LAUGH)),
        DAMAGED,
    ),
    "laughs in an open document": (
        lambda: open_document(
            b'<table:table-row><table:table-cell office:value-type="string"><text:p>'
            + LAUGH
            + b"</text:p></table:table-cell></table:table-row>",
            DEFINITION,
        ),
        DAMAGED,
    ),
    "a file of the machine as a text": (
        lambda: with_part(TEXTS, lambda p: defining(p, OUTSIDE).replace(b"nitrate", b"&e;")),
        DAMAGED,
    ),
    "a file of the machine as a name": (
        lambda: with_part(BOOK, lambda p: defining(p, OUTSIDE).replace(b"readings", b"&e;")),
        DAMAGED,
    ),
    "a sheet elsewhere on the machine": (
        lambda: with_part(
            RELATIONS, lambda p: p.replace(b"worksheets/sheet1.xml", b"../../../../etc/hostname")
        ),
        DAMAGED,
    ),
    "a sheet elsewhere on the net": (
        lambda: with_part(
            RELATIONS,
            lambda p: p.replace(
                b'Target="worksheets/sheet1.xml"', b'Target="http://127.0.0.1:9/" TargetMode="External"'
            ),
        ),
        DAMAGED,
    ),
    "the last corner": (lambda: in_sheet(b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'), FAR),
    "the last corner, spelt loosely": (
        lambda: in_sheet(b'<row r = "1048576"><c r\n=\t"XFD1048576"><v>1</v></c></row>'),
        FAR,
    ),
    "beyond any corner": (lambda: in_sheet(b'<row r="9"><c r="ZZZZZ4294967295"><v>1</v></c></row>'), FAR),
    "a far row whose cells do not say where they are": (
        lambda: in_sheet(b'<row r="4294967295"><c><v>1</v></c></row>'),
        FAR,
    ),
    "cells without end": (lambda: in_sheet(b"<f>" + b'<c r="A1">' * 200_000), DAMAGED),
    "rows without end": (lambda: in_sheet(b"hidden=" + b"<row " * 200_000), DAMAGED),
    "one tag without end": (lambda: in_sheet(b"<row " + b'hidden="1" ' * 100_000), DAMAGED),
    "merged areas over each other": (
        lambda: after_sheet(b"<mergeCells>" + b'<mergeCell ref="A1:A60000"/>' * 3000 + b"</mergeCells>"),
        DAMAGED,
    ),
    "styles by the million": (lambda: with_part(STYLES, lambda p: p + b"<a/>" * 5_000_000), DAMAGED),
    "styles in styles": (lambda: with_part(STYLES, lambda _: b"<a>" * 6_000_000), DAMAGED),
    "a format that has no number": (
        lambda: with_part(
            STYLES,
            lambda p: p.replace(b"<fonts", b'<numFmts><numFmt numFmtId="%" formatCode="%"/></numFmts><fonts'),
        ),
        DAMAGED,
    ),
    "parts by the ten thousand": (
        lambda: zipped(sound() | {f"x/{number}": b"" for number in range(10_000)}),
        "unpacks to more than",
    ),
    "nothing but its first bytes": (lambda: zipped(sound())[:60], DAMAGED),
    "half of it": (lambda: (full := zipped(sound()))[: len(full) // 2], DAMAGED),
    "all but its end": (lambda: zipped(sound())[:-10], DAMAGED),
}


@pytest.mark.parametrize("name", CASES)
def test_a_hostile_workbook_is_refused_in_one_sentence(take, name):
    make, said = CASES[name]
    with pytest.raises(IntakeError) as error:
        take(make(), "a.xlsx")
    assert said in str(error.value)
    assert str(error.value).startswith("a.xlsx")
    assert len(str(error.value)) < 300


def test_a_sound_workbook_is_not(take):
    assert len(take(zipped(sound()), "a.xlsx").rows) == 1


def test_laughs_where_nothing_reads_them_do_no_harm(take):
    content = with_part(SHEET, lambda part: defining(part, DEFINITION))
    assert len(take(content, "a.xlsx").rows) == 1


def test_a_bomb_is_refused_by_what_it_says_it_unpacks_to(take, monkeypatch):
    monkeypatch.setattr(workbook, "_MOST_UNPACKED", 1 << 20)
    with pytest.raises(IntakeError, match="unpacks to more than 1 MB"):
        take(in_sheet(b" " * (2 << 20)), "a.xlsx")


def test_more_rows_than_a_sheet_can_have_are_refused(take, monkeypatch):
    monkeypatch.setattr(marked_xlsx, "_MOST_ROWS", 1000)
    with pytest.raises(IntakeError, match=DAMAGED):
        take(in_sheet(b"<row><c><v>1</v></c></row>" * 1001), "a.xlsx")


def test_more_cells_than_can_be_followed_are_refused(take, monkeypatch):
    from trials.intake import marked_ods

    monkeypatch.setattr(marked_ods, "_MOST_TAGS", 1000)
    with pytest.raises(IntakeError, match=DAMAGED):
        take(open_document(b"<table:table-row/>" * 1001), "a.ods")


def test_more_sheets_than_a_person_fills_in_are_refused(take, monkeypatch):
    monkeypatch.setattr(workbook, "_MOST_SHEETS", 0)
    with pytest.raises(IntakeError, match="has 1 sheets; 0 is the most"):
        take(zipped(sound()), "a.xlsx")


def test_a_tree_is_made_of_small_parts_only(monkeypatch):
    monkeypatch.setattr(markings, "_MOST_TREE", 8)
    assert markings.tree(b"<a></a>").tag == "a"
    with pytest.raises(markings.ET.ParseError):
        markings.tree(b"<aa></aa>")


SOUND = sound()
SCARRED = zipped(SOUND)
PUT = (b"", b"<", b">", b'"', b"&#0;", b"<c>", b"</c>", b"<row/>", b"-1", b"99999999", b"\0")


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(st.tuples(st.integers(0, len(SCARRED) - 1), st.integers(0, 255)), min_size=1, max_size=12),
    st.booleans(),
)
def test_scrambled_bytes_are_rows_or_one_sentence(rows_or_sentence, changes, cut):
    content = bytearray(SCARRED)
    for place, value in changes:
        content[place] = value
    rows_or_sentence(bytes(content[: changes[0][0]] if cut else content), "a.xlsx")


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.sampled_from([SHEET, STYLES, BOOK, TEXTS, RELATIONS]), st.sampled_from(PUT), st.data())
def test_scrambled_parts_are_rows_or_one_sentence(rows_or_sentence, name, put, data):
    part = SOUND[name]
    start = data.draw(st.integers(0, len(part)))
    end = data.draw(st.integers(start, min(len(part), start + 40)))
    rows_or_sentence(zipped(SOUND | {name: part[:start] + put + part[end:]}), "a.xlsx")
