"""Nitrate and phosphate that fall faster than animals can bear, where carbon is given.

Nitrate by more than 5 mg/L, or phosphate to half or less, within seven days: common practice, no source. Tests further
apart are held to the same pace.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import TYPE_CHECKING

from analysis.numerals import count, quantity
from analysis.watch.day_values import dates_in_words, told_apart
from analysis.watch.findings import Finding, Kind, Severity
from schemas.events import EventKind

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analysis.watch.day_values import DayValues
    from analysis.watch.watched import Watched

TooFast = Callable[[float, float, int], bool]
"""Whether a fall from a value to another in so many days is too fast."""

DAYS = 7
NITRATE_FALL = 5.0
"""mg/L in seven days."""
PHOSPHATE_SHARE = 0.5
"""What is left of it after seven days."""
FURTHEST = 14
"""Days between two tests beyond which nothing is said of the pace."""
_TO_DO = (
    "Do not raise the dose; halve it or leave it out until the fall has slowed, and test again within two days. Look at "
    "the corals for pale tissue."
)


def fall_findings(watched: Watched) -> Iterator[Finding]:
    """Every dosed tank in which the last test is too far below an earlier one of the days before."""
    after = watched.today + dt.timedelta(days=1)
    for tank in watched.in_trial:
        since = watched.dosed_since(tank.id)
        if since is None:
            continue
        for variable, too_fast in (("nitrate", _nitrate), ("phosphate", _phosphate)):
            values = watched.days(variable, tank.id).between(since, after)
            found = _finding(watched, tank.id, variable, values, too_fast)
            if found:
                yield found


def _nitrate(before: float, now: float, days: int) -> bool:
    return before - now > NITRATE_FALL * max(1.0, days / DAYS)


def _phosphate(before: float, now: float, days: int) -> bool:
    return before > 0 and now <= before * PHOSPHATE_SHARE ** max(1.0, days / DAYS)


def _finding(
    watched: Watched, tank: str, variable: str, values: DayValues, too_fast: TooFast
) -> Finding | None:
    place = _steepest(values, too_fast)
    if place is None:
        return None
    last = len(values) - 1
    fall = float(values.mid[place] - values.mid[last])
    known = watched.variables[variable]
    before = float(values.mid[place])
    if fall <= told_apart(known, watched.repeatability(variable), before):
        return None  # no more than the kit may be off
    days = _apart(values, place, last)
    sure = too_fast(float(values.low[place]), float(values.high[last]), days)
    rule = (
        f"A fall by more than {quantity(NITRATE_FALL)} {known.unit} in {DAYS} days"
        if variable == "nitrate"
        else f"A fall to half or less in {DAYS} days"
    )
    words = (
        f"Tank {tank}: {variable} fell by {quantity(fall)} {known.unit} in {count(days, 'day')}, "
        f"{quantity(fall / days, 2)} {known.unit} a day: {dates_in_words(values, [place, last], known.unit)}. "
        f"{rule} is too fast for animals (common practice)."
    )
    if not sure:
        words += " The readings are limits or card steps, so it may be less."
    since = values.date(place)
    words += _changed(watched, tank, since, values.date(last))
    done = watched.acted_since(tank, values.date(last))
    severity = Severity.NOW if sure and not done else Severity.SOON
    return Finding(
        Kind.FALL, severity, words + done, _TO_DO, site=watched.site_of[tank], tank=tank, since=since
    )


def _changed(watched: Watched, tank: str, first: dt.date, last: dt.date) -> str:
    """The water changed between two tests, as a sentence; empty where none is recorded."""
    events = watched.events_of(tank)
    days = events["at"].dt.date
    changes = events[(events["kind"] == EventKind.WATER_CHANGE.value) & (days >= first) & (days <= last)]
    litres = float(changes["amount"].sum())
    return f" Water changes of {quantity(litres)} L in these days took part of it." if litres else ""


def _apart(values: DayValues, place: int, last: int) -> int:
    return int((values.day[last] - values.day[place]).astype(int))


def _steepest(values: DayValues, too_fast: TooFast) -> int | None:
    """The test from which the fall to the last one is the steepest of those that are too fast: None without any."""
    last = len(values) - 1
    early = last
    while early > 0 and _apart(values, early - 1, last) <= DAYS:
        early -= 1
    if early == last and last > 0 and _apart(values, last - 1, last) <= FURTHEST:
        early = last - 1
    falls = {
        place: float(values.mid[place] - values.mid[last]) / _apart(values, place, last)
        for place in range(early, last)
        if too_fast(float(values.mid[place]), float(values.mid[last]), _apart(values, place, last))
    }
    return max(falls, key=falls.__getitem__, default=None)
