"""Readings to one number a tank: the tank is the unit, however often it was measured.

A censored reading is an interval. ``<L`` lies between the variable's lowest possible value and L and enters
the estimate at the middle of the two; ``>U`` lies between U and the highest possible value and enters at U. A
reading off a card lies between the middles of the gaps to the steps beside it and enters as it was read.
Beside every number stand the lowest and the highest that the intervals allow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.records import ReadingCount, TankNumber
from schemas.protocol import BASELINE_PHASE
from schemas.units import to_canonical
from schemas.vocabulary import Baseline, Scale, Sign, Summary

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from schemas.allocation import Allocation, Assignment
    from schemas.protocol import Endpoint, Kit, Protocol
    from schemas.variables import Variable

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Series:
    """A tank's sampling days in one phase; each array has one element a day, in order of time.

    ``days`` are counted from the first day of the phase; ``low``, ``mid`` and ``high`` bound the day's mean.
    """

    days: Floats
    low: Floats
    mid: Floats
    high: Floats
    readings: int
    censored: int


@dataclass(frozen=True)
class Bounded:
    """A number with the lowest and highest value that censored readings allow."""

    value: float
    lowest: float
    highest: float

    def __sub__(self, other: Bounded) -> Bounded:
        return Bounded(self.value - other.value, self.lowest - other.highest, self.highest - other.lowest)

    def times(self, factor: float) -> Bounded:
        """The number times a factor of zero or more."""
        return Bounded(self.value * factor, self.lowest * factor, self.highest * factor)

    def log(self) -> Bounded | None:
        """The natural logarithm; None when the number is not above 0, minus infinity for a lowest of 0."""
        if self.value <= 0:
            return None
        lowest = math.log(self.lowest) if self.lowest > 0 else -math.inf
        return Bounded(math.log(self.value), lowest, math.log(self.highest))


def with_bounds(readings: pd.DataFrame, variable: Variable, kits: tuple[Kit, ...] = ()) -> pd.DataFrame:
    """Readings of one variable with the columns ``low``, ``mid`` and ``high`` added (see the module).

    ``kits`` are those of the protocol; only kits with steps, named by a reading, make its value an interval. Readings that
    bring all three columns along, as corrected ones do, keep them.
    """
    if {"low", "mid", "high"} <= set(readings.columns):
        return readings
    value = readings["value"].to_numpy(dtype=float)
    sign = readings["sign"].to_numpy(dtype=object)
    below, above = sign == Sign.BELOW.value, sign == Sign.ABOVE.value
    floor = 0.0 if variable.zero_is_censored else variable.hard[0]
    low = np.where(below, floor, value)
    high = np.where(above, max(variable.hard[1], value.max(initial=variable.hard[1])), value)
    mid = np.where(below, (low + value) / 2, value)
    for kit in kits:
        if kit.steps and kit.variable == variable.id and "kit" in readings:
            read = (readings["kit"].to_numpy(dtype=object) == kit.id) & ~below & ~above
            low[read], high[read] = _between_steps(kit, variable, value[read])
    return readings.assign(low=low, mid=mid, high=high)


def _between_steps(kit: Kit, variable: Variable, value: Floats) -> tuple[Floats, Floats]:
    """Where values off a card may lie: half way to the next step on either side.

    Values that are no step of the card stay as they are; below the lowest step the variable's lowest possible
    value bounds, above the highest its highest.
    """
    unit = kit.unit or variable.unit
    steps = np.array([to_canonical(step, unit, variable) for step in kit.steps or ()])
    middles = (steps[1:] + steps[:-1]) / 2
    floor = 0.0 if variable.zero_is_censored else variable.hard[0]
    edges = np.concatenate([[floor], middles, [variable.hard[1]]])
    at = np.abs(value[:, None] - steps).argmin(axis=1)
    on_card = np.isclose(value, steps[at], rtol=1e-5)
    return np.where(on_card, edges[at], value), np.where(on_card, edges[at + 1], value)


def tank_numbers(
    protocol: Protocol,
    endpoint: Endpoint,
    allocation: Allocation,
    readings: pd.DataFrame,
    variable: Variable,
) -> list[TankNumber]:
    """One :class:`TankNumber` for each allocated tank, in the order of the allocation.

    Parameters
    ----------
    readings : DataFrame
        Accepted readings of all variables; one row a reading.

    Returns
    -------
    list of TankNumber
        Tanks without a number are in it, with the reason.
    """
    own = with_bounds(readings[readings["variable"] == endpoint.variable], variable, protocol.kits)
    periods = range(1, protocol.n_periods + 1)
    series = {period: phase_series(own, protocol, endpoint.phase, period) for period in periods}
    used = endpoint.baseline is not Baseline.NONE
    before = {p: phase_series(own, protocol, BASELINE_PHASE, p) if used else {} for p in periods}
    return [
        tank_number(
            endpoint, a, series[a.period or 1].get(a.tank), before[a.period or 1].get(a.tank), days_due=due
        )
        for a, due in zip(allocation.assignments, _days_due(protocol, endpoint, allocation), strict=True)
    ]


def phase_series(
    readings: pd.DataFrame, protocol: Protocol, phase: str, period: int = 1
) -> dict[str, Series]:
    """Each tank's sampling days in a phase of a period; duplicates of a day are averaged first."""
    first, mine = inside(readings, protocol, phase, period)
    if not mine.any():
        return {}
    kept = readings[mine]
    kept = kept.assign(
        day=(kept["taken_at"].dt.normalize() - first[mine]).dt.days,
        censored=(kept["low"] < kept["high"]).astype(int),
    )
    daily = kept.groupby(["tank", "day"], sort=True)
    # The mean of a single reading is taken as it stands: dividing a sum would cost its last digit.
    bounds = daily[["low", "mid", "high"]]
    means = bounds.mean() if len(daily) < len(kept) else bounds.first()
    counts = daily["censored"].agg(["size", "sum"])
    tanks = means.index.get_level_values("tank").to_numpy()
    days = means.index.get_level_values("day").to_numpy(dtype=float)
    low, mid, high = (means[name].to_numpy() for name in ("low", "mid", "high"))
    size, censored = counts["size"].to_numpy(), counts["sum"].to_numpy()
    edges = np.flatnonzero(np.r_[True, tanks[1:] != tanks[:-1], True])
    return {
        str(tanks[a]): Series(
            days[a:b], low[a:b], mid[a:b], high[a:b], int(size[a:b].sum()), int(censored[a:b].sum())
        )
        for a, b in pairwise(edges)
    }


