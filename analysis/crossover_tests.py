"""Periods and carry-over of a crossover: stated beside the comparison of arms, never a gate to it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.crossover import CrossoverModel, PeriodData, carry_over
from analysis.records import CarryOver, Omnibus

if TYPE_CHECKING:
    from analysis.question import Question
    from schemas.protocol import Protocol


def period_and_carry_over(protocol: Protocol, question: Question) -> tuple[Omnibus | None, CarryOver | None]:
    """F tests that the periods are alike, and that no arm leaves anything behind for the next period.

    Where tanks cannot tell carry-over from the arms (two arms in two periods), it is the square of Student's t of
    the tanks' totals by their first arm.
    """
    if not question.kept:
        return None, None
    data = _period_data(protocol, question)
    periods = CrossoverModel(data).period_test()
    found = carry_over(data, question.level)
    if found.within is not None:
        carry = found.within
        return periods, CarryOver(carry.f, carry.df1, carry.df2, carry.p)
    if found.between is not None and found.between.t is not None and found.between.df is not None:
        return periods, CarryOver(found.between.t**2, 1.0, found.between.df, found.between.p)
    return periods, None


def _period_data(protocol: Protocol, question: Question) -> PeriodData:
    data = question.data
    arms = {(a.tank, a.period): a.arm for a in question.allocation.assignments}
    before = [arms.get((tank.tank, (tank.period or 1) - 1)) for tank in question.kept]
    blocks = list(dict.fromkeys(tank.block for tank in question.kept))
    cohort = None
    if protocol.schedule.starts:
        cohort = np.array([blocks.index(tank.block) for tank in question.kept], dtype=np.int64)
    return PeriodData(
        y=data.y,
        arm=data.arm,
        tank=data.block,
        period=np.array([(tank.period or 1) - 1 for tank in question.kept], dtype=np.int64),
        before=np.array([-1 if arm is None else data.arms.index(arm) for arm in before], dtype=np.int64),
        arms=data.arms,
        cohort=cohort,
        x=data.x,
    )
