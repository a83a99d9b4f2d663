"""Nitrite that a nitrate kit takes for nitrate: how much, and what it does to the trial's readings.

A nitrate kit reduces nitrate to nitrite and measures that; where the reduction is partial, nitrite that is there
already counts several-fold. The factor is what the kit reads in water that holds nitrite alone, over that nitrite.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from analysis.kits.scores import Grade
from analysis.summaries import with_bounds

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from schemas.protocol import CheckSample, Kit
    from schemas.variables import Variable

SHARE = 10.0
"""Per cent of the nitrate read from which nitrite in a typical reading needs a look (common practice, no source)."""


@dataclass(frozen=True)
class Disturbed:
    """What the factor means for the readings of tanks by that kit on days on which nitrite was read too.

    Parameters
    ----------
    readings : int
        How many of them.
    nitrite_low, nitrite_high : float
        Range of that nitrite, mg/L; below a kit's limit it counts as half of the limit.
    excess_low, excess_median, excess_high : float
        Nitrate that these readings are too high by, mg/L.
    share_median : float
        The same in per cent of the reading, in the middle of them.
    """

    readings: int
    nitrite_low: float
    nitrite_high: float
    excess_low: float
    excess_median: float
    excess_high: float
    share_median: float


@dataclass(frozen=True)
class NitriteFactor:
    """The factor of a kit at a site.

    ``factor`` is None where every reading was beyond the kit's limit: it is then below ``below``. ``low`` and ``high``
    need two readings. ``disturbed`` is None where no nitrite was read beside its nitrate in the trial.
    """

    sample: str
    site: str
    kit: str
    n: int
    censored: int
    factor: float | None
    low: float | None
    high: float | None
    below: float | None
    disturbed: Disturbed | None
    grade: Grade


def interference(
    values: np.ndarray, nitrite: float, uncertainty: float, level: float
) -> tuple[float, float | None, float | None]:
    """Factor and interval from what a kit read in water of known nitrite alone.

    The spread of the readings and the standard uncertainty of the nitrite add in squares; degrees of freedom by
    Welch and Satterthwaite (JCGM 100:2008, annex G).

    Returns
    -------
    factor, low, high : float
        No limits for a single reading.
    """
    n = len(values)
    factor = float(values.mean()) / nitrite
    if n < 2:
        return factor, None, None
    of_spread = float(values.var(ddof=1)) / n / nitrite**2
    of_content = (factor * uncertainty / nitrite) ** 2
    total = of_spread + of_content
    if total == 0:
        return factor, factor, factor
    t = (
        float(stats.t.ppf((1 + level) / 2, (n - 1) * (total / of_spread) ** 2))
        if of_spread
        else float(stats.norm.ppf((1 + level) / 2))
    )
    half = t * float(np.sqrt(total))
    return factor, factor - half, factor + half


def nitrite_factor(
    sample: CheckSample, site: str, kit: str, readings: pd.DataFrame, pairs: pd.DataFrame, level: float
) -> NitriteFactor:
    """The factor of one kit at one site, and what it means for the trial.

    Parameters
    ----------
    readings : DataFrame
        What the kit read in the nitrite standard: ``value``, ``sign``.
    pairs : DataFrame
        What the kit read in tanks of this site on days on which nitrite was read: ``nitrate``, ``nitrite``.
    """
    nitrite = sample.value or 0.0
    sure = readings.loc[readings["sign"] == "", "value"].to_numpy(dtype=float)
    n, censored = len(readings), len(readings) - len(sure)
    if censored:
        # A number beside readings below the limit would be the mean of the high ones alone.
        top = readings["value"].max() if not (readings["sign"] == ">").any() else None
        below = float(top) / nitrite if top is not None else None
        return NitriteFactor(sample.id, site, kit, n, censored, None, None, None, below, None, Grade.NOT_TOLD)
    factor, low, high = interference(sure, nitrite, sample.uncertainty or 0.0, level)
    met = _disturbed(factor, pairs)
    grade = Grade.NOT_TOLD if met is None else Grade.LOOK if met.share_median >= SHARE else Grade.HOLDS
    return NitriteFactor(sample.id, site, kit, n, 0, factor, low, high, None, met, grade)


def nitrite_beside(
    readings: pd.DataFrame, variables: Mapping[str, Variable], kits: tuple[Kit, ...]
) -> pd.DataFrame:
    """Nitrate readings with the nitrite of the same tank and day: ``reading`` columns with ``nitrite_low``, ``_mid``, ``_high``.

    Several readings of nitrite on a day are averaged. Rows without nitrite on their day have none of the three (NaN).
    """
    keyed = readings.assign(day=readings["taken_at"].dt.normalize())
    nitrite = keyed[keyed["variable"] == "nitrite"]
    bounded = with_bounds(nitrite, variables["nitrite"], kits)
    daily = bounded.groupby(["tank", "day"], sort=False)[["low", "mid", "high"]].mean()
    daily.columns = [f"nitrite_{name}" for name in daily.columns]
    nitrate = keyed[keyed["variable"] == "nitrate"]
    return nitrate.join(daily, on=["tank", "day"]).drop(columns="day")


def _disturbed(factor: float, pairs: pd.DataFrame) -> Disturbed | None:
    if pairs.empty:
        return None
    nitrite, nitrate = (pairs[name].to_numpy(dtype=float) for name in ("nitrite", "nitrate"))
    excess = factor * nitrite
    return Disturbed(
        len(pairs),
        float(nitrite.min()),
        float(nitrite.max()),
        float(excess.min()),
        float(np.median(excess)),
        float(excess.max()),
        float(np.median(100 * excess / nitrate)),
    )
