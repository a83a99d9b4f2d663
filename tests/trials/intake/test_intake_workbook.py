"""Workbooks: typed cells, several sheets, and files that must not be opened."""

from __future__ import annotations

import datetime as dt
import io
import zipfile

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.errors import IntakeError

clock = dt.datetime.fromisoformat

HEADER = ["tank", "taken_at", "variable", "value", "unit"]
DAY = dt.date(2026, 4, 6)


def test_typed_cells_are_taken_as_what_they_are(take, book):
    rows = [
        ["tank", "taken_at", "nitrate [mg/L]", "phosphate [mg/L]", "replicate"],
        ["q01-a", DAY, 12.5, "<0,03", 1],
        ["q01-b", clock("2026-04-06 18:30"), 1.125, 0.1, None],
        ["q01-c", "2026-04-06", "12,5", None, 2],
    ]
    taken = take(book({"Sheet1": rows}))
    assert taken.readings == [
        (2, "q01-a", "nitrate", 12.5, ""),
        (3, "q01-b", "nitrate", 1.125, ""),
        (4, "q01-c", "nitrate", 12.5, ""),
        (2, "q01-a", "phosphate", 0.03, "<"),
        (3, "q01-b", "phosphate", 0.1, ""),
    ]
    assert taken.batch.readings["taken_at"].tolist()[:2] == [
        clock("2026-04-06"),
        clock("2026-04-06 18:30"),
    ]
    assert taken.batch.readings["replicate"].tolist() == [1, 1, 2, 1, 1]
    assert taken.cells(2) == {
        "tank": "q01-a",
        "taken_at": "2026-04-06",
        "nitrate [mg/L]": "12.5",
        "phosphate [mg/L]": "<0,03",
        "replicate": "1",
    }


def test_the_calendar_of_1904_gives_the_same_day(take, book):
    taken = take(book({"a": [HEADER, ["q01-a", DAY, "nitrate", 5, "mg/L"]]}, date_1904=True))
    assert taken.batch.readings["taken_at"].tolist() == [clock("2026-04-06")]


def test_cells_that_a_spreadsheet_has_changed_are_held(take, book):
    rows = [
        HEADER,
        ["q01-a", DAY, "nitrate", dt.date(2026, 4, 3), "mg/L"],
        ["q01-a", 46118, "nitrate", 5, "mg/L"],
        ["q01-a", DAY, "nitrate", True, "mg/L"],
        ["q01-a", DAY, "nitrate", None, "mg/L"],
    ]
    taken = take(book({"a": rows}))
    assert [set(taken.reasons(row)) for row in (2, 3, 4, 5)] == [
        {"date-as-value"},
        {"day-number"},
        {"not-a-number"},
        {"no-value"},
    ]


def test_numbers_and_truths_are_not_mistaken_for_each_other(take, book):
    rows = [HEADER, ["q01-a", DAY, "effort", 1, "1"], ["q01-b", DAY, "effort", True, "1"]]
    taken = take(book({"a": rows}))
    assert taken.counts == (1, 1, 0)
    assert (taken.cells(2)["value"], taken.cells(3)["value"]) == ("1", "TRUE")


def test_rows_are_numbered_from_the_top_of_the_sheet_and_blank_ones_passed_over(take, book):
    rows = [
        [],
        [],
        [None, *HEADER],
        [None, "q01-a", DAY, "nitrate", 5, "mg/L"],
        [],
        [None, "q01-b", DAY, "nitrate", 5, "mg/L"],
    ]
    taken = take(book({"a": rows}))
    assert taken.outcomes == {4: "accepted", 6: "accepted"}
    assert "1 blank row was passed over" in taken.remarks


def test_every_sheet_of_readings_is_taken_and_the_others_are_named(take, book):
    events = [["tank", "at", "kind", "amount", "unit"], ["q01-a", DAY, "feed", 2, "g"]]
    taken = take(
        book(
            {
                "April": [HEADER, ["q01-a", DAY, "nitrate", 5, "mg/L"]],
                "May": [["tank", "taken_at", "nitrate [mg/L]"], ["q01-a", dt.date(2026, 5, 4), 5]],
                "Events": events,
                "Tanks": [["tank", "volume_L", "note"], ["q01-a", 180, ""]],
                "Lists": [["colours"], ["red"]],
                "Empty": [],
            }
        )
    )
    assert taken.batch.rows["sheet"].tolist() == ["April", "May", "Events"]
    assert taken.batch.readings["sheet"].tolist() == ["April", "May"]
    assert taken.batch.events["sheet"].tolist() == ["Events"]
    for sheet in ("Tanks", "Lists"):
        assert f'"{sheet}"' in taken.remarks
    assert '"Empty"' not in taken.remarks


