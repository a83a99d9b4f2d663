"""Carbon that a tank was in fact given, from its husbandry events.

What dissolves is summed from the doses. Of a polymer only what was worn off counts: pellets weighed, plus those added,
less those that are weighed next. Amounts that cannot be turned into carbon make the whole unknown, and say why.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from analysis.water.carbon import product
from analysis.water.doses import Dose, carbon_of
from schemas.errors import WaterError
from schemas.events import EventKind

if TYPE_CHECKING:
    import datetime as dt

    from analysis.water.carbon import Product
    from schemas.protocol import Arm


@dataclass(frozen=True)
class CarbonGiven:
    """Carbon given over some days.

    Parameters
    ----------
    grams : float or None
        Of carbon; None where it cannot be told.
    days : int
        Days that the grams are of: all of those asked for, or of a polymer those between the weighings.
    why_not : str
        Why it cannot be told, as a phrase.
    """

    grams: float | None
    days: int
    why_not: str = ""

    def per_litre(self, litres: float | None) -> float | None:
        """Mg of carbon per litre and day; None where grams or litres are not known."""
        if self.grams is None or litres is None or self.days == 0:
            return None
        return 1000 * self.grams / litres / self.days


def carbon_given(events: pd.DataFrame, arm: Arm, first: dt.date, after: dt.date) -> CarbonGiven:
    """Carbon given to one tank from ``first`` to before ``after``.

    Parameters
    ----------
    events : DataFrame
        The tank's events: ``at``, ``kind``, ``amount``, ``unit``.
    arm : Arm
        With the carbon source.
    """
    days = (after - first).days
    if arm.carbon is None:
        return CarbonGiven(0.0, days)
    try:
        what = product(arm.carbon.source)
    except WaterError:
        return CarbonGiven(None, days, "the carbon source is not known")
    window = (events["at"] >= pd.Timestamp(first)) & (events["at"] < pd.Timestamp(after))
    return _worn(events[window], what) if what.source.solid else _dosed(events[window], what, days)


def _dosed(events: pd.DataFrame, what: Product, days: int) -> CarbonGiven:
    doses = events[events["kind"] == EventKind.DOSE.value]
    if doses.empty:
        return CarbonGiven(None, days, "no dose is recorded")
    grams = 0.0
    for unit, amount in doses.groupby("unit")["amount"].sum().items():
        try:
            grams += carbon_of(Dose(float(amount), str(unit)), what)
        except WaterError:
            return CarbonGiven(None, days, f"doses of {what.label} are recorded in {unit}")
    return CarbonGiven(grams, days)


def _worn(events: pd.DataFrame, what: Product) -> CarbonGiven:
    weighed = events[events["kind"] == EventKind.POLYMER_WEIGHED.value]
    day = weighed["at"].dt.normalize()
    if day.nunique() < 2:
        return CarbonGiven(None, 0, "the pellets were not weighed twice")
    start, end = weighed.iloc[0], weighed.iloc[-1]
    added = events[
        (events["kind"] == EventKind.POLYMER_ADDED.value)
        & (events["at"] >= start["at"])
        & (events["at"] < end["at"])
    ]
    if (added["unit"] != "g").any():
        return CarbonGiven(None, 0, "pellets were added by volume")
    worn = float(start["amount"]) + float(added["amount"].sum()) - float(end["amount"])
    days = int((day.iloc[-1] - day.iloc[0]).days)
    if worn < 0:
        return CarbonGiven(
            None,
            days,
            "the pellets weigh more than was put in, so they were weighed wet or an addition is missing",
        )
    return CarbonGiven(worn * what.source.carbon_share, days)
