"""Axes with round ticks that hold all that is drawn, linear or logarithmic, with room for what is written on them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.ticker import MaxNLocator
from plotnine import scale_x_continuous, scale_x_log10, scale_y_continuous, scale_y_log10

from analysis.numerals import number, quantity

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

_ROUND = (1.0, 2.0, 5.0)
_WIDEST_WITH_STEPS = 2.3
"""Decades up to which 1, 2 and 5 are all written."""


@dataclass(frozen=True)
class Axis:
    """An axis from ``low`` to ``high``; positions along it are shares of its length."""

    low: float
    high: float
    log: bool
    ticks: tuple[float, ...]

    def at(self, share: float) -> float:
        """The value at a share of the axis: 0 its low end, 1 its high end."""
        if share == 1:
            return self.high  # exactly: rounding would put it off the axis
        if self.log:
            return float(self.low * (self.high / self.low) ** share)
        return self.low + (self.high - self.low) * share

    def share(self, value: float) -> float:
        """Where a value lies: the inverse of ``at``."""
        if self.log:
            return math.log(value / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)

    def moved(self, value: float, share: float) -> float:
        """The value that lies a share of the axis further on, kept on the axis."""
        return self.at(min(max(self.share(value) + share, 0.0), 1.0))

    def labels(self, ticks: Sequence[float]) -> list[str]:
        """Ticks as text, alike in their decimals on a linear axis."""
        if self.log or len(ticks) < 2:
            return [quantity(tick) for tick in ticks]
        step = min(b - a for a, b in pairwise(ticks))
        places = max(len(quantity(step).partition(".")[2]), 0)
        return [number(tick, places) for tick in ticks]

    def scale_x(self, labels: Any = None) -> Any:
        """The axis as plotnine's scale of x."""
        kind = scale_x_log10 if self.log else scale_x_continuous
        return kind(**self._limits(), labels=labels or self.labels)

    def scale_y(self) -> Any:
        """The axis as plotnine's scale of y."""
        kind = scale_y_log10 if self.log else scale_y_continuous
        return kind(**self._limits(), labels=self.labels)

    def _limits(self) -> dict[str, Any]:
        return {
            "limits": (self.low, self.high),
            "breaks": list(self.ticks),
            "minor_breaks": [],
            "expand": (0, 0),
        }


def value_axis(values: Iterable[float], *, log: bool, below: float = 0.05, above: float = 0.05) -> Axis:
    """An axis over all values, with shares of its length left free at either end.

    A linear axis of numbers that are all positive starts at 0 where they come near it.
    """
    known = np.array([value for value in values if math.isfinite(value)], dtype=float)
    if known.size == 0:
        known = np.array([1.0, 10.0] if log else [0.0, 1.0])
    work = np.log10(known) if log else known
    low, high = float(work.min()), float(work.max())
    if high - low < 1e-9 * max(1.0, abs(high)):
        pad = 0.15 if log else max(abs(high) * 0.1, 0.5)
        low, high = low - pad, high + pad
    inner = 1 - below - above
    start, end = low - (high - low) * below / inner, high + (high - low) * above / inner
    if not log and 0 <= low < 0.5 * high:
        start, end = 0.0, high / (1 - above)
    if log:
        start, end = 10**start, 10**end
    return Axis(start, end, log, _ticks(start, end, log=log))


def _ticks(low: float, high: float, *, log: bool) -> tuple[float, ...]:
    if log:
        decades = math.log10(high / low)
        factors = _ROUND if decades <= _WIDEST_WITH_STEPS else (1.0,)
        every = max(1, math.ceil(decades / 8))
        powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
        ticks = [f * 10.0**power for power in powers if power % every == 0 for f in factors]
        inside = tuple(tick for tick in ticks if low <= tick <= high)
        if len(inside) >= 3:
            return inside
    steps = MaxNLocator(nbins=5, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
    return tuple(float(tick) for tick in steps if low <= tick <= high and (tick > 0 or not log))
