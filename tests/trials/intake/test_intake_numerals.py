"""Numbers as people write them: read, or held because they can be read two ways or not at all."""

from __future__ import annotations

import datetime as dt
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.readings import HoldReason as Hold
from trials.intake.numerals import decimal_sign, read_quantity

clock = dt.datetime.fromisoformat

# cell, decimal sign of the file, number, sign, unit
READ = [
    ("12.5", "", 12.5, "", ""),
    ("12,5", "", 12.5, "", ""),
    ("12,5", ".", 12.5, "", ""),
    ("12", "", 12, "", ""),
    ("007", "", 7, "", ""),
    (".5", "", 0.5, "", ""),
    (",5", "", 0.5, "", ""),
    ("-3.25", "", -3.25, "", ""),
    ("\u22123,25", "", -3.25, "", ""),
    ("+4", "", 4, "", ""),
    ("1e5", "", 100000, "", ""),
    ("1.5E-3", "", 0.0015, "", ""),
    ("1,500", ",", 1.5, "", ""),
    ("1.500", ".", 1.5, "", ""),
    ("0,125", "", 0.125, "", ""),
    ("1500,125", "", 1500.125, "", ""),
    ("1.5000", "", 1.5, "", ""),
    ("<0.02", "", 0.02, "<", ""),
    ("<0,03", "", 0.03, "<", ""),
    ("< 0,03", "", 0.03, "<", ""),
    ("\u22640.02", "", 0.02, "<", ""),
    ("<=0.02", "", 0.02, "<", ""),
    (">160", "", 160, ">", ""),
    ("> 160", "", 160, ">", ""),
    ("\u2265160", "", 160, ">", ""),
    ("  12.5 ", "", 12.5, "", ""),
    ("\u00a012.5\u00a0", "", 12.5, "", ""),
    ("<\u00a00.02", "", 0.02, "<", ""),
    ("\uff11\uff12\uff0e\uff15", "", 12.5, "", ""),
    ("\uff1c\uff10.02", "", 0.02, "<", ""),
    ("\ufeff12.5\u200b", "", 12.5, "", ""),
    ("12 mg/L", "", 12, "", "mg/L"),
    ("12,5mg/l", "", 12.5, "", "mg/l"),
    ("<0.02 \u00b5g/L P", "", 0.02, "<", "\u00b5g/L P"),
    (12.5, "", 12.5, "", ""),
    (1.125, ",", 1.125, "", ""),
    ("nd", "", math.nan, "<", ""),
    ("ND", "", math.nan, "<", ""),
    ("n.d.", "", math.nan, "<", ""),
    ("Not detected", "", math.nan, "<", ""),
]

# cell, decimal sign of the file, reason, what the sentence must hold
HELD = [
    ("", "", Hold.NO_VALUE, "missing"),
    ("  \u00a0", "", Hold.NO_VALUE, "missing"),
    ("1,500", "", Hold.AMBIGUOUS_NUMBER, "write 1500 or 1.5,"),
    ("1.500", "", Hold.AMBIGUOUS_NUMBER, "write 1500 or 1.5,"),
    ("1,500", ".", Hold.AMBIGUOUS_NUMBER, "1500 or 1.5"),
    ("1,234", "", Hold.AMBIGUOUS_NUMBER, "write 1234 or 1.2340,"),
    ("<1.250", "", Hold.AMBIGUOUS_NUMBER, "1250 or 1.25"),
    ("1.500,0", "", Hold.THOUSANDS, "without it"),
    ("1,500.0", ".", Hold.THOUSANDS, "without it"),
    ("1 500", "", Hold.THOUSANDS, "without it"),
    ("1'500", "", Hold.THOUSANDS, "without it"),
    ("1.000.000", "", Hold.THOUSANDS, "without it"),
    ("trace", "", Hold.LIMIT_UNKNOWN, "write < and the lowest step"),
    ("5-10", "", Hold.NOT_A_NUMBER, "is a range"),
    ("5 to 10 mg/L", "", Hold.NOT_A_NUMBER, "is a range"),
    ("#DIV/0!", "", Hold.SPREADSHEET_ERROR, "a spreadsheet's error"),
    ("=B2*2", "", Hold.FORMULA, "no result"),
    ("-", "", Hold.NOT_A_NUMBER, "leave the cell empty"),
    ("5-10", "", Hold.NOT_A_NUMBER, "one number"),
    ("about 5", "", Hold.NOT_A_NUMBER, "one number"),
    ("12?", "", Hold.NOT_A_NUMBER, "one number"),
    ("5\u00b2", "", Hold.NOT_A_NUMBER, "one number"),
    ("1_000", "", Hold.NOT_A_NUMBER, "one number"),
    ("inf", "", Hold.NOT_A_NUMBER, "one number"),
    ("nan", "", Hold.NOT_A_NUMBER, "one number"),
    ("1e999", "", Hold.NOT_A_NUMBER, "one number"),
    ("12.", "", Hold.NOT_A_NUMBER, "one number"),
    ("<", "", Hold.NOT_A_NUMBER, "one number"),
    ("<<1", "", Hold.NOT_A_NUMBER, "one number"),
    (True, "", Hold.NOT_A_NUMBER, '"TRUE" is not a number'),
    (dt.date(2026, 4, 3), "", Hold.DATE_AS_VALUE, "2026-04-03"),
    (clock("2026-04-03 12:30"), "", Hold.DATE_AS_VALUE, "format the cell as a number"),
    (dt.timedelta(hours=3), "", Hold.DATE_AS_VALUE, "3:00:00"),
]


