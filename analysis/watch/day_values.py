"""What was read of a variable in a tank on each day: between which bounds it lies, and whether they belong to it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.numerals import quantity
from analysis.repeatability import repeatability
from analysis.summaries import with_bounds
from schemas.errors import AnalysisError
from schemas.vocabulary import Sign

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from schemas.protocol import Kit
    from schemas.variables import Variable

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

FEWEST_DUPLICATES = 6
"""Degrees of freedom below which the trial's own duplicates say too little of its kits: our own line, no source."""


@dataclass(frozen=True)
class DayValues:
    """One tank's days of one variable, in order; each array has one element a day.

    ``low``, ``mid`` and ``high`` bound the mean of the day's readings. Where ``below`` holds, the true value lies
    under ``high`` and never at it; where ``above`` does, over ``low``.
    """

    day: NDArray[np.datetime64]
    low: Floats
    mid: Floats
    high: Floats
    below: Flags
    above: Flags

    def __len__(self) -> int:
        return len(self.day)

    def part(self, chosen: slice | Flags) -> DayValues:
        """Some of the days."""
        return DayValues(*(values[chosen] for values in vars(self).values()))

    def between(self, first: dt.date, after: dt.date) -> DayValues:
        """The days from ``first`` to before ``after``."""
        return self.part((self.day >= np.datetime64(first)) & (self.day < np.datetime64(after)))

    def date(self, place: int) -> dt.date:
        """A day as a date."""
        return pd.Timestamp(self.day[place]).date()

    def shown(self, place: int) -> str:
        """A day's value as people read it: ``<0.03``, ``0.05``, or of a card ``10 (7.5 to 17.5)``."""
        if self.below[place]:
            return f"<{quantity(float(self.high[place]))}"
        if self.above[place]:
            return f">{quantity(float(self.low[place]))}"
        low, mid, high = (quantity(float(values[place])) for values in (self.low, self.mid, self.high))
        return mid if low == high else f"{mid} (off a card: {low} to {high})"


NOTHING = DayValues(
    np.array([], "datetime64[D]"), *(np.array([]) for _ in range(3)), *(np.array([], bool) for _ in range(2))
)


def day_values(
    readings: pd.DataFrame, variable: Variable, kits: tuple[Kit, ...] = ()
) -> dict[str, DayValues]:
    """The days of one variable by tank; duplicates of a day are averaged first.

    Parameters
    ----------
    readings : DataFrame
        Accepted readings of that variable: ``tank``, ``taken_at``, ``value``, ``sign``, ``kit``.
    variable : Variable
    kits : tuple of Kit
        Those of the protocol; a kit with steps makes its readings intervals.
    """
    if readings.empty:
        return {}
    bounded = with_bounds(readings, variable, kits)
    sign = bounded["sign"].to_numpy(dtype=object)
    code, tanks = pd.factorize(bounded["tank"], sort=True)
    day = bounded["taken_at"].to_numpy().astype("datetime64[D]")
    frame = pd.DataFrame(
        {
            "tank": code,
            "day": day.astype(np.int64),
            **{name: bounded[name].to_numpy() for name in ("low", "mid", "high")},
            "below": sign == Sign.BELOW.value,
            "above": sign == Sign.ABOVE.value,
        }
    )
    daily = frame.groupby(["tank", "day"], sort=True)
    # The mean of a single reading is taken as it stands: dividing a sum would cost its last digit.
    bounds = daily[["low", "mid", "high"]]
    means = bounds.mean() if len(daily) < len(frame) else bounds.first()
    ends = daily[["below", "above"]].any()
    codes = means.index.get_level_values("tank").to_numpy()
    days = means.index.get_level_values("day").to_numpy().astype("datetime64[D]")
    columns = [
        days,
        *(means[name].to_numpy() for name in ("low", "mid", "high")),
        *(ends[name].to_numpy() for name in ("below", "above")),
    ]
    edges = np.flatnonzero(np.r_[True, codes[1:] != codes[:-1], True])
    return {str(tanks[codes[a]]): DayValues(*(column[a:b] for column in columns)) for a, b in pairwise(edges)}


def repeatability_limit(readings: pd.DataFrame, *, relative: bool) -> float | None:
    """The difference that two readings of the same water by the same kit stay within 19 times in 20.

    From the trial's duplicates, as ISO 5725 has it (1.96 times the square root of 2 times the standard deviation);
    None where there are too few.

    Parameters
    ----------
    readings : DataFrame
        Accepted readings of one variable.
    relative : bool
        Whether it is a share of the value, as kits for concentrations err, in place of a difference.
    """
    sure = readings[readings["sign"] == Sign.MEASURED.value]
    if sure.empty:
        return None
    day = sure["taken_at"].dt.normalize()
    keys = sure.groupby([sure["tank"], day, sure["kit"]], sort=False)
    value = sure["value"].to_numpy(dtype=float)
    try:
        found = repeatability(
            np.log(value) if relative else value, np.asarray(keys.ngroup(), dtype=np.int64), level=0.95
        )
    except AnalysisError:
        return None  # no tank was read twice by the same kit on the same day
    if found.df < FEWEST_DUPLICATES:
        return None
    return float(np.expm1(found.limit.value)) if relative else found.limit.value


def told_apart(variable: Variable, repeatability: float | None, level: float, width: float = 0.0) -> float:
    """The least change between two days of a tank that its kit can show, in the variable's unit.

    The largest of two steps of the kit, the repeatability limit where it is known, and the width of the intervals that
    the readings are.

    Parameters
    ----------
    repeatability : float or None
        The repeatability limit: a share of the level for a concentration, else in the unit.
    level : float
        About where the readings lie.
    """
    steps = 2 * variable.resolution if variable.resolution is not None else 0.0
    limit = (repeatability or 0.0) * (level if variable.zero_is_censored else 1.0)
    return max(steps, width, limit)


def dates_in_words(values: DayValues, places: Iterable[int], unit: str) -> str:
    """Days with their values, the unit with the first: ``<0.03 mg/L on 5 May, 0.02 on 12 May``."""
    shown = unit if unit not in ("1", "pH") else ""
    each = []
    for place in places:
        value = f"{values.shown(place)} {shown}".rstrip()
        each.append(f"{value} on {values.date(place).day} {values.date(place):%B}")
        shown = ""
    return ", ".join(each)
