"""Which readings were due, and what became of each: taken on the day, off it, late, or missing.

A reading off its due day counts for the nearest due day (the earlier of two), at most half an interval away, where none
was taken on that day. A due day without a reading is late while a reading made today would still count for it, and
missing after that. Days after a tank left the trial are not due.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.numerals import count, day_words
from analysis.watch.findings import Finding, Kind, Severity
from schemas.plain_words import listed

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from numpy.typing import NDArray

    from analysis.watch.watched import Watched
    from schemas.protocol import Protocol, Tank

    Days = NDArray[np.datetime64]

SILENT_DAYS = 2
"""Sampling days without any reading after which a site or tank is called silent: our own line, no source."""
_MOST_NAMED = 6


@dataclass(frozen=True)
class DueRow:
    """One variable in one tank, up to today.

    Parameters
    ----------
    site, tank, variable : str
        ``site`` is None where the tank names none.
    due : int
        Due days up to today, today among them; the sum of the next five.
    on_day, off_day : int
        Due days with a reading on the day, or with one that counts for it.
    due_today : bool
        Whether today is due and nothing is in yet.
    late, missing : tuple of date
        Due days without a reading that can still be made good, and those that cannot.
    further : int
        Days with a reading that counts for no due day, such as a second test after a stop rule was met.
    next_due : date or None
        The first due day from today on that has no reading yet.
    last_reading : date or None
    """

    site: str | None
    tank: str
    variable: str
    due: int
    on_day: int
    off_day: int
    due_today: bool
    late: tuple[dt.date, ...]
    missing: tuple[dt.date, ...]
    further: int
    next_due: dt.date | None
    last_reading: dt.date | None


@dataclass(frozen=True)
class SamplingDay:
    """What a site has to measure on a day: by variable, in the protocol's order, the tanks in theirs."""

    day: dt.date
    site: str | None
    tanks: Mapping[str, tuple[str, ...]]


def due_rows(watched: Watched) -> tuple[DueRow, ...]:
    """A row for every tank and variable of the schedule, by tank in the protocol's order."""
    read = {
        sampling.variable: _days_read(watched.rows(sampling.variable))
        for sampling in watched.protocol.schedule.sampling
    }
    due = _DueDays(watched.protocol)
    none = np.array([], dtype="datetime64[D]")
    today = np.datetime64(watched.today)
    rows = []
    for tank in watched.protocol.tanks:
        for sampling in watched.protocol.schedule.sampling:
            days = due.of(sampling.variable, tank)
            if tank.id in watched.left:
                days = days[days < np.datetime64(watched.left[tank.id])]
            taken = read[sampling.variable].get(tank.id, none)
            rows.append(_row(tank, sampling.variable, days, taken, today, sampling.every_days))
    return tuple(rows)


class _DueDays:
    """The due days of a variable, worked out once for the tanks of a cohort."""

    def __init__(self, protocol: Protocol) -> None:
        self._protocol = protocol
        self._known: dict[tuple[str, str | None], Days] = {}

    def of(self, variable: str, tank: Tank) -> Days:
        cohort = tank.block if self._protocol.schedule.starts else None
        if (variable, cohort) not in self._known:
            days = self._protocol.due_days(variable, tank.id)
            self._known[variable, cohort] = np.array(days, dtype="datetime64[D]")
        return self._known[variable, cohort]


def _days_read(readings: pd.DataFrame) -> dict[str, Days]:
    """By tank, the days with a reading, each once."""
    if readings.empty:
        return {}
    code, tanks = pd.factorize(readings["tank"], sort=False)
    day = readings["taken_at"].to_numpy().astype("datetime64[D]").astype(np.int64)
    pairs = np.unique(np.stack([code, day]), axis=1)
    edges = np.flatnonzero(np.r_[True, pairs[0, 1:] != pairs[0, :-1], True])
    return {str(tanks[pairs[0, a]]): pairs[1, a:b].astype("datetime64[D]") for a, b in pairwise(edges)}