@pytest.mark.parametrize(("cell", "decimal", "number", "sign", "unit"), READ)
def test_a_number_that_can_be_read_one_way_is_read(cell, decimal, number, sign, unit):
    quantity = read_quantity(cell, decimal)
    assert quantity.finding is None
    assert (quantity.sign, quantity.unit) == (sign, unit)
    assert quantity.number == number or (math.isnan(number) and quantity.not_detected)


@pytest.mark.parametrize(("cell", "decimal", "reason", "said"), HELD)
def test_anything_else_is_held_with_a_remedy(cell, decimal, reason, said):
    quantity = read_quantity(cell, decimal)
    assert quantity.finding is not None
    assert quantity.finding[0] is reason
    assert said in quantity.finding[1]
    assert math.isnan(quantity.number)


def test_a_long_text_is_cut_in_the_sentence():
    finding = read_quantity("x" * 10_000, "").finding
    assert finding is not None
    assert len(finding[1]) < 300


# cells that hold values, separator, decimal sign
EVIDENCE = [
    (["12.5", "7"], ";", "."),
    (["12,5", "7"], ";", ","),
    (["<0,03", "1,500"], ";", ","),
    (["0.125"], "\t", "."),
    (["12.5", "12,5"], ";", ""),
    (["7", "8"], ";", ""),
    (["7", "1.500"], ";", ""),
    (["1.500,0"], ";", ""),
    (["7", "1.500"], ",", "."),
    (["12,5"], ",", ","),
    ([1.125, "1,500"], "", ""),
    (["ND", "cloudy, 1"], ";", ""),
]


@pytest.mark.parametrize(("cells", "separator", "expected"), EVIDENCE)
def test_the_decimal_sign_is_taken_from_what_the_file_shows(cells, separator, expected):
    assert decimal_sign(cells, separator) == expected


LOCALES = {".": str, ",": lambda number: str(number).replace(".", ",")}


@given(number=st.floats(-1e9, 1e9).map(lambda x: round(x, 6)), locale=st.sampled_from(sorted(LOCALES)))
def test_a_number_written_in_the_files_locale_comes_back(number, locale):
    quantity = read_quantity(LOCALES[locale](number), locale)
    assert quantity.finding is None
    assert quantity.number == number


@given(number=st.floats(-1e9, 1e9).map(lambda x: round(x, 6)), locale=st.sampled_from(sorted(LOCALES)))
def test_without_knowing_the_locale_a_number_is_right_or_held(number, locale):
    quantity = read_quantity(LOCALES[locale](number), "")
    assert quantity.number == number or (
        quantity.finding is not None and quantity.finding[0] is Hold.AMBIGUOUS_NUMBER
    )


@given(st.text(max_size=30), st.sampled_from(["", ".", ","]))
def test_any_text_is_read_or_held(text, decimal):
    quantity = read_quantity(text, decimal)
    assert (quantity.finding is None) == (quantity.not_detected or math.isfinite(quantity.number))
