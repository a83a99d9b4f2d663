"""Derived variables: one number a tank and phase, worked out of events and readings, with why there is none.

The numbers go the way of any endpoint's: :func:`derived_numbers` stands where summaries of readings do. Rates are over
the days on which the tank was followed in the phase; counts carry these days as their exposure.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.carbon_by_day import carbon_in
from analysis.followed import Window
from analysis.removal import removed_in, slope_in
from analysis.summaries import Series, tank_number
from analysis.watch.stalls import stalls
from schemas.events import EVENTS, EventKind
from schemas.protocol import BASELINE_PHASE
from schemas.variables import variables_for
from schemas.vocabulary import Baseline, Summary

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from analysis.followed import Followed, Story
    from analysis.records import TankNumber
    from schemas.derived_variables import DerivedVariable
    from schemas.protocol import Endpoint

HIDDEN = "what arms were given is not shown while arms are letters"


@dataclass(frozen=True)
class Worked:
    """A derived variable of a tank in a window; ``value`` is None where there is none, and ``why_not`` says why.

    ``days`` are those that it is over, ``readings`` and ``censored`` the days of readings that it rests on.
    """

    value: float | None = None
    lowest: float | None = None
    highest: float | None = None
    days: int = 0
    readings: int = 0
    censored: int = 0
    why_not: str = ""

    def series(self) -> Series | None:
        """As a phase with one sampling day."""
        if self.value is None:
            return None
        low = self.value if self.lowest is None else self.lowest
        high = self.value if self.highest is None else self.highest
        bounds = (np.array([number]) for number in (low, self.value, high))
        return Series(np.zeros(1), next(bounds), next(bounds), next(bounds), self.readings, self.censored)


def derived_numbers(story: Story, endpoint: Endpoint, variable: DerivedVariable) -> list[TankNumber]:
    """One number for each allocated tank, in the order of the allocation, as summaries of readings have it."""
    used = endpoint.baseline is not Baseline.NONE
    numbers = []
    for a in story.allocation.assignments:
        tank = story.tanks[a.tank, a.period or 1]
        now = worked_out(story, tank, tank.phases[endpoint.phase], variable)
        before = worked_out(story, tank, tank.phases[BASELINE_PHASE], variable) if used else Worked()
        found = tank_number(endpoint, a, now.series(), before.series(), days_due=0)
        why = found.why_missing
        if now.value is None:
            why = f"{now.why_not} in the {endpoint.phase} phase"
        elif found.y is None and used and before.value is None:
            why = f"{before.why_not} in the {BASELINE_PHASE} phase"
        counted = now.value is not None and endpoint.summary is Summary.COUNT
        numbers.append(
            replace(found, days=now.days, why_missing=why)
            if not counted
            else replace(  # a count enters as it is, 0 as well, though its rates are compared as a ratio
                found,
                y=now.value,
                y_lowest=now.value,
                y_highest=now.value,
                days=now.days,
                exposure=now.days,
                why_missing="",
            )
        )
    return numbers


def worked_out(story: Story, tank: Followed, window: Window, variable: DerivedVariable) -> Worked:
    """A derived variable of a tank in a window of days, as far as the tank was followed in it."""
    if variable.of_carbon and story.happened.hidden:
        return Worked(why_not=HIDDEN)
    followed = window.up_to(tank.after)
    if variable.summaries == (Summary.COUNT,):
        if not tank.seen_in(window):
            return Worked(why_not="no reading and no event of it")
        return _COUNTS[variable.id](story, tank, window)
    if not followed.days:
        return Worked(why_not="it was not followed")
    return _told(_RATES[variable.id](tank, followed if not variable.reads else window))


def _told(found: Worked) -> Worked:
    """With numbers of twelve digits: the last bits of a sum of many amounts are no difference between tanks."""
    value, lowest, highest = (
        None if number is None else float(f"{number:.12g}")
        for number in (found.value, found.lowest, found.highest)
    )
    return replace(found, value=value, lowest=lowest, highest=highest)


def _carbon(tank: Followed, window: Window) -> Worked:
    given = carbon_in(tank, window)
    rate = given.per_litre(tank.litres)
    return Worked(rate, days=given.days, why_not=given.why_not or _NO_VOLUME)


def _fed(tank: Followed, window: Window) -> Worked:
    grams, why_not = _recorded(tank, window, EventKind.FEED)
    return Worked(None if grams is None else grams / window.days, days=window.days, why_not=why_not)


def _changed(tank: Followed, window: Window) -> Worked:
    litres, why_not = _recorded(tank, window, EventKind.WATER_CHANGE)
    share = None if litres is None or not tank.litres else 100 * litres / tank.litres / window.days
    return Worked(share, days=window.days, why_not=why_not or _NO_VOLUME)


def _recorded(tank: Followed, window: Window, kind: EventKind) -> tuple[float | None, str]:
    """The sum of what is recorded; where nothing is, nothing is known: an amount of 0 says that none was given."""
    rows = tank.of(kind, window)
    return (None, f"no {EVENTS[kind].noun} is recorded") if rows.empty else (float(rows["amount"].sum()), "")


def _removed(variable: str) -> Callable[[Followed, Window], Worked]:
    def work(tank: Followed, window: Window) -> Worked:
        found = removed_in(tank, window, variable)
        if found.balance is None or found.readings is None:
            return Worked(why_not=found.why_not)
        return Worked(
            found.per_litre_and_day(found.balance.removed),
            found.per_litre_and_day(found.lowest),
            found.per_litre_and_day(found.highest),
            days=int(found.balance.days),
            readings=len(found.readings),
            censored=int((found.readings.low < found.readings.high).sum()),
        )

    return work


def _per_carbon(variable: str) -> Callable[[Followed, Window], Worked]:
    def work(tank: Followed, window: Window) -> Worked:
        found = removed_in(tank, window, variable)
        if found.window is None:
            return Worked(why_not=found.why_not)
        given = carbon_in(tank, found.window)
        rate = given.per_litre(tank.litres)
        if not rate:
            return Worked(why_not=given.why_not or "no carbon was given")
        removed = _removed(variable)(tank, window)
        value, lowest, highest = (
            None if mg is None else 1000 * mg / rate
            for mg in (removed.value, removed.lowest, removed.highest)
        )
        return replace(removed, value=value, lowest=lowest, highest=highest)

    return work


def _slope(tank: Followed, window: Window) -> Worked:
    slope, days, why_not = slope_in(tank, window)
    return Worked(slope, days=days, readings=2 * days, why_not=why_not)


def _events(kind: EventKind) -> Callable[[Story, Followed, Window], Worked]:
    def work(_: Story, tank: Followed, window: Window) -> Worked:
        rows = tank.of(kind, window)
        happened = len(rows) if kind is EventKind.FAULT else float(rows["amount"].sum())
        last = rows["at"].max().date() if len(rows) else None
        return _count(float(happened), exposed(tank, window, last))

    return work


def _stall_days(story: Story, tank: Followed, window: Window) -> Worked:
    both = tank.read("nitrate", window), tank.read("phosphate", window)
    if not all(map(len, both)):
        return Worked(why_not="no reading of both nitrate and phosphate")
    known = variables_for(story.protocol)
    nitrate, phosphate = (tank.read(name, tank.dosed) for name in ("nitrate", "phosphate"))
    days = 0
    for found in stalls(nitrate, phosphate, (known["nitrate"], known["phosphate"]), story.repeatability):
        days += Window(max(found.first, window.first), min(found.last, window.after)).days
    return _count(float(days), exposed(tank, window, max(one.date(-1) for one in both)))


def _count(value: float, days: int) -> Worked:
    if not days:
        return Worked(why_not="it was not followed")
    return Worked(value, days=days)


def exposed(tank: Followed, window: Window, last: dt.date | None) -> int:
    """Days of a window that a count of a tank is over: until it left, or until the last thing counted, if that is later."""
    after = tank.after if last is None else max(tank.after, last + dt.timedelta(days=1))
    return window.up_to(after).days


_NO_VOLUME = "its volume_L is not in the protocol"
_RATES: Mapping[str, Callable[[Followed, Window], Worked]] = {
    "carbon-given": _carbon,
    "feed-given": _fed,
    "water-changed": _changed,
    "nitrate-removed": _removed("nitrate"),
    "phosphate-removed": _removed("phosphate"),
    "nitrate-per-carbon": _per_carbon("nitrate"),
    "phosphate-per-carbon": _per_carbon("phosphate"),
    "nitrate-per-phosphate": _slope,
}
_COUNTS: Mapping[str, Callable[[Story, Followed, Window], Worked]] = {
    "losses": _events(EventKind.LOSS),
    "faults": _events(EventKind.FAULT),
    "stall-days": _stall_days,
}
