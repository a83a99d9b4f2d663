"""When a reading was taken: ISO 8601, dates with the month in words, and figures that can be read one way only."""

from __future__ import annotations

import datetime as dt
import re
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from schemas.readings import HoldReason
from trials.intake.columns import quoted, text_of
from trials.intake.numerals import plain, spreadsheet_finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from trials.intake.columns import Cell
    from trials.intake.holds import Finding

OFFSET = r"Z|(?:UTC|GMT)(?:[+-][0-9]{1,2}(?::?[0-9]{2})?)?|[+-][0-9]{2}(?::?[0-9]{2})?"
"""A time zone that says by how much a clock differs from UTC; names such as CST mean several."""

_TIME = (
    r"(?:(?:T|,?\s+)(?P<hour>[0-9]{1,2})(?::(?P<minute>[0-9]{2})(?::(?P<second>[0-9]{2})(?:[.,][0-9]+)?)?)?"
    r"\s*(?P<half>[ap]\.?m\.?)?\s*(?P<offset>" + OFFSET + r")?)?"
)
_PLAIN_ISO = r"[0-9]{4}-[0-9]{2}-[0-9]{2}(?:[T ][0-9]{2}:[0-9]{2}(?::[0-9]{2})?)?"
_ISO = re.compile(_PLAIN_ISO)
_ALL_ISO = re.compile(f"(?:{_PLAIN_ISO}\\n)*+")
_DATE_ALONE = len("2026-04-03")
_YEAR_FIRST = re.compile(
    rf"(?P<year>[0-9]{{4}})([-/.])(?P<month>[0-9]{{1,2}})\2(?P<day>[0-9]{{1,2}}){_TIME}", re.IGNORECASE
)
_BASIC = re.compile(r"(?P<year>[12][0-9]{3})(?P<month>[01][0-9])(?P<day>[0-3][0-9])")
_YEAR_LAST = re.compile(
    rf"(?P<a>[0-9]{{1,2}})\s*([-/.])\s*(?P<b>[0-9]{{1,2}})\s*\2\s*(?P<year>[0-9]{{4}}){_TIME}", re.IGNORECASE
)
_WORDS = re.compile(
    rf"(?P<day>[0-9]{{1,2}})(?:st|nd|rd|th)?[\s.-]*(?P<word>[A-Za-z]{{3,9}})[\s.,-]*(?P<year>[0-9]{{4}}){_TIME}",
    re.IGNORECASE,
)
_WORD_FIRST = re.compile(
    rf"(?P<word>[A-Za-z]{{3,9}})[\s.]*(?P<day>[0-9]{{1,2}})(?:st|nd|rd|th)?[\s.,]+(?P<year>[0-9]{{4}}){_TIME}",
    re.IGNORECASE,
)
_SHORT_YEAR = re.compile(
    r"[0-9]{1,2}(?:[-/. ]+[0-9]{1,2}[-/. ]+|[-/. ]*[A-Za-z]{3,9}[-/., ]+)'?[0-9]{2}(?:[T, ].*)?"
)
_ZONE_NAME = re.compile(r".*[0-9]\s*(?:[ap]\.?m\.?)?\s+(?P<zone>[A-Z]{2,5})")
_WEEKDAY = re.compile(
    r"(?:mon|tues?|wed(?:nes)?|thu(?:rs)?|fri|sat(?:ur)?|sun)(?:day)?[.,]*\s+(?=\S)", re.IGNORECASE
)
_NUMBER = re.compile(r"[0-9]+(?:[.,][0-9]+)?")
_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
_FULL_LENGTH = {"sept": 9} | {month.casefold(): number for number, month in enumerate(_MONTHS, start=1)}
_MONTH_OF = _FULL_LENGTH | {month[:3].casefold(): number for number, month in enumerate(_MONTHS, start=1)}
_SERIALS = (36526, 73050)  # 2000-01-01 to 2099-12-31
# Day numbers count 1900-01-01 as 1 and hold a 29 February 1900 that never was, so that from March 1900 on
# they count from 1899-12-30 (ECMA-376 part 1, 18.17.4; from memory).
_DAY_ZERO = dt.date(1899, 12, 30)
_REMEDY = "write year-month-day, such as 2026-04-03 or 2026-04-03 18:30"


