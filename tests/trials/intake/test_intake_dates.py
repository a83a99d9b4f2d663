"""Dates as people write them: ISO 8601, words, and figures where the order of day and month is not in doubt."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl.utils.datetime import from_excel

from schemas.readings import HoldReason as Hold
from trials.intake.dates import read_moment

clock = dt.datetime.fromisoformat

DAY = clock("2026-04-03")
EVENING = clock("2026-04-03 18:30")

# cell, moment, offset, whether a time was given
READ = [
    # ISO 8601-1:2019, 5.2 and 5.4, complete representations (numbers of the clauses from memory).
    ("2026-04-03", DAY, "", False),
    ("20260403", DAY, "", False),
    ("2026-04-03T18:30", EVENING, "", True),
    ("2026-04-03 18:30", EVENING, "", True),
    ("2026-04-03T18:30:00", EVENING, "", True),
    ("2026-04-03T18:30:00.250", EVENING, "", True),
    ("2026-04-03T18:30Z", EVENING, "+00:00", True),
    ("2026-04-03T18:30+02:00", EVENING, "+02:00", True),
    ("2026-04-03 18:30 -0330", EVENING, "-03:30", True),
    ("2026-04-03T18:30:00+02", EVENING, "+02:00", True),
    ("2026-04-03 00:00", DAY, "", True),
    # Figures with the year first are in that order everywhere (common practice, no source).
    ("2026/04/03", DAY, "", False),
    ("2026.4.3", DAY, "", False),
    ("2026-4-3 9:05", clock("2026-04-03 09:05"), "", True),
    # A day above 12, or equal to the month, leaves one reading.
    ("13/04/2026", clock("2026-04-13"), "", False),
    ("04/13/2026", clock("2026-04-13"), "", False),
    ("13.04.2026", clock("2026-04-13"), "", False),
    ("13-4-2026", clock("2026-04-13"), "", False),
    ("13. 4. 2026", clock("2026-04-13"), "", False),
    ("04/04/2026", clock("2026-04-04"), "", False),
    ("13.04.2026 18:30", clock("2026-04-13 18:30"), "", True),
    # The month in words.
    ("3 April 2026", DAY, "", False),
    ("3 Apr 2026", DAY, "", False),
    ("3-Apr-2026", DAY, "", False),
    ("3rd April 2026", DAY, "", False),
    ("April 3, 2026", DAY, "", False),
    ("APR 3 2026", DAY, "", False),
    ("3 Sept 2026", clock("2026-09-03"), "", False),
    ("3 April 2026 6:30 pm", EVENING, "", True),
    ("3 April 2026, 18:30", EVENING, "", True),
    ("3 April 2026 12:05 am", clock("2026-04-03 00:05"), "", True),
    ("3 April 2026 12:05 PM", clock("2026-04-03 12:05"), "", True),
    (" 2026-04-03\u00a0", DAY, "", False),
    ("\uff12\uff10\uff12\uff16-\uff10\uff14-\uff10\uff13", DAY, "", False),
    # What a workbook types as a date.
    (dt.date(2026, 4, 3), DAY, "", False),
    (clock("2026-04-03 18:30"), EVENING, "", True),
]

# cell, reason, what the sentence must hold
HELD = [
    ("", Hold.NO_DATE, "missing"),
    ("03/04/2026", Hold.AMBIGUOUS_DATE, "3 April or 4 March 2026; write 2026-04-03 or 2026-03-04"),
    ("03.04.2026", Hold.AMBIGUOUS_DATE, "3 April or 4 March 2026"),
    ("3-4-2026", Hold.AMBIGUOUS_DATE, "3 April or 4 March 2026"),
    ("12/11/2026 18:30", Hold.AMBIGUOUS_DATE, "12 November or 11 December 2026"),
    ("13/04/26", Hold.SHORT_YEAR, "two digits"),
    ("3 Apr 26", Hold.SHORT_YEAR, "two digits"),
    ("03.04.26 18:30", Hold.SHORT_YEAR, "two digits"),
    ("31.04.2026", Hold.IMPOSSIBLE_DATE, "does not exist"),
    ("2026-02-29", Hold.IMPOSSIBLE_DATE, "does not exist"),
    ("2026-13-01", Hold.IMPOSSIBLE_DATE, "does not exist"),
    ("2026-04-03 25:00", Hold.IMPOSSIBLE_DATE, "does not exist"),
    ("2026-04-03 18:61", Hold.IMPOSSIBLE_DATE, "does not exist"),
    ("3 April 2026 13:00 pm", Hold.IMPOSSIBLE_DATE, "does not exist"),
    ("2026-04-03 18:30+25:00", Hold.IMPOSSIBLE_DATE, "does not exist"),
    ("00/04/2026", Hold.IMPOSSIBLE_DATE, "does not exist"),
    ("0000-04-03", Hold.IMPOSSIBLE_DATE, "does not exist"),
    ("46115", Hold.DAY_NUMBER, "2026-04-03"),
    ("46115.75", Hold.DAY_NUMBER, "2026-04-03"),
    (46115.0, Hold.DAY_NUMBER, "format the column as a date"),
    ("5", Hold.NOT_A_DATE, "plain number"),
    ("2026-04-03 18", Hold.NOT_A_DATE, "18:30"),
    ("2026-04", Hold.NOT_A_DATE, "2026-04-03"),
    ("yesterday", Hold.NOT_A_DATE, '"yesterday" is not a date'),
    ("3 Floreal 2026", Hold.NOT_A_DATE, "is not a date"),
    (True, Hold.NOT_A_DATE, '"TRUE"'),
    (dt.time(18, 30), Hold.NOT_A_DATE, "18:30"),
    (dt.timedelta(days=1), Hold.NOT_A_DATE, "1 day"),
]


@pytest.mark.parametrize(("cell", "at", "offset", "timed"), READ)
def test_a_date_that_can_be_read_one_way_is_read(cell, at, offset, timed):
    assert read_moment(cell) == (at, offset, timed, None)


@pytest.mark.parametrize(("cell", "reason", "said"), HELD)
def test_anything_else_is_held_with_a_remedy(cell, reason, said):
    moment = read_moment(cell)
    assert moment.at is None
    assert moment.finding is not None
    assert moment.finding[0] is reason
    assert said in moment.finding[1]


# ECMA-376 part 1, 18.17.4.1 (from memory): in the 1900 date system 1900-01-01 is day 1; and, as a reference
# implementation, openpyxl.
@pytest.mark.parametrize("serial", [36526, 43831, 46115, 73050])
def test_the_day_of_a_plain_day_number_is_the_spreadsheets(serial):
    assert from_excel(1).date() == dt.date(1900, 1, 1)
    finding = read_moment(str(serial)).finding
    assert finding is not None
    assert f"it would be {from_excel(serial).date()}" in finding[1]


MOMENTS = st.datetimes(clock("1950-01-01"), clock("2100-01-01")).map(lambda at: at.replace(microsecond=0))
ALWAYS_CLEAR = [
    "%Y-%m-%dT%H:%M:%S",
    "%Y-%m-%d %H:%M:%S",
    "%Y/%m/%d %H:%M:%S",
    "%d %B %Y %H:%M:%S",
    "%b %d, %Y %H:%M:%S",
    "%d %b %Y, %I:%M:%S %p",
]
TWO_ORDERS = ["%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S", "%d.%m.%Y %H:%M:%S", "%m-%d-%Y %H:%M:%S"]


@given(at=MOMENTS, form=st.sampled_from(ALWAYS_CLEAR))
def test_a_moment_written_clearly_comes_back(at, form):
    assert read_moment(at.strftime(form)) == (at, "", True, None)


@given(at=MOMENTS, form=st.sampled_from(TWO_ORDERS))
def test_day_and_month_are_never_swapped(at, form):
    moment = read_moment(at.strftime(form))
    if at.day > 12 or at.day == at.month:
        assert moment.at == at
    else:
        assert moment.finding is not None
        assert moment.finding[0] is Hold.AMBIGUOUS_DATE
        assert f"{at:%Y-%m-%d}" in moment.finding[1]


@given(st.text(max_size=30) | st.from_regex(r"[0-9./: -]{1,20}", fullmatch=True))
def test_any_text_is_read_or_held(text):
    moment = read_moment(text)
    assert (moment.at is None) == (moment.finding is not None)


def test_a_column_time_that_holds_moments_stands_for_the_date(take):
    taken = take("tank,time,pH\nq01-a,2026-04-06 18:30,8.1\n")
    assert taken.batch.readings["taken_at"].tolist() == [clock("2026-04-06 18:30")]
    assert 'Column "time" was taken as taken_at.' in taken.remarks
