"""Days until a tank met its target and held it, and what a tank's days come to when some never did.

A tank meets the target on the first of ``held`` sampling days in a row whose readings leave no doubt that it is
met. Between two sampling days nobody looked: the time lies after the last day before and not after that day, and
a reading such as ``<10`` against a target of 5 widens the interval. A tank that never held the target is censored
at the last sampling day on which no run had begun: a run too short at the end may or may not have held.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.kaplan_meier import Curve, curve

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analysis.summaries import Series

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class TargetTime:
    """When one tank met its target, in days from the start of the phase.

    Parameters
    ----------
    day : float
        First sampling day of the run that held, or the day at which the tank is censored.
    reached : bool
        False where the tank is censored.
    after, by : float
        The true time lies in (after, by]; ``by`` is infinite where the target may never have been met. A tank
        at its target on its first sampling day has ``after`` 0, the start of the phase.
    last : float
        Last sampling day.
    """

    day: float
    reached: bool
    after: float
    by: float
    last: float


@dataclass(frozen=True)
class RestrictedTimes:
    """Each tank's days to target up to a horizon, ready for any comparison of tanks.

    ``pseudo`` counts tanks censored before the horizon. Where it is 0, ``values`` are min(day, horizon) and a
    randomisation test of them is exact; else they are pseudo-values, which depend on the allocation.
    """

    values: Floats
    horizon: float
    pseudo: int


def target_time(series: Series, target: float, *, held: int, downwards: bool) -> TargetTime:
    """When a tank met its target.

    Parameters
    ----------
    series : Series
        The tank's sampling days, with the lowest and highest value of each.
    target : float
        In the variable's unit; a reading at the target meets it.
    held : int
        Sampling days in a row, the first one included, on which the target must be met.
    downwards : bool
        True where the target is met from above (at or below it), False from below.
    """
    sure = series.high <= target if downwards else series.low >= target
    possible = series.low <= target if downwards else series.high >= target
    days = series.days
    last = float(days[-1])
    begun = _first_run(sure, held, open_end=False)
    could_begin = _first_run(possible, held, open_end=True)
    after = last if could_begin is None else _day_before(days, could_begin)
    if begun is not None:
        return TargetTime(float(days[begun]), reached=True, after=after, by=float(days[begun]), last=last)
    pending = _first_run(sure, held, open_end=True)
    day = last if pending is None else _day_before(days, pending)
    return TargetTime(day, reached=False, after=after, by=float("inf"), last=last)


def day_curves(times: Sequence[TargetTime]) -> tuple[Curve, Curve]:
    """Product-limit curves of the share not yet at target: as observed, and the earliest the days allow.

    As observed, a tank counts from the sampling day that showed it there; at the earliest, from the last day on
    which it surely was not, and a run too short at the end is taken to have held.
    """
    reached = np.array([time.reached for time in times])
    could = np.array([time.after < time.last for time in times])
    observed = curve(np.array([time.day for time in times]), reached)
    return observed, curve(np.array([time.after for time in times]), reached | could)


def common_horizon(day: Floats, reached: Flags, arm: Ints) -> float:
    """The latest day up to which every arm's curve is known.

    An arm whose last tank reached its target is known for ever; else to its last day of follow-up.
    """
    known = []
    for code in np.unique(arm):
        mine = arm == code
        last = float(day[mine].max())
        known.append(last if (~reached[mine & (day == last)]).any() else np.inf)
    shortest = min(known)
    return float(day.max()) if np.isinf(shortest) else shortest


def restricted_times(day: Floats, reached: Flags, arm: Ints, horizon: float) -> RestrictedTimes:
    """Days to target up to a horizon, one a tank.

    Without censoring before the horizon they are min(day, horizon). Else every tank has its pseudo-value: n times
    the area under its arm's product-limit curve minus (n - 1) times the area without it (Andersen, Hansen and
    Klein 2004, Lifetime Data Analysis 10:335), by arm since arms may be followed differently. Their mean over an
    arm is the restricted mean, and they are compared like any other number a tank.
    """
    censored = ~reached & (day < horizon)
    if not censored.any():
        return RestrictedTimes(np.minimum(day, horizon), horizon, 0)
    values = np.empty(len(day))
    for code in np.unique(arm):
        mine = np.flatnonzero(arm == code)
        whole = len(mine) * curve(day[mine], reached[mine]).area(horizon)
        for tank in mine:
            others = mine[mine != tank]
            values[tank] = whole - len(others) * curve(day[others], reached[others]).area(horizon)
    return RestrictedTimes(values, horizon, int(censored.sum()))


def _first_run(met: Flags, held: int, *, open_end: bool) -> int | None:
    """Index that begins the first run of ``held``; ``open_end`` also takes a shorter one at the end."""
    run = 0
    for index, value in enumerate(met):
        run = run + 1 if value else 0
        if run == held:
            return index - held + 1
    return len(met) - run if open_end and run else None


def _day_before(days: Floats, index: int) -> float:
    return float(days[index - 1]) if index else 0.0
