"""The kits of a registered trial compared, and what that finds for whoever watches it."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from analysis.kits.comparison import compare_kits
from analysis.kits.scores import Grade
from analysis.kits.wording import verdict_sentence
from analysis.watch.findings import Finding, Kind, Severity

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analysis.kits.comparison import KitComparison
    from trials.register.records import SealedTrial
    from trials.register.store import Register


def kits_of(record: Register, sealed: SealedTrial, today: dt.date | None = None) -> KitComparison:
    """Compare the kits of a trial by all that the register holds.

    Parameters
    ----------
    today : date, optional
        Readings and corrections after it are left out.
    """
    readings, checks = record.readings(sealed.id), record.check_readings(sealed.id)
    corrections = record.kit_corrections(sealed.id)
    if today is not None:
        end = dt.datetime.combine(today + dt.timedelta(days=1), dt.time())
        readings, checks = readings[readings["taken_at"] < end], checks[checks["taken_at"] < end]
        corrections = [one for one in corrections if one.at.date() <= today]
    return compare_kits(sealed.protocol, readings, checks, corrections)


def kit_findings(found: KitComparison) -> Iterator[Finding]:
    """Kits that fail, and for information those that need a look or were corrected."""
    for verdict in found.verdicts:
        if verdict.grade not in (Grade.FAILS, Grade.LOOK):
            continue
        asks = verdict.needs_a_person
        yield Finding(
            Kind.KIT,
            Severity.SOON if asks else Severity.INFORMATION,
            verdict_sentence(verdict, found),
            "Measure the check sample again, with fresh reagents and rinsed glass. If it still fails, use another kit, and read "
            "one tank with both on the same day."
            if asks
            else "",
            "See fairtank kits. Readings stay as they are read: what the kit is known to do to them is registered with "
            "fairtank amend --kit, and stands beside."
            if asks
            else "",
            site=verdict.site or None,
            since=verdict.since,
        )
