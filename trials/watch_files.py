"""What watching writes for others: the calendar, and a reminder for each site."""

from __future__ import annotations

from typing import TYPE_CHECKING

from schemas.errors import FairtankError
from trials.reminders import reminder
from trials.sampling_calendar import sampling_calendar
from trials.watch import sites_of

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Sequence
    from pathlib import Path

    from analysis.watch.due import SamplingDay
    from analysis.watch.watching import Watch
    from schemas.protocol import Protocol

_CALENDAR = b"BEGIN:VCALENDAR"


def write_calendar(path: Path, protocol: Protocol, days: Sequence[SamplingDay], stamp: dt.datetime) -> Path:
    """Write the sampling days to a file; an earlier calendar there is replaced.

    Raises
    ------
    FairtankError
        Something else than a calendar is there, or the file cannot be written.
    """
    try:
        if path.exists():
            with path.open("rb") as file:
                if file.read(len(_CALENDAR)) != _CALENDAR:
                    raise FairtankError(f"{path} is there already and is no calendar; name another file.")
        path.write_bytes(sampling_calendar(protocol, days, stamp))
    except OSError as error:
        raise FairtankError(_unwritable(path, error)) from error
    return path


def write_reminders(folder: Path, protocol: Protocol, watch: Watch, site: str | None = None) -> list[Path]:
    """Write a reminder for each site (or for one) into a folder; those of an earlier day are replaced.

    Raises
    ------
    FairtankError
        The folder or a file cannot be written.
    """
    sites: list[str | None] = [site] if site is not None else list(sites_of(protocol))
    if site is None and any(tank.site is None for tank in protocol.tanks):
        sites.append(None)
    written: list[Path] = []
    taken: set[str] = set()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for one in sites:
            path = folder / _name(protocol.trial.id, one, taken)
            path.write_text(reminder(protocol.trial.id, one, watch), encoding="utf-8", newline="\n")
            written.append(path)
    except OSError as error:
        raise FairtankError(_unwritable(folder, error)) from error
    return written


def _name(trial: str, site: str | None, taken: set[str]) -> str:
    """A file name of its own also where a disk takes small and capital letters for the same."""
    stem = f"{trial}-{site}" if site else trial
    name, number = stem, 1
    while name.casefold() in taken:
        number += 1
        name = f"{stem}-{number}"
    taken.add(name.casefold())
    return f"{name}.txt"


def _unwritable(path: Path, error: OSError) -> str:
    return f"{path} cannot be written ({(error.strerror or str(error)).lower()}); name another."