def inside(
    readings: pd.DataFrame, protocol: Protocol, phase: str, period: int
) -> tuple[pd.Series, NDArray[np.bool_]]:
    """The first day of the phase for the tank of each reading, and whether the reading lies in the phase."""
    start = pd.Timestamp(protocol.phase_days[phase][0])
    length = pd.Timestamp(protocol.phase_days[phase][1]) - start
    tanks = readings["tank"].unique()
    firsts = {tank: pd.Timestamp(protocol.windows(phase, tank)[period - 1][0]) for tank in tanks}
    first = readings["tank"].map(firsts).astype("datetime64[us]")
    inside = (readings["taken_at"] >= first) & (readings["taken_at"] < first + length)
    return first, inside.to_numpy(dtype=bool)


def _days_due(protocol: Protocol, endpoint: Endpoint, allocation: Allocation) -> list[int]:
    """Sampling days due in the endpoint's phase, one number an assignment: the same for tanks of a cohort."""
    known: dict[tuple[str | None, int], int] = {}
    due = []
    for a in allocation.assignments:
        key = (a.block if protocol.schedule.starts else None, a.period or 1)
        if key not in known:
            first, after = protocol.windows(endpoint.phase, a.tank)[key[1] - 1]
            known[key] = sum(first <= day < after for day in protocol.due_days(endpoint.variable, a.tank))
        due.append(known[key])
    return due


def summarise(series: Series, summary: Summary) -> Bounded | None:
    """The summary of a tank's sampling days; None where there are too few days for it.

    ``change`` is the last day minus the first; ``slope`` the least-squares slope per day; ``auc`` the area
    under the line through the days by the trapezoid rule, in unit times day. The last three need two days.
    """
    if summary is Summary.MEDIAN:
        return Bounded(
            float(np.median(series.mid)), float(np.median(series.low)), float(np.median(series.high))
        )
    weights = _weights(series.days, summary)
    if weights is None:
        return None
    up = weights >= 0
    return Bounded(
        float(weights @ series.mid),
        float(weights @ np.where(up, series.low, series.high)),
        float(weights @ np.where(up, series.high, series.low)),
    )


