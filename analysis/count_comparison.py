"""Counts compared: events over tank-days, exact given their number, within blocks where the draw was.

A tank's count is the sum of its readings of the phase, and its exposure the days of the phase, for any tank that
was read in it at all; a tank that left the trial is exposed until that day, or until its last reading of the phase if
that is later. The contrast is the ratio of rates; its interval and p are exact and conditional.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis import conclusions
from analysis.rates import Exposed, dispersion, rate, rate_ratio
from analysis.records import ArmRate, Contrast
from analysis.summaries import inside

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    from numpy.typing import NDArray

    from analysis.question import Question
    from analysis.records import TankNumber
    from schemas.protocol import Endpoint, Protocol


def counted_numbers(
    protocol: Protocol,
    endpoint: Endpoint,
    tanks: list[TankNumber],
    readings: pd.DataFrame,
    left: Mapping[str, dt.date],
) -> list[TankNumber]:
    """The tanks with the sum of their readings of the phase as the number analysed; none is censored.

    ``left`` are tanks that left the trial, each with its first day out of it.
    """
    mine = readings[inside(readings, protocol, endpoint.phase, 1)[1]]
    by_tank = mine.groupby("tank")
    sums, last = by_tank["value"].sum().to_dict(), by_tank["taken_at"].max().to_dict()
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
                exposure=_exposure(protocol, endpoint, tank.tank, left, last[tank.tank].date()),
            )
        )
    return result


def _exposure(
    protocol: Protocol, endpoint: Endpoint, tank: str, left: Mapping[str, dt.date], last: dt.date
) -> int:
    """Days of the phase until the tank left, or until its last reading if that is later."""
    first, after = protocol.windows(endpoint.phase, tank)[0]
    if tank in left:
        after = min(after, max(left[tank], last + dt.timedelta(days=1)))
    return (after - first).days


def arm_rates(question: Question) -> tuple[ArmRate, ...]:
    """Events, tank-days and rate of each arm with exact limits."""
    result = []
    for code, arm in enumerate(question.data.arms):
        mine = question.data.arm == code
        if not mine.any():
            continue
        exposure = float(_exposures(question)[mine].sum())
        exact = rate(int(question.data.y[mine].sum()), exposure, question.level)
        result.append(ArmRate(arm, exact.events, exact.exposure, exact.rate, exact.low, exact.high))
    return tuple(result)


def spread_of_counts(question: Question) -> float | None:
    """Pearson's statistic over its degrees of freedom: well above 1, tanks differ more than chance would have it."""
    if not question.kept:
        return None
    counts = question.data.y.astype(np.int64)
    return dispersion(counts, _exposures(question), question.data.arm).ratio


def count_contrast(question: Question, test: int, reference: int) -> Contrast:
    """Ratio of two arms' rates with exact limits; the working scale of the verdict is its logarithm."""
    data = question.data
    names = data.arms[test], data.arms[reference]
    mine, others = (_exposed(question, arm) for arm in (test, reference))
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


def _exposures(question: Question) -> NDArray[np.float64]:
    """Days that each tank's count is over."""
    return np.array([tank.exposure for tank in question.kept], dtype=float)


def _exposed(question: Question, arm: int) -> Exposed:
    """Events and tank-days of an arm, one element a block."""
    data = question.data
    blocks = int(data.block.max(initial=-1)) + 1
    mine = data.arm == arm
    events = np.bincount(data.block[mine], weights=data.y[mine], minlength=blocks)
    days = np.bincount(data.block[mine], weights=_exposures(question)[mine], minlength=blocks)
    return Exposed(events.astype(np.int64), days.astype(np.float64))
