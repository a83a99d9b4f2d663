"""Each tank and period as far as it was followed: its arm as given, its days, its events and its days of readings.

A tank is followed from the first day of a period to its end, to the day on which it left the trial, or to the last
day of which anything at all is known, whichever comes first.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType
from typing import TYPE_CHECKING

import pandas as pd

from analysis.watch.day_values import NOTHING, day_values, repeatability_limit
from analysis.watch.watched import WASHOUT_PHASE
from schemas.events import empty_events
from schemas.protocol import BASELINE_PHASE
from schemas.variables import variables_for

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

    from analysis.watch.day_values import DayValues
    from schemas.allocation import Allocation, Assignment
    from schemas.events import EventKind
    from schemas.protocol import Arm, Protocol

_DAY = dt.timedelta(days=1)


@dataclass(frozen=True)
class Happened:
    """What the analysis is told of the tanks beside their readings.

    Parameters
    ----------
    events : DataFrame
        Husbandry events: ``tank``, ``at``, ``kind``, ``amount``, ``unit``; withdrawn ones left out, corrected ones as they
        are now.
    left : mapping of str to date
        Tanks that left the trial, each with its first day out of it.
    treated_as : mapping of str to str
        Arm by tank, of tanks that a deviation says were in fact treated as another arm.
    hidden : bool
        Whether arms are letters, so that nothing may be said of what they were given.
    """

    events: pd.DataFrame = field(default_factory=empty_events)
    left: Mapping[str, dt.date] = field(default_factory=lambda: MappingProxyType({}))
    treated_as: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    hidden: bool = False


@dataclass(frozen=True)
class Window:
    """Days of one tank from ``first`` to before ``after``."""

    first: dt.date
    after: dt.date

    @property
    def days(self) -> int:
        """Its length; 0 where it ends before it begins."""
        return max((self.after - self.first).days, 0)

    def up_to(self, after: dt.date) -> Window:
        """The same, ended before that day where it would go on."""
        return Window(self.first, min(self.after, after))

    def holds(self, at: pd.Series[pd.Timestamp]) -> NDArray[np.bool_]:
        """Which moments lie in it."""
        inside = (at >= pd.Timestamp(self.first)) & (at < pd.Timestamp(self.after))
        return inside.to_numpy(dtype=bool)


@dataclass(frozen=True)
class Followed:
    """One tank in one period.

    Parameters
    ----------
    tank : str
    period : int
        From 1; 1 where there are none.
    litres : float or None
        Of the tank.
    arm : Arm
        The one that the tank was treated as.
    all_days, dosed : Window
        The period, and its days from the end of the baseline to the washout.
    after : date
        The first day on which it was followed no longer.
    phases : mapping of str to Window
    events : DataFrame
        Its events of the period, in order of time, after it left as well.
    days : mapping of str to DayValues
        Its days of readings of the period, by variable.
    """

    tank: str
    period: int
    litres: float | None
    arm: Arm
    all_days: Window
    dosed: Window
    after: dt.date
    phases: Mapping[str, Window]
    events: pd.DataFrame
    days: Mapping[str, DayValues]

    def of(self, kind: EventKind, window: Window) -> pd.DataFrame:
        """Its events of a kind in a window."""
        mine = (self.events["kind"] == kind.value).to_numpy(dtype=bool)
        return self.events[mine & window.holds(self.events["at"])]

    def read(self, variable: str, window: Window | None = None) -> DayValues:
        """Its days of a variable, in a window."""
        days = self.days.get(variable, NOTHING)
        return days.between(window.first, window.after) if window else days

    def seen_in(self, window: Window) -> bool:
        """Whether there is any reading or event of it."""
        return bool(window.holds(self.events["at"]).any()) or any(
            len(days.between(window.first, window.after)) for days in self.days.values()
        )


@dataclass(frozen=True)
class Story:
    """A trial's readings and events, tank by tank.

    Parameters
    ----------
    readings : DataFrame
        Accepted readings; where they have ``low``, ``mid`` and ``high``, these bound them.
    """

    protocol: Protocol
    allocation: Allocation
    readings: pd.DataFrame
    happened: Happened

    @cached_property
    def known_until(self) -> dt.date:
        """The day after the last of which anything is known."""
        last = [
            frame[at].max()
            for frame, at in ((self.readings, "taken_at"), (self.happened.events, "at"))
            if len(frame)
        ]
        return max(last).date() + _DAY if last else self.protocol.schedule.start

    @cached_property
    def tanks(self) -> dict[tuple[str, int], Followed]:
        """Every allocated tank by its id and period."""
        return {(a.tank, a.period or 1): self._followed(a) for a in self.allocation.assignments}

    @cached_property
    def repeatability(self) -> float | None:
        """The repeatability limit of nitrate, as a share of it; None where duplicates are too few."""
        rows = self.readings[self.readings["variable"] == "nitrate"]
        return repeatability_limit(rows, relative=True) if len(rows) else None

    @cached_property
    def _days(self) -> dict[str, dict[str, DayValues]]:
        known = variables_for(self.protocol)
        return {
            str(name): day_values(rows, known[str(name)], self.protocol.kits)
            for name, rows in self.readings.groupby("variable", sort=False)
        }

    @cached_property
    def _events(self) -> dict[str, pd.DataFrame]:
        ordered = self.happened.events.sort_values("at", kind="stable")
        return {str(tank): rows for tank, rows in ordered.groupby("tank", sort=False)}

    def _followed(self, a: Assignment) -> Followed:
        protocol, period = self.protocol, a.period or 1
        whole = Window(*protocol.periods(a.tank)[period - 1])
        phases = {name: Window(*protocol.windows(name, a.tank)[period - 1]) for name in protocol.phase_days}
        first = phases[BASELINE_PHASE].after if BASELINE_PHASE in phases else whole.first
        after = phases[WASHOUT_PHASE].first if WASHOUT_PHASE in phases else whole.after
        events = self._events.get(a.tank, self.happened.events.iloc[:0])
        treated = self.happened.treated_as.get(a.tank, a.arm) if protocol.n_periods == 1 else a.arm
        return Followed(
            tank=a.tank,
            period=period,
            litres=next(tank.volume_L for tank in protocol.tanks if tank.id == a.tank),
            arm=protocol.arm(treated),
            all_days=whole,
            dosed=Window(first, after),
            after=min(whole.after, self.happened.left.get(a.tank, whole.after), self.known_until),
            phases=phases,
            events=events[whole.holds(events["at"])],
            days={
                name: tanks[a.tank].between(whole.first, whole.after)
                for name, tanks in self._days.items()
                if a.tank in tanks
            },
        )
