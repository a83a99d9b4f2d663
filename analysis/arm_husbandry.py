"""What each arm took and risked while it was treated: doses, water, losses, faults, stop rules met, stalls.

Counted from the first day after a period's baseline to its washout or end, from husbandry events and readings, for the
arm that each tank was allocated to. Nothing here is compared: decisions are made with it, not tests.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.watch.day_values import NOTHING, day_values, repeatability_limit
from analysis.watch.stalls import stalls
from analysis.watch.stop_rules import standing
from analysis.watch.watched import WASHOUT_PHASE
from schemas.events import EventKind
from schemas.protocol import BASELINE_PHASE
from schemas.variables import variables_for

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from analysis.watch.day_values import DayValues
    from schemas.allocation import Allocation
    from schemas.protocol import Protocol

_DAY = dt.timedelta(days=1)


@dataclass(frozen=True)
class ArmHusbandry:
    """One arm's tanks under treatment.

    Parameters
    ----------
    arm : str
    tanks : int
        Allocated (in a crossover: in any period).
    tank_days : int
        Days under treatment, of all tanks together, up to the day asked for.
    given : mapping of (str, str) to float
        Amounts by kind of event (dose, pellets added) and unit.
    doses : int
        Times that carbon was given.
    lost : float
        Animals.
    faults, cleanings : int
    stopped : tuple of str
        Tanks in which a stop rule was met, each once.
    stall_days : int or None
        Days on which phosphate was at its limit and nitrate did not fall, of all tanks that are dosed; None where the
        arm has no carbon or nitrate and phosphate are not both measured.
    """

    arm: str
    tanks: int
    tank_days: int
    given: Mapping[tuple[str, str], float]
    doses: int
    lost: float
    faults: int
    cleanings: int
    stopped: tuple[str, ...]
    stall_days: int | None


@dataclass(frozen=True)
class _Spell:
    """The days of one tank under one arm."""

    tank: str
    arm: str
    first: dt.date
    after: dt.date

    @property
    def days(self) -> int:
        return max((self.after - self.first).days, 0)


def arm_husbandry(
    protocol: Protocol,
    allocation: Allocation,
    readings: pd.DataFrame,
    events: pd.DataFrame,
    until: dt.date,
) -> tuple[ArmHusbandry, ...]:
    """Sum by arm, in the protocol's order.

    Parameters
    ----------
    readings : DataFrame
        Accepted readings.
    events : DataFrame
        Husbandry events: ``tank``, ``at``, ``kind``, ``amount``, ``unit``.
    until : date
        The last day that counts.
    """
    spells = _spells(protocol, allocation, until)
    days = {
        str(variable): day_values(rows, variables_for(protocol)[str(variable)], protocol.kits)
        for variable, rows in readings.groupby("variable", sort=False)
    }
    nitrate = readings[readings["variable"] == "nitrate"]
    repeatability = repeatability_limit(nitrate, relative=True) if len(nitrate) else None
    return tuple(
        _of_arm(protocol, arm.id, [s for s in spells if s.arm == arm.id], days, events, repeatability)
        for arm in protocol.arms
    )


def _of_arm(
    protocol: Protocol,
    arm: str,
    spells: list[_Spell],
    days: Mapping[str, Mapping[str, DayValues]],
    events: pd.DataFrame,
    repeatability: float | None,
) -> ArmHusbandry:
    mine = events[_inside(events, spells)]
    kinds = mine["kind"]
    given = mine[kinds.isin([EventKind.DOSE.value, EventKind.POLYMER_ADDED.value])]
    sums = given.groupby(["kind", "unit"], as_index=False)["amount"].sum()
    columns = (sums[name].tolist() for name in ("kind", "unit", "amount"))
    stalls = None
    if protocol.arm(arm).carbon is not None and {"nitrate", "phosphate"} <= set(days):
        stalls = sum(_stall_days(protocol, spell, days, repeatability) for spell in spells)
    return ArmHusbandry(
        arm=arm,
        tanks=len({spell.tank for spell in spells}),
        tank_days=sum(spell.days for spell in spells),
        given={(kind, unit): amount for kind, unit, amount in zip(*columns, strict=True)},
        doses=len(given),
        lost=float(mine.loc[kinds == EventKind.LOSS.value, "amount"].sum()),
        faults=int((kinds == EventKind.FAULT.value).sum()),
        cleanings=int((kinds == EventKind.CLEAN.value).sum()),
        stopped=tuple(dict.fromkeys(s.tank for s in spells if _stopped(protocol, s, days))),
        stall_days=stalls,
    )


def _spells(protocol: Protocol, allocation: Allocation, until: dt.date) -> list[_Spell]:
    """Each tank's days under each arm: from after the baseline to the washout, to the period's end, or to ``until``."""
    found = []
    for tank, arms in allocation.sequence_of().items():
        starts, ends = (list(side) for side in zip(*protocol.periods(tank), strict=True))
        if BASELINE_PHASE in protocol.phase_days:
            starts = [after for _, after in protocol.windows(BASELINE_PHASE, tank)]
        if WASHOUT_PHASE in protocol.phase_days:
            ends = [first for first, _ in protocol.windows(WASHOUT_PHASE, tank)]
        found += [
            _Spell(tank, arm, first, min(after, until + _DAY))
            for arm, first, after in zip(arms, starts, ends, strict=True)
        ]
    return found


def _inside(events: pd.DataFrame, spells: list[_Spell]) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Which events fall into one of these spells."""
    chosen = np.zeros(len(events), dtype=bool)
    tank, day = events["tank"].to_numpy(dtype=object), events["at"].to_numpy().astype("datetime64[D]")
    for spell in spells:
        chosen |= (
            (tank == spell.tank) & (day >= np.datetime64(spell.first)) & (day < np.datetime64(spell.after))
        )
    return chosen


def _stopped(protocol: Protocol, spell: _Spell, days: Mapping[str, Mapping[str, DayValues]]) -> bool:
    """Whether any stop rule was met for sure."""
    return any(
        standing(rule, _days_of(days, rule.variable, spell)).met_on is not None
        for rule in protocol.stop_rules
    )


def _days_of(days: Mapping[str, Mapping[str, DayValues]], variable: str, spell: _Spell) -> DayValues:
    return days.get(variable, {}).get(spell.tank, NOTHING).between(spell.first, spell.after)


def _stall_days(
    protocol: Protocol,
    spell: _Spell,
    days: Mapping[str, Mapping[str, DayValues]],
    repeatability: float | None,
) -> int:
    """Days of every stall."""
    variables = variables_for(protocol)
    both = variables["nitrate"], variables["phosphate"]
    nitrate, phosphate = (_days_of(days, variable.id, spell) for variable in both)
    return sum(found.days for found in stalls(nitrate, phosphate, both, repeatability))