def _row(tank: Tank, variable: str, due: Days, taken: Days, today: np.datetime64, every: int) -> DueRow:
    on_day = np.isin(due, taken)
    astray = taken[~np.isin(taken, due)]
    covered = on_day.copy()
    counted = nearest_due(due, astray, every)
    covered[counted[counted >= 0]] = True
    past = due < today
    open_days = ~covered
    can_be = (today - due).astype(int) * 2 <= every
    ahead = due[open_days & (due >= today)]
    so_far = due <= today
    off_day = int((covered & ~on_day & so_far).sum())
    return DueRow(
        site=tank.site,
        tank=tank.id,
        variable=variable,
        due=int(so_far.sum()),
        on_day=int((on_day & so_far).sum()),
        off_day=off_day,
        due_today=bool((open_days & (due == today)).any()),
        late=_dates(due[past & open_days & can_be]),
        missing=_dates(due[past & open_days & ~can_be]),
        further=len(astray) - int((covered & ~on_day).sum()),
        next_due=_dates(ahead[:1])[0] if len(ahead) else None,
        last_reading=_dates(taken[-1:])[0] if len(taken) else None,
    )


def nearest_due(due: Days, days: Days, every: int) -> NDArray[np.int64]:
    """For each day, the place of the due day that it counts for; -1 where it lies more than half an interval off.

    Parameters
    ----------
    due : array of datetime64[D]
        Ascending.
    days : array of datetime64[D]
    every : int
        Days of an interval.
    """
    if not len(due):
        return np.full(len(days), -1)
    after = np.searchsorted(due, days).clip(0, len(due) - 1)
    before = (after - 1).clip(0)
    nearer_before = np.abs(days - due[before]) <= np.abs(due[after] - days)
    place = np.where(nearer_before, before, after)
    return np.where(np.abs(days - due[place]).astype(int) * 2 <= every, place, -1)


def _dates(days: Days) -> tuple[dt.date, ...]:
    return tuple(days.astype("datetime64[D]").tolist())


def sampling_days(
    protocol: Protocol,
    left: Mapping[str, dt.date],
    *,
    first: dt.date = dt.date.min,
    last: dt.date = dt.date.max,
) -> tuple[SamplingDay, ...]:
    """Every sampling day of every site from ``first`` to ``last``; tanks that left are not on it from that day on."""
    due = _DueDays(protocol)
    found: dict[tuple[dt.date, str], dict[str, list[str]]] = {}
    for sampling in protocol.schedule.sampling:
        for tank in protocol.tanks:
            days = due.of(sampling.variable, tank)
            days = days[(days >= np.datetime64(first)) & (days <= np.datetime64(last))]
            if tank.id in left:
                days = days[days < np.datetime64(left[tank.id])]
            for day in _dates(days):
                of_day = found.setdefault((day, tank.site or ""), {})
                of_day.setdefault(sampling.variable, []).append(tank.id)
    return tuple(
        SamplingDay(day, site or None, {name: tuple(tanks) for name, tanks in of_day.items()})
        for (day, site), of_day in sorted(found.items(), key=lambda item: item[0])
    )


def coming_days(watched: Watched, rows: Iterable[DueRow], ahead: int) -> tuple[SamplingDay, ...]:
    """The sampling days from today to ``ahead`` days on, without what is in already."""
    open_from = {(row.tank, row.variable): row.next_due for row in rows}
    last = watched.today + dt.timedelta(days=ahead)
    found = []
    for one in sampling_days(watched.protocol, watched.left, first=watched.today, last=last):
        tanks = {
            variable: kept
            for variable, names in one.tanks.items()
            if (
                kept := tuple(
                    n for n in names if (first := open_from.get((n, variable))) and first <= one.day
                )
            )
        }
        if tanks:
            found.append(SamplingDay(one.day, one.site, tanks))
    return tuple(found)


def due_findings(watched: Watched, rows: Iterable[DueRow]) -> Iterator[Finding]:
    """Sites and tanks that went silent, what is late by day, and how much is missing, site by site."""
    by_site: dict[str | None, list[DueRow]] = {}
    for row in rows:
        by_site.setdefault(row.site, []).append(row)
    for site, own in by_site.items():
        quiet = _silent_since(own)
        if quiet is not None:
            yield _silent_site(site, own, quiet)
            continue
        silent = list(_silent_tanks(watched, site, own))
        yield from silent
        told = {one.tank for one in silent}
        yield from _late(watched, site, [row for row in own if row.tank not in told])
        yield from _missing(site, own)


