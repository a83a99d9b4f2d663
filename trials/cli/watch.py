"""During the trial: what it asks of people today, calendars and reminders."""

from __future__ import annotations

import datetime as dt  # noqa: TC003 - typer reads the annotations at run time
from pathlib import Path  # noqa: TC003 - as above
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trials.cli.options import (
    DEFAULT_REGISTER,
    NEEDS_A_PERSON,
    JsonOption,
    RegisterOption,
    TrialArgument,
    today,
)

if TYPE_CHECKING:
    from analysis.watch.due import SamplingDay
    from analysis.watch.watching import Watch
    from trials.register.records import SealedTrial


def watch(
    trial: TrialArgument = None,
    *,
    day: Annotated[
        dt.datetime | None,
        typer.Option(
            "--today", formats=["%Y-%m-%d"], help="Look as on this day; later readings do not count."
        ),
    ] = None,
    site: Annotated[str | None, typer.Option("--site", help="Only this site.")] = None,
    ics: Annotated[
        Path | None,
        typer.Option("--ics", metavar="FILE", help="Write the sampling days as an iCalendar file."),
    ] = None,
    messages: Annotated[
        Path | None,
        typer.Option(
            "--messages", metavar="FOLDER", help="Write a short reminder for each site, to paste in a chat."
        ),
    ] = None,
    location: RegisterOption = DEFAULT_REGISTER,
    as_json: JsonOption = False,
) -> None:
    """Say what a running trial needs: stop rules met, stalls, falls, what is due, late and missing, site by site.

    Arms are never named before data entry is closed; where arms are compared they have the letters of analyse --masked.
    """
    from trials.cli import watch_display
    from trials.register.store import Register
    from trials.watch import calendar_of, refuse_unknown_site, watch_trial
    from trials.watch_files import write_calendar, write_reminders

    on = day.date() if day else today()
    with Register.open(location) as record:
        sealed = record.find(trial)
        if site is not None:
            refuse_unknown_site(sealed.protocol, site)
        whole = watch_trial(record, sealed, on)
        written = []
        if ics is not None:
            days, stamp = calendar_of(record, sealed)
            chosen = [one for one in days if site is None or one.site == site]
            written.append(write_calendar(ics, sealed.protocol, chosen, stamp))
    found = whole if site is None else whole.of_site(site)
    if messages is not None:
        written += write_reminders(messages, sealed.protocol, whole, site)
    if as_json:
        from trials.cli import display

        display.json_document(_document(sealed, found, written))
    else:
        watch_display.show(sealed, found, written)
    if found.needs_a_person:
        raise typer.Exit(NEEDS_A_PERSON)


def _document(sealed: SealedTrial, found: Watch, written: list[Path]) -> dict[str, Any]:
    return {
        "trial": sealed.id,
        "today": found.today.isoformat(),
        "needs_a_person": found.needs_a_person,
        "stands": found.stands,
        "findings": [
            {
                "kind": one.kind,
                "severity": one.severity,
                "site": one.site,
                "tank": one.tank,
                "since": one.since.isoformat() if one.since else None,
                "sentence": one.sentence,
                "what_to_do": one.to_do,
                "what_to_record": one.to_record,
            }
            for one in found.findings
        ],
        "due": [
            {
                "site": row.site,
                "tank": row.tank,
                "variable": row.variable,
                "due": row.due,
                "on_day": row.on_day,
                "off_day": row.off_day,
                "due_today": row.due_today,
                "late": [day.isoformat() for day in row.late],
                "missing": [day.isoformat() for day in row.missing],
                "further": row.further,
                "next_due": row.next_due.isoformat() if row.next_due else None,
                "last_reading": row.last_reading.isoformat() if row.last_reading else None,
            }
            for row in found.due
        ],
        "coming": [_coming(one) for one in found.coming],
        "written": [str(path) for path in written],
    }


def _coming(one: SamplingDay) -> dict[str, Any]:
    return {
        "day": one.day.isoformat(),
        "site": one.site,
        "tanks": {variable: list(tanks) for variable, tanks in one.tanks.items()},
    }