class Moment(NamedTuple):
    """What a cell holds: date and time as on the person's clock, or why not. ``timed``: a time was given."""

    at: dt.datetime | None = None
    offset: str = ""
    timed: bool = False
    finding: Finding | None = None


class Moments(NamedTuple):
    """The distinct cells of a date column, side by side."""

    instants: NDArray[np.datetime64]
    offsets: tuple[str, ...]
    timed: NDArray[np.bool_]
    findings: tuple[Finding | None, ...]


def read_moments(cells: Sequence[Cell]) -> Moments:
    """All cells of a date column, each as by :func:`read_moment`; at once where all are plain ISO 8601."""
    texts = [cell for cell in cells if isinstance(cell, str)]
    if len(texts) == len(cells) and _ALL_ISO.fullmatch("\n".join([*texts, ""])):
        try:
            at = np.array(texts, dtype="datetime64[us]")
        except ValueError:  # a day that no calendar has: which one is found cell by cell
            pass
        else:
            timed = np.array([len(text) > _DATE_ALONE for text in texts], dtype=bool)
            return Moments(at, ("",) * len(texts), timed, (None,) * len(texts))
    moments = [read_moment(cell) for cell in cells]
    return Moments(
        np.array([moment.at for moment in moments], dtype="datetime64[us]"),
        tuple(moment.offset for moment in moments),
        np.array([moment.timed for moment in moments], dtype=bool),
        tuple(moment.finding for moment in moments),
    )


def read_moment(cell: Cell) -> Moment:
    """One cell of a date column.

    Parameters
    ----------
    cell : Cell
        A text, or what a workbook types as date, date and time, or anything else.
    """
    if isinstance(cell, dt.datetime):
        return Moment(cell.replace(microsecond=0), timed=True)
    if isinstance(cell, dt.date):
        return Moment(dt.datetime.combine(cell, dt.time()))
    if isinstance(cell, bool | dt.time | dt.timedelta):
        return _no(HoldReason.NOT_A_DATE, f"{quoted(text_of(cell))} is not a date; {_REMEDY}.")
    text = _WEEKDAY.sub("", plain(text_of(cell)), count=1)
    if _ISO.fullmatch(text):
        try:
            return Moment(dt.datetime.fromisoformat(text), timed=len(text) > _DATE_ALONE)
        except ValueError:
            return _impossible(text)
    return _other(text)


def _other(text: str) -> Moment:
    if not text:
        return _no(HoldReason.NO_DATE, f"The date is missing; {_REMEDY}.")
    for read in (_year_first, _in_words, _year_last, _with_fault):
        moment = read(text)
        if moment is not None:
            return moment
    left_over = spreadsheet_finding(text)
    if left_over:
        return Moment(finding=left_over)
    zone = _ZONE_NAME.fullmatch(text)
    if zone:
        return _no(
            HoldReason.NOT_A_DATE,
            f"{quoted(text)} ends in {quoted(zone['zone'])}, which is not the same everywhere: write the hours from UTC, "
            "such as 2026-04-03 18:30+02:00, or leave the zone out.",
        )
    return _no(HoldReason.NOT_A_DATE, f"{quoted(text)} is not a date that can be read; {_REMEDY}.")


def _year_first(text: str) -> Moment | None:
    found = _YEAR_FIRST.fullmatch(text) or _BASIC.fullmatch(text)
    return _with_time(text, found, int(found["month"]), int(found["day"])) if found else None


def _in_words(text: str) -> Moment | None:
    found = _WORDS.fullmatch(text) or _WORD_FIRST.fullmatch(text)
    month = _MONTH_OF.get(found["word"].casefold()) if found else None
    return _with_time(text, found, month, int(found["day"])) if found and month else None


