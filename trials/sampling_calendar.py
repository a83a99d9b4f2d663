"""The sampling days of a trial as an iCalendar file (RFC 5545): one all-day event a sampling day and site."""

from __future__ import annotations

import uuid
from typing import TYPE_CHECKING

from icalendar import Calendar, Event

from analysis.numerals import plain
from analysis.watch.due import variables_in_words
from trials import __version__

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable

    from analysis.watch.due import SamplingDay
    from schemas.protocol import Protocol

_NAMESPACE = uuid.UUID("5f0c9d51-3c8e-5d0b-9d4e-2f6a1b7c8e90")
_LONGEST = 500


def event_uid(trial: str, site: str | None, day: dt.date) -> str:
    """The identifier of a sampling day: the same in every file, so that a calendar brings it up to date."""
    return str(uuid.uuid5(_NAMESPACE, f"{trial}/{site or ''}/{day.isoformat()}"))


def sampling_calendar(protocol: Protocol, days: Iterable[SamplingDay], stamp: dt.datetime) -> bytes:
    """Write a calendar.

    Parameters
    ----------
    protocol : Protocol
    days : iterable of SamplingDay
    stamp : datetime
        When what the days rest on was last changed, with its time zone: the DTSTAMP of every event.
    """
    calendar = Calendar()
    calendar.add("prodid", f"-//fairtank//fairtank {__version__}//EN")
    calendar.add("version", "2.0")
    title = plain(protocol.trial.title, _LONGEST)
    for one in days:
        event = Event()
        event.add("uid", event_uid(protocol.trial.id, one.site, one.day))
        event.add("dtstamp", stamp)
        event.add("dtstart", one.day)
        where = f" at {one.site}" if one.site else ""
        event.add("summary", f"{', '.join(one.tanks)}{where} ({protocol.trial.id})")
        phase = _phase(protocol, one)
        event.add(
            "description",
            f"{title}\nMeasure {variables_in_words(one.tanks)}.{phase}\nA reading on another day still counts, and is "
            "counted as off its due day. Animals come before data: tell the lead, and a vet, if any look ill.",
        )
        event.add("transp", "TRANSPARENT")
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _phase(protocol: Protocol, day: SamplingDay) -> str:
    """The phase of a day, where all tanks of the site are in the same."""
    phases = {protocol.phase_of(day.day, tank) for tanks in day.tanks.values() for tank in tanks}
    phase = next(iter(phases))
    return f" Phase: {phase}." if len(phases) == 1 and phase else ""
