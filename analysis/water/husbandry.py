"""What keeping a dosed tank asks for: the ramp, pellets to add, feed, water changes, evaporation, and the balance.

Concentrations are mg/L unless said; shares are fractions, not per cent.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.tank_parameters import NITROGEN_IN_PROTEIN, TankParameters
from analysis.water.stoichiometry import NITRATE, NITROGEN, PHOSPHATE
from schemas.chemistry import ATOMIC_WEIGHTS
from schemas.errors import WaterError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.water.doses import Dose

RAMP_DAYS, RAMP_START = 28, 1 / 3
"""A third of the full dose, raised to full over about a month: common practice, no source."""
PELLET_LIFE = 1 / float(TankParameters.pellet_rate)
"""Days in which a reactor wears off as much as stands in it; six to nine months are common practice, no source."""
AMMONIA_PER_PROTEIN = 0.092
"""g of total ammonia-nitrogen excreted per g of protein fed (Timmons and Ebeling, from memory)."""
FEED_PROTEIN, FEED_PHOSPHORUS = float(TankParameters.protein), float(TankParameters.feed_phosphorus)
"""Shares of dry feed: common practice, no source. Frozen food is 75 to 90 % water."""


@dataclass(frozen=True)
class RampStep:
    """The dose from a day on; ``day`` counts from the first dose."""

    day: int
    date: dt.date | None
    share: float
    dose: Dose


def ramp_share(day: float, days: float = RAMP_DAYS, start: float = RAMP_START) -> float:
    """Share of the full dose on a day, in a straight line from ``start`` on day 0 to 1; 0 before."""
    return min(1.0, start + (1 - start) * day / days) if day >= 0 else 0.0


def ramp_table(
    full: Dose,
    *,
    days: int = RAMP_DAYS,
    start: float = RAMP_START,
    every: int = 7,
    first: dt.date | None = None,
) -> tuple[RampStep, ...]:
    """The dose at each step of the ramp, until it is full.

    Parameters
    ----------
    full : Dose
        What is reached: a daily dose, or pellets standing in the reactor.
    days, every : int
        Length of the ramp and of a step.
    start : float
        Share of the full dose on the first day.
    first : datetime.date, optional
        The day of the first dose.
    """
    if days < 1 or every < 1 or not 0 < start <= 1:
        raise WaterError(
            "a ramp needs at least one day, steps of at least one day, and a start above 0 and at most 1."
        )
    steps = [*range(0, days, every), days]
    return tuple(
        RampStep(
            day=day,
            date=first + dt.timedelta(days=day) if first else None,
            share=(share := ramp_share(day, days, start)),
            dose=replace(full, amount=full.amount * share),
        )
        for day in steps
    )


@dataclass(frozen=True)
class TopUp:
    """Pellets to add on a day: ``wanted`` should stand, ``left`` still stands, ``add`` is the difference, g."""

    day: int
    date: dt.date | None
    wanted: float
    left: float
    add: float


def top_ups(
    full: float,
    *,
    days: int,
    every: int = 42,
    life: float = PELLET_LIFE,
    ramp_days: int = RAMP_DAYS,
    ramp_every: int = 7,
    first: dt.date | None = None,
) -> tuple[TopUp, ...]:
    """When and how much polymer to add: at each step of the ramp, then at regular top-ups until the end.

    What stands is worn off at the rate ``A(t) / life``, where A is the share of its surface that is colonised:
    the tank model's ``1 / (1 + exp(-(t - lag) / spread))`` with its usual lag and spread.

    Parameters
    ----------
    full : float
        Pellets that should stand, g.
    days : int
        Length of dosing; nothing is added on the last day.
    every : int
        Days between top-ups; four to eight weeks are common practice, no source.
    life : float
        Days in which as much is worn off as stands.
    ramp_days, ramp_every : int
        As in :func:`ramp_table`.
    first : datetime.date, optional
        The day of the first dose.
    """
    if min(full, days, every, life, ramp_days, ramp_every) <= 0:
        raise WaterError("grams, days, steps and the pellets' life must all be above 0.")
    ramp = [*range(0, ramp_days, ramp_every), ramp_days]
    added = [day for day in (*ramp, *range(ramp_days + every, days, every)) if day < days]
    rows: list[TopUp] = []
    standing, last = 0.0, 0
    for day in added:
        standing *= math.exp(-(_worked(day) - _worked(last)) / life)
        wanted = full * ramp_share(day, ramp_days)
        add = max(0.0, wanted - standing)
        rows.append(TopUp(day, first + dt.timedelta(days=day) if first else None, wanted, standing, add))
        standing, last = standing + add, day
    return tuple(rows)


def colonised_days(first: float, after: float) -> float:
    """Days of full colonisation that a polymer's surface has had from one day of the first dose's count to another."""
    return _worked(after) - _worked(first)


def _worked(day: float) -> float:
    """Days of full colonisation up to a day: the integral of A(t)."""
    spread = float(TankParameters.solid_spread)
    return spread * float(np.logaddexp(0.0, (day - float(TankParameters.solid_lag)) / spread))


def standing_for(worn_per_day: float, life: float = PELLET_LIFE) -> float:
    """Pellets that must stand for so much to be worn off in a day once colonised, in the same unit."""
    return worn_per_day * life


def after_water_change(concentration: float, share: float, new: float = 0.0, times: int = 1) -> float:
    """Concentration after changing a share of the water, so many times, for water that holds ``new``."""
    return new + (concentration - new) * (1 - _share(share)) ** times


def water_change_rate(share: float, days: float) -> float:
    """The steady loss per day that equals changing a share of the water each ``days`` days."""
    return -math.log1p(-_share(share)) / days


def evaporated(concentration: float, volume: float, lost: float) -> float:
    """Concentration of anything dissolved (or salinity) after ``lost`` litres of pure water left ``volume``."""
    if not 0 <= lost < volume:
        raise WaterError(f"{lost:g} L cannot evaporate from {volume:g} L.")
    return concentration * volume / (volume - lost)


def top_up_load(concentration: float, share_per_day: float) -> float:
    """mg/L and day that top-up water of a concentration brings in when a share of the tank evaporates each day."""
    return concentration * share_per_day


@dataclass(frozen=True)
class Feed:
    """What an amount of dry feed holds, mg."""

    nitrogen: float
    phosphorus: float
    ammonia_nitrogen: float
    """Total ammonia-nitrogen that animals excrete of it."""

    def as_nitrate(self, litres: float, released: float = 1.0) -> float:
        """mg/L of nitrate that the nitrogen makes in so many litres, if a share of it is released."""
        return self.nitrogen * released * NITRATE / NITROGEN / litres

    def as_phosphate(self, litres: float, released: float = 1.0) -> float:
        """mg/L of phosphate that the phosphorus makes in so many litres, if a share of it is released."""
        return self.phosphorus * released * PHOSPHATE / ATOMIC_WEIGHTS["P"] / litres

    @property
    def nitrogen_to_phosphorus(self) -> float:
        """Atoms of nitrogen per atom of phosphorus."""
        return self.nitrogen / NITROGEN / (self.phosphorus / ATOMIC_WEIGHTS["P"])


def feed(dry: float, protein: float = FEED_PROTEIN, phosphorus: float = FEED_PHOSPHORUS) -> Feed:
    """Nitrogen and phosphorus in so many grams of dry feed with these shares of protein and phosphorus."""
    if dry < 0 or not (0 <= protein <= 1 and 0 <= phosphorus <= 1):
        raise WaterError(
            "feed needs grams of 0 or more, and protein and phosphorus as shares between 0 and 1."
        )
    return Feed(
        nitrogen=1000 * dry * protein * NITROGEN_IN_PROTEIN,
        phosphorus=1000 * dry * phosphorus,
        ammonia_nitrogen=1000 * dry * protein * AMMONIA_PER_PROTEIN,
    )


@dataclass(frozen=True)
class WaterChange:
    """A share of the water changed on a day for water of some concentration."""

    day: float
    share: float
    new: float = 0.0


@dataclass(frozen=True)
class Balance:
    """Where a substance in a tank came from and went over an interval, mg."""

    days: float
    started: float
    fed: float
    topped_up: float
    """Came with the water that replaced what evaporated."""
    changed_in: float
    changed_out: float
    ended: float

    @property
    def removed(self) -> float:
        """What no other line accounts for: taken by the arm, the rock, algae and the skimmer together, mg.

        Negative when the tank gained more than was put in: rock that gives off phosphate, or feed set too low.
        """
        gained = self.fed + self.topped_up + self.changed_in - self.changed_out
        return self.started + gained - self.ended

    @property
    def removed_per_day(self) -> float:
        """Removal in mg per day."""
        return self.removed / self.days

    def removed_per(self, amount: float) -> float:
        """Removal in mg per unit of anything used up over the interval, e.g. grams of polymer or of carbon."""
        if amount <= 0:
            raise WaterError("removal is only counted per an amount above 0.")
        return self.removed / amount


def balance(
    days: Sequence[float],
    concentrations: Sequence[float],
    volume: float,
    *,
    fed: float = 0.0,
    topped_up: float = 0.0,
    changes: Sequence[WaterChange] = (),
) -> Balance:
    """Mass balance of one substance in a tank from the first reading to the last.

    Parameters
    ----------
    days, concentrations : sequence of float
        Readings, ascending days; between two, the concentration is taken to run straight.
    volume : float
        Net litres.
    fed, topped_up : float
        mg that feed and top-up water brought into the water over the interval.
    changes : sequence of WaterChange
        Each takes out its share at the concentration of that day.

    Raises
    ------
    WaterError
        Fewer than two readings, days out of order, or a change outside the interval.
    """
    if len(days) < 2 or len(days) != len(concentrations) or any(np.diff(days) <= 0):
        raise WaterError("a balance needs two or more readings, each with its day, in the order of days.")
    if volume <= 0:
        raise WaterError(f"a net volume of {volume:g} L cannot be.")
    outside = [change.day for change in changes if not days[0] <= change.day <= days[-1]]
    if outside:
        raise WaterError(
            f"the water change of day {outside[0]:g} is outside the readings (day {days[0]:g} to {days[-1]:g})."
        )
    changed_out = sum(
        _share(change.share) * volume * float(np.interp(change.day, days, concentrations))
        for change in changes
    )
    return Balance(
        days=days[-1] - days[0],
        started=concentrations[0] * volume,
        fed=fed,
        topped_up=topped_up,
        changed_in=sum(change.share * volume * change.new for change in changes),
        changed_out=changed_out,
        ended=concentrations[-1] * volume,
    )


def _share(share: float) -> float:
    if not 0 <= share < 1:
        raise WaterError(f"a water change of {share:g} is not a share from 0 to below 1; 10 % is 0.1.")
    return share
