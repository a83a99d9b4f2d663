"""Carbon that a tank was given in a window of days, from its events: doses as they came, polymer as it was worn off.

Between two weighings of a polymer what was worn off (weighed, plus added, less weighed next) is spread evenly, so that
weighings need not fall on the days of a phase. What stands in no record is not taken as nothing: it is not known.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from analysis.water.carbon import product
from analysis.water.doses import Dose, carbon_of
from schemas.errors import WaterError
from schemas.events import EventKind

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from analysis.followed import Followed, Window
    from analysis.water.carbon import Product

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Given:
    """Grams given over so many days; None where that cannot be told, and ``why_not`` says why."""

    grams: float | None
    days: int
    why_not: str = ""

    @property
    def a_day(self) -> float | None:
        """Grams a day."""
        return self.grams / self.days if self.grams is not None and self.days else None

    def per_litre(self, litres: float | None) -> float | None:
        """Mg a litre and day."""
        return 1000 * self.a_day / litres if self.a_day is not None and litres else None


_CARBON_KINDS = (EventKind.DOSE, EventKind.POLYMER_ADDED)


def carbon_in(tank: Followed, window: Window) -> Given:
    """Carbon given to a tank in a window; of a polymer over those days of it that lie between two weighings.

    An arm without carbon was given none, unless events say otherwise.
    """
    if tank.arm.carbon is None:
        given = any((tank.of(kind, window)["amount"] > 0).any() for kind in _CARBON_KINDS)
        if given:
            return Given(None, window.days, "carbon is recorded, and its arm has no carbon source")
        return Given(0.0, window.days)
    try:
        what = product(tank.arm.carbon.source)
    except WaterError:
        return Given(None, window.days, "the carbon source is not known")
    return _worn(tank, window, what) if what.source.solid else _dosed(tank, window, what)


def dose_days(tank: Followed, window: Window) -> int:
    """Days of a window on which a dose above 0 is recorded."""
    doses = tank.of(EventKind.DOSE, window)
    return int(doses.loc[doses["amount"] > 0, "at"].dt.normalize().nunique())


def _dosed(tank: Followed, window: Window, what: Product) -> Given:
    doses = tank.of(EventKind.DOSE, window)
    due = max(window.first, tank.dosed.first) < min(window.after, tank.dosed.after)
    if doses.empty and due:
        return Given(None, window.days, "no dose is recorded")
    grams = 0.0
    for unit, amount in doses.groupby("unit")["amount"].sum().items():
        try:
            grams += carbon_of(Dose(float(amount), str(unit)), what)
        except WaterError:
            return Given(None, window.days, f"doses of {what.label} are recorded in {unit}")
    return Given(grams, window.days)


def _worn(tank: Followed, window: Window, what: Product) -> Given:
    worn, why_not = worn_by_day(tank)
    start = (window.first - tank.all_days.first).days
    mine = worn[start : start + window.days]
    known = mine[~np.isnan(mine)]
    if not len(known):
        return Given(None, 0, why_not or "the pellets were not weighed before and after")
    grams = float(known.sum())
    if grams < 0:
        return Given(
            None,
            len(known),
            "the pellets weigh more than was put in, so they were weighed wet or an addition is missing",
        )
    return Given(grams * what.source.carbon_share, len(known))


def worn_by_day(tank: Followed) -> tuple[Floats, str]:
    """Grams of polymer worn off on each day of the period, NaN where no two weighings tell; and why, if not that.

    What is added on the day of a weighing is taken to be added after it. Between two weighings of one day nothing counts
    as worn: pellets are taken out and put in when a reactor is cleaned.
    """
    worn = np.full(tank.all_days.days, np.nan)
    weighed = tank.of(EventKind.POLYMER_WEIGHED, tank.all_days)
    added = tank.of(EventKind.POLYMER_ADDED, tank.all_days)
    why_not = ""
    for (at, before), (then, left) in pairwise(zip(weighed["at"], weighed["amount"], strict=True)):
        first, after = ((moment.date() - tank.all_days.first).days for moment in (at, then))
        between: pd.DataFrame = added[(added["at"] >= at) & (added["at"] < then)]
        if first == after:
            continue
        if (between["unit"] != "g").any():
            why_not = "pellets were added by volume"
            continue
        worn[first:after] = (float(before) + float(between["amount"].sum()) - float(left)) / (after - first)
    return worn, why_not
