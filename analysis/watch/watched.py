"""All that is looked at when a trial is watched, as it stood on a day; plain data, nothing is read here."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

from analysis.numerals import day_words, plain
from analysis.watch.day_values import NOTHING, day_values, repeatability_limit
from schemas.protocol import BASELINE_PHASE
from schemas.variables import variables_for

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Mapping

    import pandas as pd

    from analysis.watch.day_values import DayValues
    from schemas.allocation import Allocation
    from schemas.protocol import Arm, Protocol, Tank
    from schemas.variables import Variable

WASHOUT_PHASE = "washout"
_LONGEST = 200


@dataclass(frozen=True)
class Acted:
    """A rescue or a deviation as recorded for a tank: the day it was done and the words."""

    day: dt.date
    what: str


@dataclass(frozen=True)
class Watched:
    """A trial on a day.

    Parameters
    ----------
    protocol : Protocol
        The one in force.
    today : date
    allocation : Allocation or None
        None before the draw.
    readings : DataFrame
        Accepted readings, none of them after today.
    events : DataFrame
        Husbandry events, none of them after today: ``tank``, ``at``, ``kind``, ``amount``, ``unit``, ``note``.
    left : mapping of str to date
        Tanks that left the trial, with the day.
    acted : mapping of str to tuple of Acted
        What was recorded of tanks beside readings and events, in the order of days.
    treated_as : mapping of str to str
        The arm that a tank is in fact treated as, where it is another one.
    planned : mapping of str to float
        By arm, mg of carbon per litre and day at full dose (worn off, of a polymer once colonised).
    names : mapping of str to str
        How an arm is called in sentences: by its title, or by a letter while arms are masked.
    """

    protocol: Protocol
    today: dt.date
    allocation: Allocation | None
    readings: pd.DataFrame
    events: pd.DataFrame
    left: Mapping[str, dt.date] = field(default_factory=dict)
    acted: Mapping[str, tuple[Acted, ...]] = field(default_factory=dict)
    treated_as: Mapping[str, str] = field(default_factory=dict)
    planned: Mapping[str, float] = field(default_factory=dict)
    names: Mapping[str, str] = field(default_factory=dict)

    @cached_property
    def variables(self) -> dict[str, Variable]:
        """All variables that can be read, by id."""
        return variables_for(self.protocol)

    @cached_property
    def site_of(self) -> dict[str, str | None]:
        """The site of each tank."""
        return {tank.id: tank.site for tank in self.protocol.tanks}

    @cached_property
    def in_trial(self) -> tuple[Tank, ...]:
        """The tanks that have not left the trial."""
        return tuple(
            tank
            for tank in self.protocol.tanks
            if not (tank.id in self.left and self.left[tank.id] <= self.today)
        )

    @cached_property
    def _rows_of(self) -> dict[str, pd.DataFrame]:
        return {str(name): rows for name, rows in self.readings.groupby("variable", sort=False)}

    def rows(self, variable: str) -> pd.DataFrame:
        """The readings of a variable."""
        return self._rows_of.get(variable, self.readings.iloc[:0])

    @cached_property
    def _days_of(self) -> dict[str, dict[str, DayValues]]:
        return {}

    def days(self, variable: str, tank: str) -> DayValues:
        """The days of a variable in a tank, worked out once."""
        if variable not in self._days_of:
            known = self.variables[variable]
            self._days_of[variable] = day_values(self.rows(variable), known, self.protocol.kits)
        return self._days_of[variable].get(tank, NOTHING)

    @cached_property
    def _events_of(self) -> dict[str, pd.DataFrame]:
        return {str(tank): rows for tank, rows in self.events.groupby("tank", sort=False)}

    def events_of(self, tank: str) -> pd.DataFrame:
        """The husbandry events of a tank, in order of time."""
        return self._events_of.get(tank, self.events.iloc[:0])

    @cached_property
    def _limit_of(self) -> dict[str, float | None]:
        return {}

    def repeatability(self, variable: str) -> float | None:
        """The repeatability limit of a variable from the trial's own duplicates; None where they are too few.

        A share of the value where the variable is a concentration, else in its unit.
        """
        if variable not in self._limit_of:
            relative = self.variables[variable].zero_is_censored
            self._limit_of[variable] = repeatability_limit(self.rows(variable), relative=relative)
        return self._limit_of[variable]

    def arm(self, tank: str) -> Arm | None:
        """The arm that a tank is in today; None before the draw and between periods."""
        if self.allocation is None:
            return None
        period = self._period(tank)
        if self.protocol.n_periods > 1:
            given = self._arm_of(period).get(tank) if period else None
        else:
            given = self.treated_as.get(tank) or self._arm_of(None).get(tank)
        return self.protocol.arm(given) if given else None

    @cached_property
    def _arms_by_period(self) -> dict[int | None, dict[str, str]]:
        return {}

    def _arm_of(self, period: int | None) -> dict[str, str]:
        if period not in self._arms_by_period and self.allocation is not None:
            self._arms_by_period[period] = self.allocation.arm_of(period)
        return self._arms_by_period[period]

    def _period(self, tank: str) -> int | None:
        return next(
            (
                n
                for n, (first, after) in enumerate(self.protocol.periods(tank), 1)
                if first <= self.today < after
            ),
            None,
        )

    def dosed_since(self, tank: str) -> dt.date | None:
        """The first day on which the tank's arm was to be given carbon, where it still is; None elsewhere.

        Carbon is given from the end of a period's baseline to its washout, or to its end.
        """
        arm, period = self.arm(tank), self._period(tank)
        if arm is None or arm.carbon is None or period is None:
            return None
        first, after = self.protocol.periods(tank)[period - 1]
        phases = self.protocol.phase_days
        if BASELINE_PHASE in phases:
            first = self.protocol.windows(BASELINE_PHASE, tank)[period - 1][1]
        if WASHOUT_PHASE in phases:
            after = self.protocol.windows(WASHOUT_PHASE, tank)[period - 1][0]
        return first if first <= self.today < after else None

    def acted_since(self, tank: str, day: dt.date) -> str:
        """What was recorded of a tank on that day or after it, as a sentence; empty where nothing was."""
        done = [one for one in self.acted.get(tank, ()) if one.day >= day]
        if not done:
            return ""
        words = plain(done[-1].what, _LONGEST).rstrip(".")
        return f" Recorded on {day_words(done[-1].day)}: {words}."

    def name(self, arm: str) -> str:
        """How an arm is called."""
        return plain(self.names.get(arm, arm), _LONGEST)