def _silent_since(rows: list[DueRow]) -> dt.date | None:
    """The first of the sampling days since the last reading, where those are too many; None where they are not."""
    last = max((row.last_reading for row in rows if row.last_reading), default=dt.date.min)
    empty = sorted({day for row in rows for day in (*row.late, *row.missing) if day > last})
    return empty[0] if len(empty) >= SILENT_DAYS else None


def _silent_site(site: str | None, rows: list[DueRow], since: dt.date) -> Finding:
    last = max((row.last_reading for row in rows if row.last_reading), default=None)
    days = len({day for row in rows for day in (*row.late, *row.missing) if last is None or day > last})
    heard = f"since the readings of {day_words(last)}" if last else "so far"
    readings = sum(len(row.late) + len(row.missing) for row in rows)
    where = "the tanks that name no site" if site is None else "this site"
    return Finding(
        Kind.SILENT,
        Severity.SOON,
        f"Nothing is in from {where} {heard}: {count(days, 'sampling day')} passed, and {count(readings, 'due reading')} of "
        "the trial are not in.",
        "Say how the animals are, and whether the tanks go on. Send what was measured: it can still be taken in.",
        'Record a tank that was given up: fairtank amend --tank TANK --dropout "how" --from DATE --why ... --by ...',
        site=site,
        since=since,
    )


def _silent_tanks(watched: Watched, site: str | None, rows: list[DueRow]) -> Iterator[Finding]:
    by_tank: dict[str, list[DueRow]] = {}
    for row in rows:
        by_tank.setdefault(row.tank, []).append(row)
    for tank, own in by_tank.items():
        since = _silent_since(own)
        if since is not None and not (tank in watched.left and watched.left[tank] <= watched.today):
            last = max((row.last_reading for row in own if row.last_reading), default=None)
            heard = f"since {day_words(last)}" if last else "so far"
            yield Finding(
                Kind.SILENT,
                Severity.SOON,
                f"Tank {tank}: no reading is in {heard}, while other tanks of its site have some.",
                "Measure it, send what was measured, or say why not.",
                f'If it left the trial: fairtank amend --tank {tank} --dropout "how" --from DATE --why ... --by ...',
                site=site,
                tank=tank,
                since=since,
            )


def _late(watched: Watched, site: str | None, rows: list[DueRow]) -> Iterator[Finding]:
    by_day: dict[dt.date, dict[str, list[str]]] = {}
    for row in rows:
        for day in row.late:
            by_day.setdefault(day, {}).setdefault(row.variable, []).append(row.tank)
    for day, variables in sorted(by_day.items()):
        ago = (watched.today - day).days
        yield Finding(
            Kind.LATE,
            Severity.SOON,
            f"Due on {day_words(day)}, {count(ago, 'day')} ago, and not in: {variables_in_words(variables)}.",
            "Measure today what was not measured (it counts for that day, as off its due day); send what was.",
            site=site,
            since=day,
        )


def _missing(site: str | None, rows: list[DueRow]) -> Iterator[Finding]:
    lost: dict[str, int] = {}
    for row in rows:
        if row.missing:
            lost[row.variable] = lost.get(row.variable, 0) + len(row.missing)
    if lost:
        total = sum(lost.values())
        each = ", ".join(f"{variable} {number}" for variable, number in lost.items())
        yield Finding(
            Kind.MISSING,
            Severity.INFORMATION,
            f"{total:,} of {count(sum(row.due for row in rows), 'reading')} due so far "
            f"{'is' if total == 1 else 'are'} missing ({each}): too late to make good, unless they were taken and not sent.",
            site=site,
            since=min(day for row in rows for day in row.missing),
        )


def variables_in_words(tanks: Mapping[str, Iterable[str]]) -> str:
    """What is to be measured where: ``nitrate and phosphate of a, b and c; nitrite of a``."""
    together: dict[tuple[str, ...], list[str]] = {}
    for variable, names in tanks.items():
        together.setdefault(tuple(names), []).append(variable)
    return "; ".join(
        f"{listed(variables, 'and')} of {tanks_in_words(names)}" for names, variables in together.items()
    )


def tanks_in_words(names: tuple[str, ...]) -> str:
    """Some tanks by name, or how many they are where they are many."""
    return (
        listed(names, "and")
        if len(names) <= _MOST_NAMED
        else f"{len(names)} tanks ({names[0]} to {names[-1]})"
    )