def count_readings(protocol: Protocol, readings: pd.DataFrame) -> ReadingCount:
    """Where all accepted readings went: by phase, after the end, off their due day, duplicates, censored."""
    days = readings["taken_at"].dt.normalize()
    periods = range(1, protocol.n_periods + 1)
    by_phase = {
        phase: sum(int(inside(readings, protocol, phase, period)[1].sum()) for period in periods)
        for phase in protocol.phase_days
    }
    off = 0
    cohort = {tank.id: tank.block if protocol.schedule.starts else "" for tank in protocol.tanks}
    for (variable, _), rows in readings.groupby(["variable", readings["tank"].map(cohort)], dropna=False):
        due = protocol.due_days(str(variable), str(rows["tank"].iloc[0]))
        off += int((~days[rows.index].isin(pd.to_datetime(due))).sum()) if due else 0
    after = int((days > pd.Timestamp(protocol.last_day)).sum())
    kept = readings.assign(day=days).groupby(["tank", "variable", "day"]).size()
    return ReadingCount(
        total=len(readings),
        by_phase=by_phase,
        between=len(readings) - sum(by_phase.values()) - after,
        after_the_end=after,
        off_due_day=off,
        duplicates=int(len(readings) - len(kept)),
        censored=int((readings["sign"] != "").sum()),
        first_day=days.min().date() if len(readings) else None,
        last_day=days.max().date() if len(readings) else None,
    )


def _weights(days: Floats, summary: Summary) -> Floats | None:
    """Weights of the days in a linear summary."""
    n = len(days)
    weights = np.zeros(n)
    if summary is Summary.MEAN:
        return np.full(n, 1 / n)
    if summary is Summary.LAST:
        weights[-1] = 1
        return weights
    if n < 2:
        return None
    if summary is Summary.CHANGE:
        weights[0], weights[-1] = -1, 1
    elif summary is Summary.SLOPE:
        centred = days - days.mean()
        weights = centred / (centred @ centred)
    else:  # the area: each gap counts half to the day on either side
        gaps = np.diff(days)
        weights[:-1] += gaps / 2
        weights[1:] += gaps / 2
    return weights


_BASELINE_SUMMARY = {Summary.MEDIAN: Summary.MEDIAN, Summary.SLOPE: Summary.SLOPE}
"""The baseline is the mean of its days, but for a median the median and for a slope the slope."""


def tank_number(
    endpoint: Endpoint, who: Assignment, series: Series | None, baseline: Series | None, *, days_due: int
) -> TankNumber:
    """The number of one tank (in one period) from its sampling days of the phase and of the baseline."""
    value = summarise(series, endpoint.summary) if series else None
    before = None
    if baseline:
        before = summarise(baseline, _BASELINE_SUMMARY.get(endpoint.summary, Summary.MEAN))
    y, why = _analysed(endpoint, series, value, before)
    used = [s for s in (series, baseline) if s]
    return TankNumber(
        tank=who.tank,
        arm=who.arm,
        block=who.block,
        site=who.site,
        period=who.period,
        value=value.value if value else None,
        lowest=value.lowest if value else None,
        highest=value.highest if value else None,
        baseline=before.value if before else None,
        baseline_lowest=before.lowest if before else None,
        baseline_highest=before.highest if before else None,
        y=y.value if y else None,
        y_lowest=y.lowest if y else None,
        y_highest=y.highest if y else None,
        days=len(series.days) if series else 0,
        days_due=days_due,
        readings=sum(s.readings for s in used),
        censored=sum(s.censored for s in used),
        why_missing=why,
    )


def _analysed(
    endpoint: Endpoint, series: Series | None, value: Bounded | None, before: Bounded | None
) -> tuple[Bounded | None, str]:
    """The number that is analysed, or why there is none."""
    if series is None:
        return None, f"no {endpoint.variable} reading in the {endpoint.phase} phase"
    if value is None:
        return None, f"one sampling day in the {endpoint.phase} phase, {endpoint.summary} needs two"
    if endpoint.baseline is not Baseline.NONE and before is None:
        needed = " on two days" if endpoint.summary is Summary.SLOPE else ""
        return None, f"no {endpoint.variable} reading in the baseline phase{needed}"
    logs = endpoint.scale is Scale.RATIO
    y = value.log() if logs else value
    x = before.log() if logs and before else before
    if y is None or (before is not None and x is None):
        return None, "a number of 0 or below has no ratio"
    if endpoint.baseline is Baseline.CHANGE and x is not None:
        if endpoint.summary is Summary.AUC and not logs:
            x = x.times(float(series.days[-1] - series.days[0]))
        y = y - x
    return y, ""
