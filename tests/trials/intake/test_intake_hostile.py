"""Hard but honest spreadsheets: every row is taken in right, or held with a sentence that says what to do."""

from __future__ import annotations

import importlib.util
import json
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.errors import IntakeError
from schemas.readings import HoldReason, empty_readings
from trials.intake.batch import take_in
from trials.register.records import SourceFile

_spec = importlib.util.spec_from_file_location(
    "hostile_sheets", Path(__file__).with_name("hostile_sheets.py")
)
hostile = importlib.util.module_from_spec(_spec)
sys.modules["hostile_sheets"] = hostile
_spec.loader.exec_module(hostile)


def shown(reading):
    """A reading as the cases write it: a number, or text with its sign."""
    return (
        f"{reading['sign']}{reading['value']:g}"
        if reading["sign"]
        else pytest.approx(reading["value"], rel=1e-6)
    )


def test_there_are_enough_of_them():
    assert len(hostile.CASES) >= 40


@pytest.mark.parametrize("name", hostile.CASES)
def test_every_row_is_taken_in_right_or_held_with_a_remedy(take, name):
    case = hostile.CASES[name]()
    if case.refused:
        with pytest.raises(IntakeError) as error:
            take(case.content, name=case.name)
        assert case.refused in str(error.value)
        assert str(error.value).startswith(case.name)
        return
    taken = take(case.content, name=case.name)
    rows = taken.batch.rows
    assert len(rows) == sum(taken.counts)
    readings = {}
    for reading in taken.batch.readings.to_dict("records"):
        readings.setdefault(reading["row"], {})[reading["variable"]] = shown(reading)
    assert readings == case.taken
    held = {
        row: [reason["code"] for reason in json.loads(reasons)]
        for row, outcome, reasons in zip(rows["row"], rows["outcome"], rows["reasons"], strict=True)
        if outcome == "held"
    }
    assert held == case.held
    assert tuple(rows.loc[rows["outcome"] == "repeated", "row"]) == case.repeated
    assert set(rows["row"]) == {*case.taken, *case.held, *case.repeated}
    for part in case.said:
        assert part in taken.remarks
    for reasons in rows["reasons"]:
        for reason in json.loads(reasons):
            assert len(reason["text"].split()) > 6
            assert reason["text"].endswith((".", "?", ")"))


NASTY = st.one_of(
    st.sampled_from(
        [
            "q01-a",
            "q02-c",
            "Q01-a",
            "Total",
            "tank",
            "2026-04-06",
            "06.04.26",
            "46118",
            "18:30",
            "6 pm",
            "nitrate",
            "NO3-N",
            "mg/L",
            "ppb",
            "<0,02",
            "≤0.5",
            "n.d.",
            "trace",
            "1,500",
            "12,5",
            "12.5",
            "=A1",
            "#N/A",
            "5-10",
            "80",
            "",
            " ",
            "\xa0",
            "\u200b",
            "TRUE",
            "'",
            '"',
            ";",
            ",",
            "\t",
            "\x00",
            chr(0xFFFD),
            chr(0x661),
            "1e999",
            "-0",
            "9" * 400,
        ]
    ),
    st.text(max_size=12),
)
HEADERS = st.one_of(
    st.sampled_from(
        [
            "tank",
            "taken_at",
            "date",
            "time",
            "variable",
            "value",
            "unit",
            "kit",
            "by",
            "note",
            "replicate",
            "site",
            "nitrate [mg/L]",
            "NO3-N",
            "nitrte",
            "phosphat [mg/L]",
            "pH",
            "temp",
            "tanks",
            "",
            "kind",
            "amount",
        ]
    ),
    st.text(max_size=8),
)
TABLES = st.lists(HEADERS, min_size=1, max_size=7).flatmap(
    lambda header: st.tuples(
        st.just(header),
        st.lists(st.lists(NASTY, max_size=len(header) + 1), max_size=8),
        st.lists(st.lists(NASTY, max_size=4), max_size=3),
    )
)


def checked(protocol, name, content):
    """Rows that add up, or one sentence; any other error is a fault."""
    try:
        batch = take_in(SourceFile(name, content), protocol, empty_readings(), hostile.dt.date(2026, 7, 1))
    except IntakeError as error:
        sentence = str(error)
        assert name in sentence
        return None
    counts = [batch.count(outcome) for outcome in ("accepted", "held", "repeated")]
    assert sum(counts) == len(batch.rows)
    assert not batch.rows.duplicated(["sheet", "row"]).any()
    codes = {reason["code"] for reasons in batch.rows["reasons"] for reason in json.loads(reasons)}
    assert codes <= {reason.value for reason in HoldReason}
    return batch


@settings(max_examples=30, deadline=None)
@given(table=TABLES, separator=st.sampled_from(",;\t"), end=st.sampled_from(["\n", "\r\n", "\r"]))
def test_any_table_of_text_gives_rows_or_one_sentence(protocol, table, separator, end):
    header, rows, above = table
    lines = [*above, header, *rows]
    content = "".join(separator.join(cells) + end for cells in lines)
    checked(protocol, "sent.csv", content.encode("utf-8", "surrogatepass"))


@settings(max_examples=20, deadline=None)
@given(table=TABLES, numbers=st.lists(st.floats(allow_nan=False, allow_infinity=False), max_size=6))
def test_any_sheet_gives_rows_or_one_sentence(protocol, table, numbers):
    header, rows, above = table
    cells = [[*row, *numbers[:1]] for row in rows]
    content = hostile.book([*above, header, *cells])
    batch = checked(protocol, "sent.xlsx", content)
    if batch is not None:
        again = take_in(
            SourceFile("sent.xlsx", content), protocol, batch.readings, hostile.dt.date(2026, 7, 1)
        )
        assert again.readings.empty
        assert len(again.rows) == len(batch.rows)


WHOLE = {
    "sent.csv": hostile.CASES["trailing_separators"]().content,
    "sent.xlsx": hostile.CASES["workbook_with_hidden_rows_columns_and_comments"]().content,
    "sent.ods": hostile.CASES["open_document_with_everything"]().content,
}


@settings(max_examples=25, deadline=None)
@given(
    name=st.sampled_from(sorted(WHOLE)),
    at=st.floats(0, 1),
    length=st.integers(0, 60),
    more=st.binary(max_size=40),
)
def test_a_file_with_some_bytes_changed_gives_rows_or_one_sentence(protocol, name, at, length, more):
    content = WHOLE[name]
    place = int(at * len(content))
    checked(protocol, name, content[:place] + more + content[place + length :])


@settings(max_examples=20, deadline=None)
@given(
    name=st.sampled_from(sorted(WHOLE)),
    first=st.sampled_from(
        [b"", b"PK\x03\x04", b"\xff\xfe", b"tank,taken_at,pH\n", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"]
    ),
    content=st.binary(max_size=400),
)
def test_any_bytes_under_any_name_give_rows_or_one_sentence(protocol, name, first, content):
    checked(protocol, name, first + content)
