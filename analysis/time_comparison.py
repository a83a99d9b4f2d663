"""Days to target compared: restricted means as the registered estimate, log-rank and curves beside it.

Each tank's number is its days to target up to a common horizon (a pseudo-value where tanks are censored before
it), and the arms are compared like any other numbers. The time is known between two sampling days only; it counts
from the day that showed it, and the curves carry the earliest that the days allow as well.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.log_rank import TankTimes, log_rank, log_rank_randomisation
from analysis.records import RankContrast, RankOmnibus, Ranks, TimeCurve
from analysis.time_to_target import common_horizon, day_curves, restricted_times, target_time
from schemas.vocabulary import Better

if TYPE_CHECKING:
    from analysis.question import Question
    from analysis.records import TankNumber
    from analysis.summaries import Series
    from analysis.time_to_target import TargetTime
    from schemas.protocol import Endpoint


def target_times(endpoint: Endpoint, series: dict[str, Series]) -> dict[str, TargetTime]:
    """When each tank met its target and held it."""
    assert endpoint.target is not None  # noqa: S101 - the protocol's rules hold it
    return {
        tank: target_time(
            days, endpoint.target, held=endpoint.held, downwards=endpoint.better is Better.LOWER
        )
        for tank, days in series.items()
    }


def restricted_numbers(
    tanks: list[TankNumber], times: dict[str, TargetTime]
) -> tuple[list[TankNumber], float | None]:
    """The tanks with their restricted days to target as the number analysed, and the horizon.

    ``lowest`` and ``highest`` bound the day on which the target was met; a tank that never met it has no upper
    bound.
    """
    followed = [tank for tank in tanks if tank.tank in times]
    if not followed:
        return tanks, None
    mine = [times[tank.tank] for tank in followed]
    arms = {name: code for code, name in enumerate(dict.fromkeys(tank.arm for tank in followed))}
    day = np.array([time.day for time in mine])
    reached = np.array([time.reached for time in mine])
    arm = np.array([arms[tank.arm] for tank in followed])
    horizon = common_horizon(day, reached, arm)
    numbers = dict(
        zip(
            (tank.tank for tank in followed), restricted_times(day, reached, arm, horizon).values, strict=True
        )
    )
    return [
        _with_time(tank, times.get(tank.tank), numbers.get(tank.tank), horizon) for tank in tanks
    ], horizon


def _with_time(tank: TankNumber, time: TargetTime | None, number: float | None, horizon: float) -> TankNumber:
    if time is None or number is None:
        return tank
    low, high = min(time.after, horizon), min(time.by, horizon)
    return replace(
        tank,
        value=time.day,
        lowest=time.after,
        highest=time.by if math.isfinite(time.by) else None,
        y=float(number),
        y_lowest=low if time.reached else float(number),
        y_highest=high if time.reached else float(number),
        why_missing="",
    )


def time_curves(question: Question, times: dict[str, TargetTime], horizon: float) -> tuple[TimeCurve, ...]:
    """Product-limit curve of each arm with its limits, its median, and its mean up to the horizon."""
    result = []
    for code, arm in enumerate(question.data.arms):
        mine = [times[tank.tank] for tank in question.kept if tank.arm == arm]
        if not mine:
            continue
        observed, earliest = day_curves(mine)
        low, high = observed.band(question.level)
        median_low, median_high = observed.median_limits(question.level)
        result.append(
            TimeCurve(
                arm=arm,
                days=tuple(observed.time.tolist()),
                share=tuple(observed.survival.tolist()),
                low=tuple(None if math.isnan(limit) else limit for limit in low.tolist()),
                high=tuple(None if math.isnan(limit) else limit for limit in high.tolist()),
                earliest_days=tuple(earliest.time.tolist()),
                earliest_share=tuple(earliest.survival.tolist()),
                reached=sum(time.reached for time in mine),
                n=len(mine),
                median=observed.quantile(0.5),
                median_low=median_low,
                median_high=median_high,
                restricted_mean=float(question.data.y[question.data.arm == code].mean()),
                restricted_se=observed.area_se(horizon),
            )
        )
    return tuple(result)


def log_rank_tests(question: Question, times: dict[str, TargetTime], pairs: list[tuple[int, int]]) -> Ranks:
    """Log-rank tests within blocks: of all arms by chi-square, of each contrast by redrawing the labels."""
    data = question.data
    mine = [times[tank.tank] for tank in question.kept]
    if not mine:
        return Ranks(None, ())
    all_times = TankTimes(
        np.array([time.day for time in mine]),
        np.array([time.reached for time in mine]),
        data.arm,
        data.block,
        data.arms,
    )
    overall = log_rank(all_times)
    omnibus = None
    if overall.chi2 is not None and overall.p is not None:
        omnibus = RankOmnibus("log-rank", overall.chi2, overall.df, overall.p, len(mine))
    found = [_log_rank_contrast(question, all_times, *pair) for pair in pairs]
    return Ranks(omnibus, tuple(rank for rank in found if rank is not None))


def _log_rank_contrast(
    question: Question, all_times: TankTimes, test: int, reference: int
) -> RankContrast | None:
    mine = all_times.only(np.isin(all_times.arm, (test, reference)))
    result = log_rank(mine)
    if result.chi2 is None or result.p is None:
        return None
    p, method = result.p, "chi-square"
    if question.allocation.random:
        drawn = log_rank_randomisation(
            mine, test, reference, blocked=question.data.blocked, seed=len(mine.time)
        )
        if drawn is not None:
            p, method = drawn.p, drawn.method
    names = all_times.arms[test], all_times.arms[reference]
    return RankContrast(*names, "log-rank", result.chi2, len(mine.time), p, method, None, None, None, None)
