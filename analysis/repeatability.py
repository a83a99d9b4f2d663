"""How far a kit lies from itself: the spread of readings within and between tanks.

One-way analysis of variance by tank with unequal numbers of readings (ISO 5725-2:2019, section 7.4); "tank" may as
well be a laboratory, a tester or a sample.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special, stats

from schemas.errors import AnalysisError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Limits:
    """A number with its confidence limits."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Components:
    """One-way analysis of variance by tank: mean of all readings, and the standard deviations it parts.

    ``within`` and ``between`` are standard deviations; a negative estimate between tanks is taken as 0.
    ``size`` is the mean number of readings a tank that stands for unequal ones (ISO 5725-2).
    """

    mean: float
    within: float
    between: float
    groups: int
    n: int
    size: float

    @property
    def total(self) -> float:
        """Standard deviation of a single reading of a tank taken at random."""
        return float(np.hypot(self.within, self.between))


@dataclass(frozen=True)
class Repeatability:
    """How far two readings of the same water by the same kit may lie apart.

    ``sd`` is the within-tank standard deviation with its exact confidence limits; ``limit`` the difference that
    ``share`` of pairs stay within (1.96 sqrt 2 sd for 95%), also by its limits.
    """

    sd: Limits
    limit: Limits
    df: int
    share: float


def components(value: Floats, tank: Ints) -> Components:
    """Means and standard deviations within and between tanks; ``within`` is NaN where no tank was read twice.

    Raises
    ------
    AnalysisError
        For fewer than two tanks.
    """
    _, code, size = np.unique(tank, return_inverse=True, return_counts=True)
    k, n = len(size), len(value)
    if k < 2:
        raise AnalysisError(f"spread between tanks needs two tanks at least; there are {k}.")
    mean = float(value.mean())
    means = np.bincount(code, weights=value) / size
    squares = float(((value - means[code]) ** 2).sum())
    within = squares / (n - k) if n > k else float("nan")
    typical = (n - float((size**2).sum()) / n) / (k - 1)
    between = (float(size @ (means - mean) ** 2) / (k - 1) - (within if n > k else 0.0)) / typical
    return Components(mean, float(np.sqrt(within)), float(np.sqrt(max(between, 0.0))), k, n, typical)


def repeatability(value: Floats, tank: Ints, *, level: float, share: float = 0.95) -> Repeatability:
    """Within-tank standard deviation from duplicates (or more), with exact limits by chi-square.

    Raises
    ------
    AnalysisError
        Where no tank was read twice.
    """
    _, code, size = np.unique(tank, return_inverse=True, return_counts=True)
    df = len(value) - len(size)
    if df < 1:
        raise AnalysisError("repeatability needs a tank that was read twice by the same kit on the same day.")
    squares = float(((value - (np.bincount(code, weights=value) / size)[code]) ** 2).sum())
    ends = [np.sqrt(squares / float(stats.chi2.ppf(p, df))) for p in ((1 + level) / 2, (1 - level) / 2)]
    sd = Limits(float(np.sqrt(squares / df)), float(ends[0]), float(ends[1]))
    factor = float(special.ndtri((1 + share) / 2) * np.sqrt(2))
    return Repeatability(sd, Limits(sd.value * factor, sd.low * factor, sd.high * factor), df, share)
