"""Counts compared: events over tank-days, exact given their number, within blocks where the draw was.

A tank's count is the sum of its readings of the phase, and its exposure the days of the phase, for any tank that
was read in it at all. The contrast is the ratio of rates; its interval and p are exact and conditional.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis import conclusions
from analysis.rates import Exposed, dispersion, rate, rate_ratio
from analysis.records import ArmRate, Contrast
from analysis.summaries import inside

if TYPE_CHECKING:
    import pandas as pd

    from analysis.question import Question
    from analysis.records import TankNumber
    from schemas.protocol import Endpoint, Protocol


def counted_numbers(
    protocol: Protocol, endpoint: Endpoint, tanks: list[TankNumber], readings: pd.DataFrame
) -> list[TankNumber]:
    """The tanks with the sum of their readings of the phase as the number analysed; none is censored."""
    mine = readings[inside(readings, protocol, endpoint.phase, 1)[1]]
    sums = mine.groupby("tank")["value"].sum().to_dict()
    result = []
    for tank in tanks:
        count = sums.get(tank.tank)
        if count is None:
            result.append(tank)
            continue
        value = float(count)
        result.append(
            replace(
                tank,
                value=value,
                lowest=value,
                highest=value,
                y=value,
                y_lowest=value,
                y_highest=value,
                why_missing="",
            )
        )
    return result


def arm_rates(question: Question, days: int) -> tuple[ArmRate, ...]:
    """Events, tank-days and rate of each arm with exact limits."""
    result = []
    for code, arm in enumerate(question.data.arms):
        counts = question.data.y[question.data.arm == code]
        if not len(counts):
            continue
        exact = rate(int(counts.sum()), float(len(counts) * days), question.level)
        result.append(ArmRate(arm, exact.events, exact.exposure, exact.rate, exact.low, exact.high))
    return tuple(result)


def spread_of_counts(question: Question, days: int) -> float | None:
    """Pearson's statistic over its degrees of freedom: well above 1, tanks differ more than chance would have it."""
    if not question.kept:
        return None
    exposure = np.full(len(question.kept), float(days))
    return dispersion(question.data.y.astype(np.int64), exposure, question.data.arm).ratio


def count_contrast(question: Question, days: int, test: int, reference: int) -> Contrast:
    """Ratio of two arms' rates with exact limits; the working scale of the verdict is its logarithm."""
    data = question.data
    names = data.arms[test], data.arms[reference]
    mine, others = (_exposed(question, arm, days) for arm in (test, reference))
    n = int(np.isin(data.arm, (test, reference)).sum())
    if mine.exposure.sum() == 0 or others.exposure.sum() == 0:
        return Contrast(*names, 0, None, None, None, None, None, None)
    exact = rate_ratio(mine, others, question.level)
    low = math.log(exact.low) if exact.low > 0 else -math.inf
    high = math.log(exact.high) if exact.high is not None else math.inf
    favours = None
    if exact.estimate is not None:
        away = math.log(exact.estimate) if exact.estimate > 0 else -math.inf
        favours = conclusions.favours(away, *names, question.better)
    return Contrast(
        *names,
        n=n,
        estimate=exact.estimate,
        se=None,
        df=None,
        low=exact.low,
        high=exact.high,
        p=exact.p,
        verdict=conclusions.verdict(low, high, question.distance),
        favours=favours,
    )


def _exposed(question: Question, arm: int, days: int) -> Exposed:
    """Events and tank-days of an arm, one element a block."""
    data = question.data
    blocks = int(data.block.max(initial=-1)) + 1
    mine = data.arm == arm
    events = np.bincount(data.block[mine], weights=data.y[mine], minlength=blocks)
    tanks = np.bincount(data.block[mine], minlength=blocks)
    return Exposed(events.astype(np.int64), tanks.astype(float) * days)