def test_one_reading_on_two_sheets_with_two_values_is_held_with_both_places(take, book):
    sheets = {
        name: [HEADER, ["q01-a", DAY, "nitrate", value, "mg/L"]] for name, value in (("A", 5), ("B", 6))
    }
    taken = take(book(sheets))
    assert taken.counts == (0, 2, 0)
    assert "rows 2 of sheet A and 2 of sheet B" in taken.batch.rows["reasons"].iloc[0].replace("Rows", "rows")


def test_a_sheet_that_lacks_a_column_refuses_the_file(take, book):
    with pytest.raises(IntakeError, match='sheet "May", lacks the column value'):
        take(
            book({"May": [["tank", "taken_at", "variable", "found"], ["q01-a", DAY, "nitrate", 5]]}),
            name="x.xlsx",
        )


@pytest.mark.parametrize(
    "sheets", [{"a": []}, {"a": [["colours"], ["red"]]}, {"a": [["tank", "note"], ["q01-a", ""]]}]
)
def test_a_workbook_without_readings_is_refused(take, book, sheets):
    with pytest.raises(IntakeError, match="no sheet of readings"):
        take(book(sheets))


def rezipped(content, change):
    """The same workbook with its parts changed."""
    stream = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as old,
        zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for part in old.namelist():
            data = change(part, old.read(part))
            if data is not None:
                new.writestr(part, data)
    return stream.getvalue()


def stray_cell(part, data):
    cell = b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>'
    return data.replace(b"</sheetData>", cell) if "worksheets" in part else data


def bomb(part, data):
    return data + b" " * (2 << 20) if "sharedStrings" in part else data


def without_workbook(part, data):
    return None if part == "xl/workbook.xml" else data


def test_a_stray_cell_in_the_last_corner_is_refused_before_it_fills_the_memory(take, book):
    content = rezipped(book({"a": [HEADER, ["q01-a", DAY, "nitrate", 5, "mg/L"]]}), stray_cell)
    with pytest.raises(IntakeError, match="1,048,576 rows by 16,384 columns; delete stray cells"):
        take(content)


def test_a_small_file_that_unpacks_to_more_than_the_limit_is_refused(take, book, monkeypatch):
    monkeypatch.setattr("trials.intake.workbook._MOST_UNPACKED", 1 << 20)
    content = rezipped(book({"a": [HEADER]}), bomb)
    assert len(content) < 1 << 17
    with pytest.raises(IntakeError, match="unpacks to more than 1 MB or 10,000 parts"):
        take(content)


def test_a_part_that_lies_about_its_size_is_refused(take, book):
    content = bytearray(rezipped(book({"a": [HEADER]}), lambda _, data: data + b" " * 100_000))
    with zipfile.ZipFile(io.BytesIO(bytes(content))) as archive:
        true_size = archive.getinfo("xl/workbook.xml").file_size
    content = content.replace(true_size.to_bytes(4, "little"), (100).to_bytes(4, "little"))
    with pytest.raises(IntakeError, match="damaged"):
        take(bytes(content))


DAMAGED = {
    "half of it": lambda content: content[: len(content) // 2],
    "a byte changed": lambda content: content[:200] + bytes([content[200] ^ 255]) + content[201:],
    "another kind of zip": lambda content: rezipped(content, without_workbook),
    "only the beginning": lambda _: b"PK\x03\x04 and nothing more",
    "a sheet that is no XML": lambda c: rezipped(c, lambda p, d: b"<<<" if "worksheets" in p else d),
    "no sheets": lambda c: rezipped(c, lambda p, d: b"<workbook/>" if p == "xl/workbook.xml" else d),
    "protected or old": lambda _: b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(1000),
}


@pytest.mark.parametrize("case", DAMAGED)
def test_a_workbook_that_cannot_be_read_is_refused_in_one_sentence(take, book, case):
    content = DAMAGED[case](book({"a": [HEADER, ["q01-a", DAY, "nitrate", 5, "mg/L"]]}))
    with pytest.raises(IntakeError) as refused:
        take(content, name="sent.xlsx")
    assert str(refused.value).startswith("sent.xlsx")
    assert str(refused.value).count(". ") == 0


@settings(max_examples=40, deadline=None)
@given(at=st.floats(0, 1), length=st.integers(0, 40), more=st.binary(max_size=20))
def test_a_workbook_with_some_bytes_changed_gives_rows_or_one_sentence(take, book, at, length, more):
    content = book({"a": [HEADER, ["q01-a", DAY, "nitrate", 5, "mg/L"]]})
    place = int(at * len(content))
    try:
        taken = take(content[:place] + more + content[place + length :], name="sent.xlsx")
    except IntakeError as error:
        refused = str(error)
        assert refused.startswith("sent.xlsx")
    else:
        assert sum(taken.counts) == len(taken.batch.rows)
