"""A check standard read again and again by one kit at one site: an individuals chart.

Limits come from the kit's own first readings (mean, and mean moving range over 1.128), or, before there are eight,
from the value that the standard states and the spread that the protocol allows. A reading beyond three standard
deviations is out; so are two of three in a row beyond two on the same side (ISO 7870-2:2013; Western Electric 1956).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.kits.scores import Grade

if TYPE_CHECKING:
    import datetime as dt

    import pandas as pd
    from numpy.typing import NDArray

    from schemas.protocol import CheckSample
    from schemas.variables import Variable

    Floats = NDArray[np.float64]

FIRST, SETTLED = 8, 20
"""First readings that limits come from, and those that they come from for good once there are so many (ISO 7870-2 asks
for 20): limits that took in each new reading would widen with the very drift that they are there to show."""
D2 = 1.128
"""Expected range of two readings over their standard deviation, as tables print it (ISO 7870-2)."""
WARN, ACT = 2.0, 3.0


@dataclass(frozen=True)
class Limits:
    """Centre of a chart and the standard deviation that its limits are multiples of.

    ``base`` is the number of first readings that they come from, 0 where they come from the protocol.
    """

    centre: float
    sd: float
    base: int

    def at(self, multiple: float) -> float:
        """The centre and so many standard deviations."""
        return self.centre + multiple * self.sd


@dataclass(frozen=True)
class Point:
    """A reading on the chart: how many standard deviations from the centre, and whether a rule is broken there."""

    at: dt.datetime
    value: float
    score: float | None
    beyond: bool
    two_of_three: bool

    @property
    def signals(self) -> bool:
        """Whether the kit is out of control at this reading."""
        return self.beyond or self.two_of_three


@dataclass(frozen=True)
class Chart:
    """The chart of one standard, kit and site.

    ``recovery`` is the mean of all readings in per cent of the stated value; ``censored`` counts readings beyond the
    kit's limit, which cannot be drawn. ``why`` says why there are no limits.
    """

    sample: str
    title: str
    variable: str
    unit: str
    site: str
    kit: str
    stated: float
    points: tuple[Point, ...]
    limits: Limits | None
    recovery: float | None
    censored: int
    grade: Grade
    why: str

    @property
    def signals(self) -> tuple[Point, ...]:
        """The readings at which the kit was out of control."""
        return tuple(point for point in self.points if point.signals)


def individuals_limits(values: Floats, resolution: float = 0.0) -> Limits:
    """Centre and standard deviation from readings in the order of time.

    Parameters
    ----------
    values : array
        Two or more.
    resolution : float
        The step of the display: the standard deviation is at least step / sqrt(12), that of rounding.
    """
    ranges = np.abs(np.diff(values))
    sd = max(float(ranges.mean()) / D2, resolution / math.sqrt(12))
    return Limits(float(values.mean()), sd, len(values))


def broken_rules(scores: Floats) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which scores are beyond three; and at which two of the last three are beyond two on the same side, itself one."""
    beyond = np.abs(scores) > ACT
    two = np.zeros(len(scores), dtype=bool)
    for side in (1, -1):
        far = side * scores > WARN
        for place in range(1, len(scores)):
            two[place] |= far[place] and far[max(place - 2, 0) : place + 1].sum() >= 2
    return beyond, two


def control_chart(
    sample: CheckSample, site: str, kit: str, readings: pd.DataFrame, variable: Variable, *, of_card: bool
) -> Chart:
    """Chart the readings of a standard by one kit at one site.

    Parameters
    ----------
    readings : DataFrame
        ``taken_at``, ``value``, ``sign``, ``replicate``, in any order.
    of_card : bool
        Whether the kit is read off a card: its steps leave no spread to set limits by.
    """
    ordered = readings.sort_values(["taken_at", "replicate"], kind="stable")
    sure = ordered[ordered["sign"] == ""]
    values = sure["value"].to_numpy(dtype=float)
    stated = sample.value or 0.0
    limits, why = _limits(sample, values, variable, of_card=of_card)
    scores = (values - limits.centre) / limits.sd if limits else None
    beyond, two = broken_rules(scores) if scores is not None else (np.zeros(len(values), dtype=bool),) * 2
    points = tuple(
        Point(
            moment.to_pydatetime(),
            float(values[place]),
            float(scores[place]) if scores is not None else None,
            bool(beyond[place]),
            bool(two[place]),
        )
        for place, moment in enumerate(sure["taken_at"])
    )
    grade = Grade.NOT_TOLD
    if limits and points:
        out = any(point.signals for point in points)
        grade = Grade.FAILS if points[-1].signals else Grade.LOOK if out else Grade.HOLDS
    return Chart(
        sample.id,
        sample.title or sample.id,
        variable.id,
        variable.unit,
        site,
        kit,
        stated,
        points,
        limits,
        100 * float(values.mean()) / stated if len(values) and stated > 0 else None,
        int((ordered["sign"] != "").sum()),
        grade,
        why,
    )


def _limits(
    sample: CheckSample, values: Floats, variable: Variable, *, of_card: bool
) -> tuple[Limits | None, str]:
    if of_card:
        return None, "It is read off a card in steps, which leave no spread to set limits by."
    if len(values) >= FIRST:
        found = individuals_limits(
            values[: SETTLED if len(values) >= SETTLED else FIRST], variable.resolution or 0.0
        )
        if found.sd > 0:
            return found, ""
        return None, "All first readings are the same number, so there is no spread to set limits by."
    if sample.fitness_sd and sample.value is not None:
        return Limits(sample.value, math.hypot(sample.fitness_sd, sample.uncertainty or 0.0), 0), ""
    return None, (
        f"Limits need {FIRST} readings of the standard, or a fitness_sd in the protocol; there are {len(values)}."
    )
