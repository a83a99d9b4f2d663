"""What could have been drawn: the strata that a contrast redraws, and the law of its estimate over the draws."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from analysis.linear_model import TankData

    Floats = NDArray[np.float64]
    Half = tuple[Floats, Floats]

CLOSE = 1e-12
"""Relative distance below which two estimates are one: rounding, not chance."""


@dataclass(frozen=True)
class Stratum:
    """The tanks of one block (or of parallel arms) that a contrast compares."""

    y: Floats
    x: Floats | None
    treated: NDArray[np.bool_]

    @property
    def count(self) -> int:
        """Number of ways in which the labels could have fallen."""
        return math.comb(len(self.y), int(self.treated.sum()))


def strata(data: TankData, test: int, reference: int) -> list[Stratum]:
    """The blocks that hold both arms, each with the tanks of those two arms."""
    result = []
    mine = np.isin(data.arm, (test, reference))
    order = np.flatnonzero(mine)[np.argsort(data.block[mine], kind="stable")]
    edges = np.flatnonzero(np.r_[True, np.diff(data.block[order]) != 0, True][: len(order) + 1])
    for a, b in pairwise(edges):
        rows = order[a:b]
        treated = data.arm[rows] == test
        if treated.any() and not treated.all():
            result.append(Stratum(data.y[rows], None if data.x is None else data.x[rows], treated))
    return result


@dataclass(frozen=True)
class Law:
    """Distribution of the estimate over the draws.

    ``tail(tau)`` is p under the shift; ``observed(tau)`` the observed estimate under it; ``smooth`` says that
    its steps are too fine to see and each evaluation dear. ``beyond(levels)`` gives the share of draws whose estimate is at
    or above each level (above 0), and that at or below minus each; ``reach`` is the furthest estimate from 0.
    """

    tail: Callable[[float], float]
    observed: Callable[[float], float]
    beyond: Callable[[Floats], Half]
    reach: float
    draws: int
    smallest_p: float
    exact: bool
    smooth: bool


def share(part: Stratum) -> float:
    """A block's observed difference of means."""
    return float(part.y[part.treated].mean() - part.y[~part.treated].mean())


def subset_sums(y: Floats, treated: Floats) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Size, sum of y and number of truly treated tanks of every subset."""
    size = np.zeros(1, dtype=np.int64)
    total = np.zeros(1)
    truly = np.zeros(1)
    for value, label in zip(y, treated, strict=True):
        size = np.concatenate([size, size + 1])
        total = np.concatenate([total, total + value])
        truly = np.concatenate([truly, truly + label])
    return size, total, truly


def block_outcomes(part: Stratum) -> Half:
    """A block's difference of means, and of the treatment indicator, under each way the labels could fall."""
    n, k = len(part.y), int(part.treated.sum())
    label = part.treated.astype(float)
    size, total, truly = subset_sums(part.y, label)
    chosen = size == k
    both = 1 / k + 1 / (n - k)
    return (
        total[chosen] * both - part.y.sum() / (n - k),
        truly[chosen] * both - label.sum() / (n - k),
    )
