"""Nitrate and phosphate removed from a tank by mass balance, and the slope of the one against the other.

Removed is what no record accounts for: taken by bacteria, algae, animals, rock and skimmer together. What growth takes
falls along a line given by the cells' nitrogen and phosphorus; denitrification takes nitrate alone and is steeper.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.followed import Window
from analysis.water.husbandry import WaterChange, balance, feed
from schemas.events import EventKind

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.followed import Followed
    from analysis.watch.day_values import DayValues
    from analysis.water.husbandry import Balance

    Floats = NDArray[np.float64]

FEWEST_DAYS = 3
"""Days with both nitrate and phosphate that a slope takes: two always lie on a line."""


@dataclass(frozen=True)
class Removed:
    """A balance with what censored readings allow.

    Parameters
    ----------
    balance : Balance or None
        None where there is none, and ``why_not`` says why.
    litres : float
    lowest, highest : float
        Mg removed, over all values that the readings' bounds allow.
    window : Window or None
        From the first sampling day to the last.
    readings : DayValues or None
        The sampling days.
    """

    balance: Balance | None
    litres: float = 0.0
    lowest: float = 0.0
    highest: float = 0.0
    window: Window | None = None
    readings: DayValues | None = None
    why_not: str = ""

    def per_litre_and_day(self, milligrams: float) -> float:
        """Mg as mg a litre and day of the balance."""
        assert self.balance is not None  # noqa: S101 - asked only where there is one
        return milligrams / self.litres / self.balance.days


def removed_in(tank: Followed, window: Window, variable: str) -> Removed:
    """The balance of nitrate or phosphate from the first to the last sampling day in a window.

    What happens on a sampling day counts as after the reading; new water holds none; all nitrogen and phosphorus of feed
    counts as come into the water.

    Parameters
    ----------
    variable : str
        ``nitrate`` or ``phosphate``.
    """
    days = tank.read(variable, window)
    if len(days) < 2:
        return Removed(None, why_not=f"fewer than two sampling days of {variable}")
    if not tank.litres:
        return Removed(None, why_not="its volume_L is not in the protocol")
    span = Window(days.date(0), days.date(-1))
    fed = tank.of(EventKind.FEED, span)
    if fed.empty:
        return Removed(None, why_not="no feed is recorded between its sampling days")
    changed = tank.of(EventKind.WATER_CHANGE, span)
    if (changed["amount"] >= tank.litres).any():
        return Removed(None, why_not="all its water was changed at once")
    held = feed(float(fed["amount"].sum()))
    brought = held.as_nitrate(1.0) if variable == "nitrate" else held.as_phosphate(1.0)
    at = (days.day - days.day[0]).astype(float)
    when = (changed["at"].to_numpy().astype("datetime64[D]") - days.day[0]).astype(float)
    changes = [
        WaterChange(float(day), float(amount) / tank.litres)
        for day, amount in zip(when, changed["amount"], strict=True)
    ]
    weight = np.zeros(len(at))
    for change in changes:
        weight -= change.share * np.array([np.interp(change.day, at, one) for one in np.eye(len(at))])
    weight[0] += 1
    weight[-1] -= 1
    least, middle, most = (
        balance(at.tolist(), values.tolist(), tank.litres, fed=brought, changes=changes)
        for values in (
            np.where(weight > 0, days.low, days.high),
            days.mid,
            np.where(weight > 0, days.high, days.low),
        )
    )
    return Removed(middle, tank.litres, least.removed, most.removed, span, days)


def both_measured(tank: Followed, window: Window) -> tuple[Floats, Floats]:
    """Phosphate and nitrate of a tank on the days of a window on which both were measured, within their kits' limits."""
    sure = []
    for variable in ("phosphate", "nitrate"):
        days = tank.read(variable, window)
        sure.append(days.part(~(days.below | days.above)))
    _, phosphate, nitrate = np.intersect1d(sure[0].day, sure[1].day, return_indices=True)
    return sure[0].mid[phosphate], sure[1].mid[nitrate]


def slope_in(tank: Followed, window: Window) -> tuple[float | None, int, str]:
    """Mg of nitrate by mg of phosphate along the least-squares line of a tank's days, how many days, and why there is none."""
    x, y = both_measured(tank, window)
    if len(x) < FEWEST_DAYS:
        return None, len(x), f"fewer than {FEWEST_DAYS} days with both nitrate and phosphate measured"
    if np.ptp(x) == 0:
        return None, len(x), "its phosphate never changed"
    centred = x - x.mean()
    return float(centred @ y / (centred @ centred)), len(x), ""
