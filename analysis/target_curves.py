"""Days to target by arm as they are drawn: product-limit steps with their band, and where the days leave them open.

A step falls on the sampling day that showed it. The maximum-likelihood curve of the intervals between sampling days
(:mod:`analysis.interval_curve`) says beside it how early it may have been.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from analysis.interval_curve import interval_curve
from analysis.kaplan_meier import curve

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.records import EndpointResult

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Step:
    """Share of tanks not yet at target from one day to another, with pointwise limits where they exist."""

    first: float
    last: float
    share: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class OpenFall:
    """A fall of the share that happened at an unknown time after ``first`` and by ``last``."""

    first: float
    last: float
    before: float
    after: float


@dataclass(frozen=True)
class TargetCurve:
    """One arm's way to the target; ``median`` is None where fewer than half of the tanks got there."""

    arm: str
    n: int
    reached: int
    steps: tuple[Step, ...]
    falls: tuple[OpenFall, ...]
    median: float | None
    median_limits: tuple[float | None, float | None]
    end: float


def target_curves(result: EndpointResult) -> tuple[TargetCurve, ...]:
    """The curve of each arm of a days-to-target endpoint, in the order of its arms.

    Raises
    ------
    AnalysisError
        The masses of an arm's intervals do not settle.
    """
    return tuple(found for flow in result.flow if (found := _of_arm(result, flow.arm)))


def _of_arm(result: EndpointResult, arm: str) -> TargetCurve | None:
    mine = [tank for tank in result.tanks if tank.arm == arm and tank.y is not None]
    if not mine:
        return None
    day = np.array([tank.value for tank in mine], dtype=float)
    by = np.array([math.inf if tank.highest is None else tank.highest for tank in mine])
    after = np.array([tank.lowest for tank in mine], dtype=float)
    reached = np.isfinite(by)
    steps = curve(day, reached)
    low, high = steps.band(1 - result.alpha)
    levels = [
        (1.0, None, None),
        *zip(steps.survival.tolist(), *(map(_known, side) for side in (low, high)), strict=True),
    ]
    edges = [0.0, *steps.time.tolist(), max(steps.last, float(steps.time.max(initial=0.0)))]
    return TargetCurve(
        arm=arm,
        n=len(mine),
        reached=int(reached.sum()),
        steps=tuple(Step(a, b, *level) for (a, b), level in zip(pairwise(edges), levels, strict=True)),
        falls=_falls(after, by),
        median=steps.quantile(0.5),
        median_limits=steps.median_limits(1 - result.alpha),
        end=edges[-1],
    )


def _falls(after: Floats, by: Floats) -> tuple[OpenFall, ...]:
    fitted = interval_curve(after, by)
    left = 1 - np.concatenate([[0.0], np.cumsum(fitted.mass)])
    return tuple(
        OpenFall(float(a), float(b), float(before), float(max(below, 0.0)))
        for a, b, (before, below) in zip(fitted.left, fitted.right, pairwise(left), strict=True)
        if math.isfinite(b)
    )


def _known(value: float) -> float | None:
    return None if math.isnan(value) else float(value)
