"""Days of a logger: each day of a sensor in one line, exactly, from all that the logger gave on it.

A sensor is one variable in one tank. A day is the date on the clock that the logger showed. Each value stands for the
time until the next is due: for the logger's own interval.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

VALUE = np.dtype([("sensor", "<i4"), ("at", "<i8"), ("offset", "<i2"), ("value", "<f8")])
"""One value: number of its sensor, microseconds since 1970 on the logger's clock, minutes of that clock ahead of UTC, and
the value in the canonical unit."""

NO_OFFSET = -(2**15)
"""In the place of an offset that is not known."""

LOW, HIGH = 0.05, 0.95
"""The quantiles beside the median."""

_MINUTE = 60_000_000
_DAY = 1440 * _MINUTE


class Bounds(NamedTuple):
    """Lowest and highest value that is usual, or that no stop rule asks about; infinite where there is none."""

    low: float
    high: float


class Day(NamedTuple):
    """One day of a sensor; ``before`` its first value, and at the ``longest`` after one, no value came; in minutes.

    ``length`` is that of the day, in minutes: one on which clocks are changed is longer or shorter than others.
    ``interval`` is the median time between two values that follow each other, in minutes; NaN for a single value.
    ``unusual`` and ``stopped`` count the values outside of the usual bounds and of those of the stop rules.
    """

    sensor: int
    day: np.datetime64
    logged: int
    median: float
    low: float
    high: float
    lowest: float
    highest: float
    unusual: int
    stopped: int
    interval: float
    before: float
    longest: float
    length: float


@dataclass
class Days:
    """The days of a batch of values, and what was not used: the same value of a moment again, or another one of it."""

    days: list[Day] = field(default_factory=list)
    repeated: int = 0
    torn: list[NDArray[np.void]] = field(default_factory=list)


def days_of(values: NDArray[np.void], usual: list[Bounds], stop: list[Bounds]) -> Days:
    """Every day of every sensor, from all its values in any order.

    Parameters
    ----------
    values : structured array
        Of :data:`VALUE`; all values of a day that is in it.
    usual, stop : list of Bounds
        By number of the sensor.

    Returns
    -------
    Days
        In the order of sensor and day. Quantiles are those of numpy's default method (type 7 of Hyndman and Fan,
        The American Statistician 50 (1996) 361).
    """
    found = Days()
    if not len(values):
        return found
    day = values["at"] // _DAY
    key = values["sensor"].astype(np.int64) << 32 | (day + 2**31)
    order = np.argsort(key, kind="stable")
    values, key = values[order], key[order]
    edges = [0, *(np.flatnonzero(np.diff(key)) + 1).tolist(), len(values)]
    for start, end in pairwise(edges):
        _add(found, values[start:end], usual, stop)
    return found


def _add(found: Days, values: NDArray[np.void], usual: list[Bounds], stop: list[Bounds]) -> None:
    """One day of one sensor."""
    elapsed = _elapsed(values)
    steps = np.diff(elapsed)
    if len(steps) and steps.min() <= 0:
        order = np.lexsort((values["value"], values["offset"], elapsed))
        values = _each_once(found, values[order])
        if not len(values):
            return
        elapsed = _elapsed(values)
        steps = np.diff(elapsed)
    sensor, number = int(values["sensor"][0]), values["value"]
    low, median, high = np.quantile(number, (LOW, 0.5, HIGH)).tolist()
    day = int(values["at"][0]) // _DAY
    before, after = int(values["at"][0]) - day * _DAY, (day + 1) * _DAY - int(values["at"][-1])
    found.days.append(
        Day(
            sensor=sensor,
            day=np.datetime64(day, "D"),
            logged=len(number),
            median=median,
            low=low,
            high=high,
            lowest=float(number.min()),
            highest=float(number.max()),
            unusual=_outside(number, usual[sensor]),
            stopped=_outside(number, stop[sensor]),
            interval=float(np.median(steps)) / _MINUTE if len(steps) else np.nan,
            before=before / _MINUTE,
            longest=max(after, int(steps.max(initial=0))) / _MINUTE,
            length=(before + int(steps.sum()) + after) / _MINUTE,
        )
    )


def _elapsed(values: NDArray[np.void]) -> NDArray[np.int64]:
    """Moments that run on when clocks are changed; those of the clock itself where an offset is not known."""
    at, offset = values["at"], values["offset"]
    if (offset == NO_OFFSET).any():
        return np.ascontiguousarray(at)
    return np.asarray(at - offset.astype(np.int64) * _MINUTE)


def _each_once(found: Days, values: NDArray[np.void]) -> NDArray[np.void]:
    """Each moment with its value once; a moment with two values has none that can be believed."""
    same_moment = (np.diff(values["at"]) == 0) & (np.diff(values["offset"]) == 0)
    again = np.zeros(len(values), dtype=bool)
    again[1:] = same_moment & (np.diff(values["value"]) == 0)
    moment = np.cumsum(np.concatenate([[True], ~same_moment]))
    distinct = np.bincount(moment, ~again)
    torn = distinct[moment] > 1
    found.repeated += int((again & ~torn).sum())
    if torn.any():
        found.torn.append(values[torn])
    kept: NDArray[np.void] = values[~again & ~torn]
    return kept


def _outside(number: NDArray[np.float64], bounds: Bounds) -> int:
    return int(((number < bounds.low) | (number > bounds.high)).sum())


def intervals(days: Iterable[Day]) -> dict[int, float]:
    """The logger's own interval of each sensor in minutes: the median over its days; none where no day shows one."""
    seen: dict[int, list[float]] = {}
    for day in days:
        if not np.isnan(day.interval):
            seen.setdefault(day.sensor, []).append(day.interval)
    return {sensor: float(np.median(each)) for sensor, each in seen.items()}
