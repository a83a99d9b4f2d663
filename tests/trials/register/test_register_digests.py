"""Digests of tables are those of RFC 8785 lines, which anyone can write and hash again."""

import hashlib

import numpy as np
import pandas as pd
import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from trials.register.digests import DATA_COLUMNS, canonical_lines, data_digest, table_digest, values

texts = st.text(st.characters(codec="utf-8"), max_size=6)
numbers = st.floats(allow_nan=False, allow_infinity=False)
tables = st.lists(st.tuples(texts, numbers, st.integers(-(2**53) + 1, 2**53 - 1)), max_size=20)


@given(tables)
def test_lines_are_those_of_the_reference_library(rows):
    """Column by column and quick here; row by row in the rfc8785 package."""
    columns = [[row[place] for row in rows] for place in range(3)]
    expected = [rfc8785.dumps(list(row)).decode() for row in rows]
    assert canonical_lines(columns) == expected
    assert (
        table_digest(columns)
        == hashlib.sha256("".join(f"{line}\n" for line in expected).encode()).hexdigest()
    )


# RFC 8785, appendix B: IEEE 754 bits and the text that JSON is to have.
RFC_8785_APPENDIX_B = [
    (0x0000000000000000, "0"),
    (0x8000000000000000, "0"),
    (0x0000000000000001, "5e-324"),
    (0x8000000000000001, "-5e-324"),
    (0x7FEFFFFFFFFFFFFF, "1.7976931348623157e+308"),
    (0xFFEFFFFFFFFFFFFF, "-1.7976931348623157e+308"),
    (0x4340000000000000, "9007199254740992"),
    (0xC340000000000000, "-9007199254740992"),
    (0x4430000000000000, "295147905179352830000"),
    (0x44B52D02C7E14AF5, "9.999999999999997e+22"),
    (0x44B52D02C7E14AF6, "1e+23"),
    (0x44B52D02C7E14AF7, "1.0000000000000001e+23"),
    (0x444B1AE4D6E2EF4E, "999999999999999700000"),
    (0x444B1AE4D6E2EF4F, "999999999999999900000"),
    (0x444B1AE4D6E2EF50, "1e+21"),
    (0x3EB0C6F7A0B5ED8C, "9.999999999999997e-7"),
    (0x3EB0C6F7A0B5ED8D, "0.000001"),
    (0x41B3DE4355555553, "333333333.3333332"),
    (0x41B3DE4355555554, "333333333.33333325"),
    (0x41B3DE4355555555, "333333333.3333333"),
    (0x41B3DE4355555556, "333333333.3333334"),
    (0x41B3DE4355555557, "333333333.33333343"),
    (0xBECBF647612F3696, "-0.0000033333333333333333"),
    (0x43143FF3C1CB0959, "1424953923781206.2"),
]


@pytest.mark.parametrize(("bits", "text"), RFC_8785_APPENDIX_B)
def test_numbers_are_written_as_the_standard_says(bits, text):
    value = float(np.array(bits, dtype=np.uint64).view(np.float64))
    assert canonical_lines([[value]]) == [f"[{text}]"]


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_numbers_that_json_cannot_hold_are_refused(value):
    with pytest.raises(rfc8785.FloatDomainError):
        canonical_lines([[value]])


def readings(**changes):
    frame = pd.DataFrame(
        {
            "reading": [1, 2, 3],
            "tank": ["q1-a", "q1-b", "q1-a"],
            "variable": "nitrate",
            "taken_at": np.array(["2026-03-09T08:00", "2026-03-09T08:00", "2026-03-16"], "datetime64[us]"),
            "utc_offset": ["+02:00", "", ""],
            "replicate": 1,
            "sign": ["", "<", ""],
            "value": [5.0, 0.02, 4.5],
            "kit": "",
            "by": "Jane (invented)",
            "note": "",
            "raw_value": ["5", "<0,02", "4.5"],
            "raw_unit": "mg/L",
            "file": "readings.csv",
            "sheet": "",
            "row": [2, 3, 4],
        }
    )
    return frame.assign(**changes)


def test_the_data_digest_is_redone_by_hand():
    lines = [
        '["q1-a","nitrate","2026-03-09T08:00:00","+02:00",1,"",5,"","5","mg/L"]',
        '["q1-a","nitrate","2026-03-16T00:00:00","",1,"",4.5,"","4.5","mg/L"]',
        '["q1-b","nitrate","2026-03-09T08:00:00","",1,"<",0.02,"","<0,02","mg/L"]',
    ]
    assert (
        data_digest(readings()) == hashlib.sha256("".join(f"{line}\n" for line in lines).encode()).hexdigest()
    )


def test_the_data_digest_knows_no_order_no_file_and_no_person():
    moved = readings(reading=[9, 8, 7], by="", note="late", file="other.xlsx", sheet="March", row=[4, 3, 2])
    assert data_digest(moved.iloc[::-1]) == data_digest(readings())


@pytest.mark.parametrize("column", DATA_COLUMNS)
def test_every_part_of_a_measurement_is_in_the_data_digest(column):
    changed = readings()
    first = changed.loc[0, column]
    more = {str: "x", pd.Timestamp: np.timedelta64(1, "us")}.get(type(first), 1)
    changed.loc[0, column] = first + more
    assert data_digest(changed) != data_digest(readings())


def test_no_readings_have_the_digest_of_nothing():
    assert data_digest(readings().iloc[:0]) == hashlib.sha256(b"").hexdigest()


def test_moments_are_written_to_the_second_unless_there_is_more():
    column = pd.Series(np.array(["2026-03-09T08:00:00", "2026-03-09T08:00:00.5"], dtype="datetime64[us]"))
    assert values(column) == ["2026-03-09T08:00:00", "2026-03-09T08:00:00.500000"]
