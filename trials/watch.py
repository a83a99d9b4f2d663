"""A registered trial watched on a day: what the register holds, up to that day, looked at by ``analysis.watch``.

Watching is for the lead, who has to see tanks to keep animals safe, while whoever analyses should not yet know the arms.
So no arm is named before data entry is closed: arms that must be compared have the letters of ``analyse --masked``, and a
tank is never said to be in one. What cannot be hidden is that a tank is dosed, and how, where a finding is about what it was given.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from analysis.arm_doses import arm_doses
from analysis.masking import mask_of
from analysis.numerals import count, plain
from analysis.watch.due import sampling_days
from analysis.watch.findings import Finding, Kind, Severity
from analysis.watch.watched import Acted, Watched
from analysis.watch.watching import watch
from schemas.errors import UsageError
from schemas.plain_words import listed, nearest, quoted
from trials.held_rows import tank_of
from trials.kits import kit_findings, kits_of
from trials.register.chain import Kind as EntryKind
from trials.streams.watching import logger_findings

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from analysis.watch.due import SamplingDay
    from analysis.watch.watching import Watch
    from schemas.protocol import Protocol
    from trials.register.records import HeldRow, SealedTrial, TankEvent
    from trials.register.store import Register


def watch_trial(record: Register, sealed: SealedTrial, today: dt.date) -> Watch:
    """Watch a trial as it stood on a day.

    Parameters
    ----------
    record : Register
        Holds the trial.
    sealed : SealedTrial
        The trial with the protocol in force.
    today : date
        Readings and events after it are left out.
    """
    closed = record.closed(sealed.id)
    is_closed = closed is not None and closed.date() <= today
    watched = watched_trial(record, sealed, today, masked=not is_closed)
    waiting = [row for row in record.held(sealed.id) if row.taken_in_at[:10] <= today.isoformat()]
    also = (
        *_held(sealed.protocol, waiting),
        *kit_findings(kits_of(record, sealed, today)),
        *logger_findings(record, sealed, today),
    )
    return watch(watched, also, closed=is_closed)


def watched_trial(record: Register, sealed: SealedTrial, today: dt.date, *, masked: bool) -> Watched:
    """Everything that the register holds of a trial up to a day, as ``analysis.watch`` takes it.

    Parameters
    ----------
    masked : bool
        Whether arms are called by their letters.
    """
    protocol = sealed.protocol
    end = dt.datetime.combine(today + dt.timedelta(days=1), dt.time())
    readings, events = record.readings(sealed.id), record.events(sealed.id)
    happened = [event for event in record.deviations(sealed.id) if event.day <= today]
    doses, _ = arm_doses(protocol)
    names = {arm.id: arm.title for arm in protocol.arms}
    if masked:
        mask = mask_of(protocol, record.find(sealed.id, as_sealed=True).digest)
        names = {arm: f"arm {letter}" for arm, letter in mask.letters.items()}
    return Watched(
        protocol=protocol,
        today=today,
        allocation=record.allocation(sealed.id),
        readings=readings[readings["taken_at"] < end],
        events=events[events["at"] < end],
        left=left_of(record.deviations(sealed.id)),
        acted=_acted(happened),
        treated_as={event.tank: event.treated_as for event in happened if event.treated_as},
        planned={dose.arm: dose.carbon for dose in doses if dose.carbon},
        names=names,
    )


def calendar_of(record: Register, sealed: SealedTrial) -> tuple[tuple[SamplingDay, ...], dt.datetime]:
    """The sampling days of a trial, and when what they rest on was last changed: seal, amendment or dropout."""
    changing = {EntryKind.SEAL, EntryKind.AMENDMENT, EntryKind.DROPOUT}
    moments = [dt.datetime.fromisoformat(e.at) for e in record.entries(sealed.id) if e.kind in changing]
    days = sampling_days(sealed.protocol, left_of(record.deviations(sealed.id)))
    return days, max(moments)


def left_of(events: Sequence[TankEvent]) -> dict[str, dt.date]:
    """Tanks that left a trial, each with its first day out of it."""
    left: dict[str, dt.date] = {}
    for event in events:
        if event.kind == EntryKind.DROPOUT:
            left[event.tank] = min(event.day, left.get(event.tank, event.day))
    return left


def sites_of(protocol: Protocol) -> tuple[str, ...]:
    """The sites of a trial, in the protocol's order."""
    return tuple(dict.fromkeys(tank.site for tank in protocol.tanks if tank.site))


def refuse_unknown_site(protocol: Protocol, site: str) -> None:
    """Refuse a site that no tank stands at.

    Raises
    ------
    UsageError
        With the site that is most like it.
    """
    sites = sites_of(protocol)
    if site in sites:
        return
    if not sites:
        raise UsageError(f"no tank of {protocol.trial.id} names a site, so leave --site out.")
    meant = nearest(site, sites)
    remedy = f"did you mean {meant}?" if meant else f"the sites are {listed(sites, 'and')}."
    raise UsageError(f"{protocol.trial.id} has no site {quoted(site)}; {remedy}")


def _acted(events: Sequence[TankEvent]) -> dict[str, tuple[Acted, ...]]:
    """Rescues and deviations by tank, in order of days."""
    found: dict[str, list[Acted]] = {}
    for event in sorted(events, key=lambda event: event.day):
        if event.kind != EntryKind.DROPOUT:
            found.setdefault(event.tank, []).append(Acted(event.day, event.what))
    return {tank: tuple(acts) for tank, acts in found.items()}


def _held(protocol: Protocol, rows: Sequence[HeldRow]) -> Iterator[Finding]:
    """Rows that wait, one finding a site; those of tanks that the protocol does not know are the whole trial's."""
    site_of = {tank.id: tank.site for tank in protocol.tanks}
    by_site: dict[str | None, list[HeldRow]] = {}
    for row in rows:
        by_site.setdefault(site_of.get(tank_of(row)), []).append(row)
    for site, own in by_site.items():
        reasons: dict[str, int] = {}
        for row in own:
            for code in dict.fromkeys(reason.code for reason in row.reasons):
                reasons[code] = reasons.get(code, 0) + 1
        files = list(dict.fromkeys(plain(row.file, 100) for row in own))
        each = ", ".join(f"{code} {number}" for code, number in sorted(reasons.items(), key=lambda r: -r[1]))
        named = listed(files, "and") if len(files) <= 3 else f"{len(files)} files"
        yield Finding(
            Kind.HELD,
            Severity.SOON,
            f"{count(len(own), 'row')} of {named} {'waits' if len(own) == 1 else 'wait'} for a person ({each}).",
            "Look at what was written in them, and say what was meant.",
            "See fairtank held; write them out with --write FILE.xlsx, mend them, and take them in again.",
            site=site,
            since=dt.date.fromisoformat(min(row.taken_in_at[:10] for row in own)),
        )
