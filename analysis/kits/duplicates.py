"""The same water read twice on a day by the same kit: repeatability by kit, and the relative difference of pairs.

The standard deviation is pooled over all such sets, which for pairs is sqrt(sum d^2 / 2n); the repeatability limit is
the difference that 95 % of pairs stay within, 1.96 sqrt(2) = 2.77 times as much (ISO 5725-6:1994, 4.1.4).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.repeatability import repeatability

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd


@dataclass(frozen=True)
class Duplicates:
    """What repeated readings tell of a kit.

    Parameters
    ----------
    variable, kit : str
    sets, df : int
        Waters that were read more than once on a day, and the degrees of freedom that they give.
    sd, low, high : float
        Pooled standard deviation with its exact limits by chi-square, in the variable's unit.
    limit : float
        Repeatability limit.
    median_difference, largest_difference : float or None
        Relative difference of pairs, per cent of their mean; None where no pair lies above 0.
    """

    variable: str
    kit: str
    sets: int
    df: int
    sd: float
    low: float
    high: float
    limit: float
    median_difference: float | None
    largest_difference: float | None


def duplicates(readings: pd.DataFrame, level: float) -> Iterator[Duplicates]:
    """Pool repeated readings by variable and kit; those beyond a kit's limit are left out.

    Parameters
    ----------
    readings : DataFrame
        ``water`` (what was read: a tank, or a check sample at a site), ``taken_at``, ``variable``, ``kit``,
        ``value``, ``sign``.
    level : float
        Confidence level of the limits.
    """
    sure = readings[readings["sign"] == ""]
    sure = sure.assign(day=sure["taken_at"].dt.normalize())
    for (variable, kit), rows in sure.groupby(["variable", "kit"], sort=True):
        groups = rows.groupby(["water", "day"])["value"]
        sizes = groups.size()
        if not (sizes > 1).any():
            continue
        found = repeatability(
            rows["value"].to_numpy(dtype=float), np.asarray(groups.ngroup(), dtype=np.int64), level=level
        )
        table = groups.agg(["size", "min", "max"])
        pairs = table[(table["size"] == 2) & (table["min"] + table["max"] > 0)]
        apart = (200 * (pairs["max"] - pairs["min"]) / (pairs["max"] + pairs["min"])).to_numpy()
        yield Duplicates(
            str(variable),
            str(kit),
            int((sizes > 1).sum()),
            found.df,
            found.sd.value,
            found.sd.low,
            found.sd.high,
            found.limit.value,
            float(np.median(apart)) if len(apart) else None,
            float(apart.max()) if len(apart) else None,
        )