def _with_fault(text: str) -> Moment | None:
    if _SHORT_YEAR.fullmatch(text):
        return _no(HoldReason.SHORT_YEAR, f"{quoted(text)} has a year of two digits; {_REMEDY}.")
    return _day_number(text) if _NUMBER.fullmatch(text) else None


def _year_last(text: str) -> Moment | None:
    """Day and month in either order; held where both orders give a date and the dates differ."""
    found = _YEAR_LAST.fullmatch(text)
    if not found:
        return None
    a, b, year = int(found["a"]), int(found["b"]), int(found["year"])
    if a <= 12 and b <= 12 and a != b and min(a, b) > 0:
        first, second = f"{year:04}-{b:02}-{a:02}", f"{year:04}-{a:02}-{b:02}"
        return _no(
            HoldReason.AMBIGUOUS_DATE,
            f"{quoted(text)} can be {a} {_MONTHS[b - 1]} or {b} {_MONTHS[a - 1]} {year}; "
            f"write {first} or {second}, whichever it is.",
        )
    return _with_time(text, found, *((a, b) if b > 12 else (b, a)))


def _with_time(text: str, found: re.Match[str], month: int, day: int) -> Moment:
    parts = found.groupdict()
    hour, minute, second = (int(parts.get(name) or 0) for name in ("hour", "minute", "second"))
    half = (parts.get("half") or "").casefold()
    timed = parts.get("hour") is not None
    if timed and parts.get("minute") is None and not half:
        return _no(HoldReason.NOT_A_DATE, f"{quoted(text)} does not end in a time such as 18:30; {_REMEDY}.")
    if half:
        if not 1 <= hour <= 12:
            return _impossible(text)
        hour = hour % 12 + (12 if half.startswith("p") else 0)
    offset = clock_offset(parts.get("offset"))
    if offset is None:
        return _impossible(text)
    return _moment(text, [int(parts["year"]), month, day, hour, minute, second], timed=timed, offset=offset)


def clock_offset(text: str | None) -> str | None:
    """``+02:00`` for ``+0200``, ``+02``, ``UTC+2`` and the like; None for an offset that no clock has."""
    if not text:
        return ""
    bare = text.upper().removeprefix("UTC").removeprefix("GMT")
    if bare in {"", "Z"}:
        return "+00:00"
    digits = bare[1:].replace(":", "")
    hours, minutes = (int(digits), 0) if len(digits) < 3 else (int(digits[:-2]), int(digits[-2:]))
    return f"{bare[0]}{hours:02}:{minutes:02}" if hours <= 14 and minutes < 60 else None


def _moment(text: str, parts: list[int], *, timed: bool, offset: str = "") -> Moment:
    year, month, day, hour, minute, second = parts
    try:
        return Moment(dt.datetime(year, month, day, hour, minute, second), offset, timed)  # noqa: DTZ001 - the person's own clock
    except ValueError:
        return _impossible(text)


def _impossible(text: str) -> Moment:
    return _no(
        HoldReason.IMPOSSIBLE_DATE, f"{quoted(text)} is a day or a time that does not exist; {_REMEDY}."
    )


def _day_number(text: str) -> Moment:
    number = float(text.replace(",", "."))
    if _SERIALS[0] <= number < _SERIALS[1] + 1:
        day = _DAY_ZERO + dt.timedelta(days=int(number))
        return _no(
            HoldReason.DAY_NUMBER,
            f"{quoted(text)} is a plain number; as a spreadsheet's day number it would be {day}: "
            "format the column as a date, or write the date out.",
        )
    return _no(HoldReason.NOT_A_DATE, f"{quoted(text)} is a plain number and not a date; {_REMEDY}.")


def _no(reason: HoldReason, text: str) -> Moment:
    return Moment(finding=(reason, text))
