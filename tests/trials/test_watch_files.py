"""Files that watching writes: their names, and what they do not write over."""

import datetime as dt

import pytest

from analysis.watch.due import SamplingDay
from analysis.watch.watching import Watch
from schemas.errors import FairtankError
from schemas.protocol import Protocol
from trials.watch_files import write_calendar, write_reminders

STAMP = dt.datetime(2026, 2, 20, tzinfo=dt.UTC)
DAYS = (SamplingDay(dt.date(2026, 3, 2), "Q1", {"nitrate": ("t1",)}),)
NOTHING = Watch(dt.date(2026, 3, 2), "", (), (), ())


def protocol_of(*sites):
    return Protocol.model_validate(
        {
            "format": 1,
            "trial": {"id": "try", "title": "A try"},
            "arms": [{"id": "control", "role": "control", "title": "None"}],
            "design": {"kind": "parallel"},
            "tanks": [{"id": f"t{n}", "site": site} for n, site in enumerate(sites)],
            "schedule": {"start": dt.date(2026, 3, 2), "phases": [{"id": "baseline", "days": 14}]},
            "endpoints": [],
        }
    )


def test_every_site_has_a_file_of_its_own_on_any_disk(tmp_path):
    """Some disks take Q1 and q1 for the same name, and some refuse a file called CON."""
    folder = tmp_path / "a" / "b"
    written = write_reminders(folder, protocol_of("Q1", "q1", "CON", None), NOTHING)
    assert [path.name for path in written] == ["try-Q1.txt", "try-q1-2.txt", "try-CON.txt", "try.txt"]
    assert sorted(path.read_text().splitlines()[0] for path in written) == [
        f"try, {site}, 2 March 2026" for site in ("CON", "Q1", "all tanks", "q1")
    ]
    (alone,) = write_reminders(folder, protocol_of("Q1", "q1", None), NOTHING, "q1")
    assert alone.name == "try-q1-2.txt"


def test_a_calendar_is_brought_up_to_date_and_nothing_else_is_written_over(tmp_path):
    path = tmp_path / "days.ics"
    protocol = protocol_of("Q1")
    write_calendar(path, protocol, DAYS, STAMP)
    first = path.read_bytes()
    write_calendar(path, protocol, DAYS, STAMP + dt.timedelta(days=1))
    assert path.read_bytes() == first.replace(b"20260220T000000Z", b"20260221T000000Z") != first
    other = tmp_path / "readings.csv"
    other.write_text("tank,taken_at\n")
    with pytest.raises(FairtankError, match="is no calendar"):
        write_calendar(other, protocol, DAYS, STAMP)
    assert other.read_text() == "tank,taken_at\n"


def test_a_calendar_without_days_is_none(tmp_path):
    """RFC 5545, 3.6: a calendar holds at least one component."""
    with pytest.raises(FairtankError, match="try has no sampling days"):
        write_calendar(tmp_path / "days.ics", protocol_of("Q1"), (), STAMP)
    assert not list(tmp_path.iterdir())
