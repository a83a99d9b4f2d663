"""Carbon that tanks and arms were given against what was registered, over the days of dosing, the ramp among them.

Described, never tested: where arms end up with unequal carbon, a difference between them may be the dose and not the
source.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import fmean
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from analysis.arm_doses import tank_dose
from analysis.carbon_by_day import carbon_in, dose_days, worn_by_day
from analysis.numerals import count, quantity
from analysis.watch.carbon import CARBON_TOLERANCE
from analysis.water.husbandry import colonised_days, ramp_share
from schemas.events import EventKind
from schemas.plain_words import listed
from schemas.protocol import RAMP_PHASE

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from analysis.followed import Followed, Story

Number = TypeVar("Number", int, float)


@dataclass(frozen=True)
class TankDose:
    """Carbon of one tank (in one period) over its days of dosing.

    Parameters
    ----------
    tank, arm : str
        ``arm`` as allocated.
    period : int
        1 unless a crossover.
    days : int
        Of dosing on which it was followed; of a polymer those between weighings.
    days_without : int or None
        Of them without a dose above 0; None for a polymer and where nothing is dosed.
    carbon : float or None
        Mg C/L/d as given; None where it cannot be told, and ``why_not`` says why.
    planned : float or None
        Mg C/L/d by the full dose registered and the ramp, over the same days, of a polymer what it would wear off by the
        tank model's wear and settling; None where the dose cannot be read.
    added, worn : float or None
        Grams of polymer added, and worn off between weighings; None where nothing solid is given.
    """

    tank: str
    arm: str
    period: int
    days: int
    days_without: int | None
    carbon: float | None
    planned: float | None
    added: float | None
    worn: float | None
    why_not: str = ""

    @property
    def share(self) -> float | None:
        """What was given, of what was planned."""
        return self.carbon / self.planned if self.carbon is not None and self.planned else None


@dataclass(frozen=True)
class ArmDoses:
    """Carbon of an arm's tanks.

    ``known`` are tanks (and periods) of which it can be told; means, least and most are of those, mg C/L/d. ``share`` is the
    mean given over the mean planned of tanks with both.
    """

    arm: str
    tanks: int
    known: int
    carbon: float | None
    least: float | None
    most: float | None
    planned: float | None
    share: float | None
    days_without: int | None
    added: float | None
    worn: float | None


@dataclass(frozen=True)
class DoseAdherence:
    """Tanks in the order of the allocation, arms in the protocol's, and what a reader must know, in sentences."""

    tanks: tuple[TankDose, ...]
    arms: tuple[ArmDoses, ...]
    notes: tuple[str, ...]


def dose_adherence(story: Story) -> DoseAdherence | None:
    """Carbon given against carbon planned; None where no arm is given any, or no event is recorded at all."""
    if all(arm.carbon is None for arm in story.protocol.arms) or story.happened.events.empty:
        return None
    ramp = next((p.days for p in story.protocol.schedule.phases if p.id == RAMP_PHASE), 0)
    tanks = tuple(
        _tank(story.tanks[a.tank, a.period or 1], a.arm, ramp) for a in story.allocation.assignments
    )
    arms = tuple(_arm(arm.id, [tank for tank in tanks if tank.arm == arm.id]) for arm in story.protocol.arms)
    return DoseAdherence(tanks, arms, tuple(_notes(tanks, arms)))


def _tank(tank: Followed, arm: str, ramp: int) -> TankDose:
    window = tank.dosed.up_to(tank.after)
    given = carbon_in(tank, window)
    rate = given.per_litre(tank.litres)
    dose = tank_dose(tank.arm, tank.litres)
    counted = np.ones(window.days, dtype=bool)
    without = added = worn_off = None
    if dose is not None and dose.pellets:
        worn, _ = worn_by_day(tank)
        start = (window.first - tank.all_days.first).days
        mine = worn[start : start + window.days]
        counted = ~np.isnan(mine)
        pellets = tank.of(EventKind.POLYMER_ADDED, window)
        added = float(pellets.loc[pellets["unit"] == "g", "amount"].sum())
        worn_off = float(mine[counted].sum()) if counted.any() else None
    elif tank.arm.carbon is not None and given.grams is not None:
        without = window.days - dose_days(tank, window)
    planned = None
    if dose is not None and counted.any():
        planned = fmean(
            dose.carbon * _due(day, ramp, solid=dose.pellets > 0) for day in np.flatnonzero(counted).tolist()
        )
    why_not = given.why_not or ("" if tank.litres else "its volume_L is not in the protocol")
    return TankDose(
        tank.tank,
        arm,
        tank.period,
        given.days,
        without,
        rate,
        planned,
        added,
        worn_off,
        why_not if rate is None else "",
    )


def _due(day: int, ramp: int, *, solid: bool) -> float:
    """Share of the full dose on a day of dosing: of the ramp, and of a polymer of the surface that bacteria have settled."""
    share = ramp_share(day, ramp) if ramp else 1.0
    return share * colonised_days(day, day + 1) if solid else share


def _arm(arm: str, tanks: Sequence[TankDose]) -> ArmDoses:
    known = [tank.carbon for tank in tanks if tank.carbon is not None]
    planned = [tank.planned for tank in tanks if tank.planned is not None]
    both = [(tank.carbon, tank.planned) for tank in tanks if tank.carbon is not None and tank.planned]
    share = sum(given for given, _ in both) / sum(due for _, due in both) if both else None
    return ArmDoses(
        arm=arm,
        tanks=len(tanks),
        known=len(known),
        carbon=fmean(known) if known else None,
        least=min(known, default=None),
        most=max(known, default=None),
        planned=fmean(planned) if planned else None,
        share=share,
        days_without=_sum([tank.days_without for tank in tanks]),
        added=_sum([tank.added for tank in tanks]),
        worn=_sum([tank.worn for tank in tanks]),
    )


def _sum(values: Sequence[Number | None]) -> Number | None:
    known = [value for value in values if value is not None]
    return sum(known) if known else None


def _notes(tanks: Sequence[TankDose], arms: Sequence[ArmDoses]) -> Iterator[str]:
    if any(arm.added is not None and arm.planned is not None for arm in arms):
        yield (
            "Planned of a polymer is what the pellets registered would wear off, by the wear and the settling of bacteria that "
            "planning assumes; it is no measurement."
        )
    for arm in arms:
        if arm.share is not None and abs(arm.share - 1) > CARBON_TOLERANCE:
            yield f"{arm.arm} was given {100 * arm.share:.0f} % of the carbon that was planned."
    given = [(arm.arm, arm.carbon) for arm in arms if arm.carbon]
    if len(given) > 1 and max(rate for _, rate in given) > (1 + CARBON_TOLERANCE) * min(
        rate for _, rate in given
    ):
        each = listed([f"{arm} {quantity(rate)}" for arm, rate in given], last="and")
        yield (
            f"The arms were not given the same carbon: {each} mg C/L/d, more than a fifth apart. A difference between them "
            "may be the dose and not the source."
        )
    unknown: dict[str, list[str]] = {}
    for tank in tanks:
        if tank.carbon is None:
            unknown.setdefault(tank.why_not, []).append(tank.tank)
    for why, names in unknown.items():
        shown = ", ".join(names[:5]) + (" and others" if len(names) > 5 else "")
        yield f"Carbon given cannot be told of {count(len(names), 'tank')} ({shown}): {why}."
