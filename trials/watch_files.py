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
        There is no sampling day, something else than a calendar is there, or the file cannot be written.
    """
    if not days:
        raise FairtankError(f"{protocol.trial.id} has no sampling days, so there is no calendar to write.")
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
    names = _names(protocol)
    chosen = names if site is None else {site: names[site]}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for one, name in chosen.items():
            text = reminder(protocol.trial.id, one, watch)
            (folder / name).write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise FairtankError(_unwritable(folder, error)) from error
    return [folder / name for name in chosen.values()]


def _names(protocol: Protocol) -> dict[str | None, str]:
    """By site a file name of its own, also where a disk takes small and capital letters for the same."""
    sites: list[str | None] = list(sites_of(protocol))
    if any(tank.site is None for tank in protocol.tanks):
        sites.append(None)
    names: dict[str | None, str] = {}
    taken: set[str] = set()
    for site in sites:
        stem = name = f"{protocol.trial.id}-{site}" if site else protocol.trial.id
        number = 1
        while name.casefold() in taken:
            number += 1
            name = f"{stem}-{number}"
        taken.add(name.casefold())
        names[site] = f"{name}.txt"
    return names


def _unwritable(path: Path, error: OSError) -> str:
    return f"{path} cannot be written ({(error.strerror or str(error)).lower()}); name another."
