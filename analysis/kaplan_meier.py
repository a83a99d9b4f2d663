"""Product-limit curves of right- and left-censored numbers (Kaplan and Meier 1958, JASA 53:457).

Non-detects are left-censored and are read by flipping the axis, as in every text on them (Helsel 2012, Statistics
for Censored Environmental Data, chapter 6). A censored number that ties with a measured one lies beyond it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Curve:
    """A product-limit curve at its steps, in order of time; one element a distinct time with an event.

    Parameters
    ----------
    time : float array
        Times of events.
    at_risk, events : int array
        Tanks still followed just before each time, and events at it.
    survival, se : float array
        Share without an event after each time, with Greenwood's standard error (0 where the curve is at 0).
    last : float
        Last time of follow-up, censored or not.
    n : int
        Tanks.
    """

    time: Floats
    at_risk: Ints
    events: Ints
    survival: Floats
    se: Floats
    last: float
    n: int

    def at(self, time: float) -> float:
        """Share without an event after a time."""
        index = int(np.searchsorted(self.time, time, side="right"))
        return float(self.survival[index - 1]) if index else 1.0

    def quantile(self, share: float) -> float | None:
        """First time at which no more than 1 - ``share`` are without an event; None if never reached."""
        reached = np.flatnonzero(self.survival <= 1 - share + 1e-12)
        return float(self.time[reached[0]]) if len(reached) else None

    def band(self, level: float) -> tuple[Floats, Floats]:
        """Pointwise limits of the curve on the scale of log(-log S) (Kalbfleisch and Prentice 1980).

        Where the curve stands at 0 there are none, and both limits are NaN.
        """
        low, high = np.full(len(self.time), np.nan), np.full(len(self.time), np.nan)
        inside = self.survival > 0
        s = self.survival[inside]
        half = special.ndtri((1 + level) / 2) * self.se[inside] / (s * -np.log(s))
        low[inside], high[inside] = s ** np.exp(half), s ** np.exp(-half)
        return low, high

    def median_limits(self, level: float) -> tuple[float | None, float | None]:
        """Times between which the median may lie: where the band holds one half.

        Brookmeyer and Crowley (1982, Biometrics 38:29) on the band's scale. None: the side is open.
        """
        low, high = self.band(level)
        first = np.flatnonzero((low <= 0.5) | (self.survival == 0))
        last = np.flatnonzero((high <= 0.5) | (self.survival == 0))
        return (
            float(self.time[first[0]]) if len(first) else None,
            float(self.time[last[0]]) if len(last) else None,
        )

    def area(self, until: float) -> float:
        """Area under the curve from 0 to a time: the mean of min(time, until), the restricted mean.

        Beyond the last follow-up the curve is carried on level.
        """
        edges = np.concatenate([[0.0], self.time[self.time < until], [until]])
        levels = np.concatenate([[1.0], self.survival[self.time < until]])
        return float(np.diff(edges) @ levels)

    def area_se(self, until: float) -> float:
        """Greenwood's standard error of the area (Klein and Moeschberger 2003, section 4.5)."""
        total = 0.0
        whole = self.area(until)
        for time, risk, events in zip(self.time, self.at_risk, self.events, strict=True):
            if time < until and events < risk:
                total += (whole - self.area(time)) ** 2 * events / (risk * (risk - events))
        return float(np.sqrt(total))


def curve(time: Floats, event: Flags) -> Curve:
    """Product-limit curve of right-censored times; ``event`` is False where a time is censored.

    Examples
    --------
    >>> fitted = curve(np.array([2.0, 3.0, 3.0, 5.0]), np.array([True, True, False, False]))
    >>> fitted.survival
    array([0.75, 0.5 ])
    """
    times = np.unique(time[event])
    at_risk = (time[:, None] >= times).sum(axis=0)
    events = ((time[:, None] == times) & event[:, None]).sum(axis=0)
    survival = np.cumprod(1 - events / at_risk)
    left = at_risk - events
    terms = np.where(left > 0, events / (at_risk * np.maximum(left, 1)), 0.0)
    se = survival * np.sqrt(np.cumsum(terms))
    return Curve(times, at_risk, events, survival, se, float(time.max(initial=0.0)), len(time))


class Leftover(StrEnum):
    """Where the mass goes that lies below everything measured: the mean and the sd depend on it."""

    LIMIT = "lowest limit"
    """At the lowest limit: as if the lowest number were a measured one (Efron 1967)."""
    DETECT = "lowest detect"
    """At the lowest measured number."""


@dataclass(frozen=True)
class CensoredMean:
    """Mean and sd by the product-limit curve, for descriptive tables.

    ``leftover`` is the share placed at ``placed_at``; the sd is that of the curve's masses (divisor n).
    """

    mean: float
    sd: float
    n: int
    n_below: int
    leftover: float
    placed_at: float | None


def censored_mean(value: Floats, below: Flags, leftover: Leftover) -> CensoredMean | None:
    """Mean of numbers of which some are known only to lie below a limit.

    Parameters
    ----------
    value : float array
        Measured numbers, and the limits of the others.
    below : bool array
        True where ``value`` is a limit.
    leftover : Leftover
        Only matters if the lowest number is a limit. A limit above the lowest detect keeps no mass.

    Returns
    -------
    CensoredMean or None
        None where nothing was measured.

    Examples
    --------
    >>> value, below = np.array([2.0, 4.0, 5.0, 3.0]), np.array([True, False, False, False])
    >>> censored_mean(value, below, Leftover.LIMIT).mean
    3.5
    """
    if below.all():
        return None
    flipped = curve(-value, ~below)
    places = -flipped.time
    mass = -np.diff(np.concatenate([[1.0], flipped.survival]))
    rest = float(flipped.survival[-1])
    placed = None
    if rest > 0:
        placed = float(value.min()) if leftover is Leftover.LIMIT else float(places[-1])
        places, mass = np.append(places, placed), np.append(mass, rest)
    mean = float(mass @ places)
    sd = float(np.sqrt(mass @ (places - mean) ** 2))
    return CensoredMean(mean, sd, len(value), int(below.sum()), rest, placed)
