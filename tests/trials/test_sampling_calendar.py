"""The calendar against RFC 5545, read by a parser of our own from its text and by the icalendar library."""

import datetime as dt
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from icalendar import Calendar

from analysis.numerals import plain
from analysis.watch.due import SamplingDay
from schemas.protocol import Protocol
from trials.sampling_calendar import event_uid, sampling_calendar

STAMP = dt.datetime(2026, 2, 20, 18, 30, tzinfo=dt.UTC)
DAYS = (
    SamplingDay(dt.date(2026, 3, 2), "q1", {"nitrate": ("q1-a", "q1-b"), "phosphate": ("q1-a", "q1-b")}),
    SamplingDay(dt.date(2026, 3, 9), None, {"nitrate": ("x",)}),
)


def protocol_of(title):
    return Protocol.model_validate(
        {
            "format": 1,
            "trial": {"id": "try-2026", "title": title},
            "arms": [{"id": "control", "role": "control", "title": "None"}],
            "design": {"kind": "parallel"},
            "tanks": [{"id": tank} for tank in ("q1-a", "q1-b", "x")],
            "schedule": {"start": dt.date(2026, 3, 2), "phases": [{"id": "baseline", "days": 14}]},
            "endpoints": [],
        }
    )


def unfolded(content):
    """Content lines: RFC 5545, 3.1, a CRLF and a space or tab belong to neither."""
    return re.sub(r"\r\n[ \t]", "", content.decode()).removesuffix("\r\n").split("\r\n")


def text_of(line):
    """The value of a TEXT property: RFC 5545, 3.3.11, a backslash before comma, semicolon, backslash, n or N."""
    value = line.split(":", 1)[1]
    assert not re.search(r"(?<!\\)(?:\\\\)*[;,]", value.replace("\\;", "").replace("\\,", ""))
    return re.sub(r"\\([nN,;\\])", lambda found: "\n" if found[1] in "nN" else found[1], value)


def test_the_lines_are_those_of_the_standard():
    content = sampling_calendar(protocol_of("A try"), DAYS, STAMP)
    lines = unfolded(content)
    # RFC 5545, 3.6: VERSION and PRODID are required, once; 3.6.1: UID and DTSTAMP in every VEVENT; 3.3.4: a DATE.
    assert (lines[0], lines[-1]) == ("BEGIN:VCALENDAR", "END:VCALENDAR")
    assert lines.count("VERSION:2.0") == 1
    assert sum(line.startswith("PRODID:") for line in lines) == 1
    assert lines.count("BEGIN:VEVENT") == lines.count("END:VEVENT") == 2
    for name, number in (("UID:", 2), ("DTSTAMP:20260220T183000Z", 2), ("TRANSP:TRANSPARENT", 2)):
        assert sum(line.startswith(name) for line in lines) == number
    assert [line for line in lines if line.startswith("DTSTART")] == [
        "DTSTART;VALUE=DATE:20260302",
        "DTSTART;VALUE=DATE:20260309",
    ]
    summaries = [text_of(line) for line in lines if line.startswith("SUMMARY")]
    assert summaries == ["nitrate, phosphate at q1 (try-2026)", "nitrate (try-2026)"]
    description = next(text_of(line) for line in lines if line.startswith("DESCRIPTION"))
    assert description.startswith("A try\nMeasure nitrate and phosphate of q1-a and q1-b. Phase: baseline.\n")


titles = st.text(st.characters(exclude_categories=("Cs",)), min_size=1, max_size=300).filter(str.strip)
HOSTILE = (
    "a\r\nEND:VEVENT\r\nBEGIN:VALARM",
    "semi;colon, comma \\ and \\n back",
    "é" * 200,
    "🐠" * 120,
    "\u202eturned \u2028 line \x00 nul \x1b",
    '"quoted":^n',
    "ends with a backslash \\",
)


def check(title):
    protocol = protocol_of(title)
    content = sampling_calendar(protocol, DAYS, STAMP)
    physical = content.split(b"\r\n")
    # RFC 5545, 3.1: no line longer than 75 octets without its break, and CRLF alone breaks lines.
    assert max(map(len, physical)) <= 75
    assert physical[-1] == b""
    assert all(b"\n" not in line and b"\r" not in line for line in physical)
    for line in physical:
        line.decode()  # no character is broken in two
    shown = plain(protocol.trial.title, 500)
    lines = unfolded(content)
    ours = [text_of(line) for line in lines if line.startswith("DESCRIPTION")]
    theirs = [str(event["description"]) for event in Calendar.from_ical(content).walk("VEVENT")]
    assert ours == theirs
    assert all(text.startswith(f"{shown}\nMeasure ") for text in ours)
    assert lines.count("BEGIN:VEVENT") == 2
    assert "BEGIN:VALARM" not in lines


@pytest.mark.parametrize("title", HOSTILE)
def test_hostile_titles(title):
    check(title)


@settings(deadline=None, max_examples=60)
@given(titles)
def test_any_title_comes_back(title):
    check(title)


def test_the_identifier_is_stable_and_its_own():
    """As the first version made it: another one would double every event in people's calendars."""
    first = event_uid("try", "q1", dt.date(2026, 3, 2))
    assert first == "1434da6b-e3f2-592d-be5b-84c357312346"
    others = {
        event_uid(trial, site, day)
        for trial in ("try", "other")
        for site in ("q1", None)
        for day in (dt.date(2026, 3, 2), dt.date(2026, 3, 3))
    }
    assert len(others) == 8
    assert first in others
