"""The law of an estimate without a covariate over all draws, counted by meeting in the middle.

Each half of the blocks (or tanks) is listed once with the sum that each of its draws gives; the two lists are
sorted against each other instead of being multiplied out. Numbers with a finite resolution are counted in whole
multiples of it, and equal sums are merged with their number, so that coarse readings allow any number of blocks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.redraws import CLOSE, Law, Stratum, block_outcomes, share, subset_sums

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

LARGEST_HALF = 2**21
"""Longest list of half-sums that is counted (about 50 MB a list)."""
_WHOLE = 1e-9
"""Relative distance from a whole number below which a scaled reading is that number."""


@dataclass(frozen=True)
class _Half:
    """Sums of half the draw: of the numbers, of the treatment indicator, and how many draws give them.

    ``times`` is None where every sum stands for one draw: sorting is then quicker.
    """

    y: Floats
    v: Floats
    times: Floats | None = None

    def under(self, shift: float) -> tuple[Floats, Floats | None]:
        """The sums under a shift in rising order, with their numbers of draws."""
        sums = self.y - shift * self.v
        if self.times is None:
            return np.sort(sums), None
        order = np.argsort(sums)
        return sums[order], self.times[order]

    @property
    def number(self) -> Floats:
        """How many draws give each sum."""
        return np.ones(len(self.y)) if self.times is None else self.times


def exact_law(parts: list[Stratum]) -> Law | None:
    """The law over all draws without a covariate; None where even the halves are too long to list."""
    scaled, step, whole = _scaled(parts)
    tables = _split_stratum(scaled[0]) if len(scaled) == 1 else _split_blocks(scaled, whole=whole)
    if tables is None:
        return None
    total = math.prod(part.count for part in scaled)
    observed = sum(share(part) for part in scaled)
    weight = float(len(scaled))
    size = sum(float(np.abs(part.y).max()) for part in scaled)

    def tail(tau: float) -> float:
        shift = tau / step
        at = abs(observed - shift * weight)
        near = at - CLOSE * (size + abs(shift) * weight)
        if near <= 0:
            return 1.0
        count = 0.0
        for left, right in tables:
            first, times = left.under(shift)
            second, more = right.under(shift)
            above = np.searchsorted(second, near - first, side="left")
            under = np.searchsorted(second, -near - first, side="right")
            if more is None:
                far = len(second) - above + under
            else:
                below = np.concatenate([[0.0], np.cumsum(more)])
                far = below[-1] - below[above] + below[under]
            count += float(far.sum() if times is None else times @ far)
        return count / total

    longest = max(max(len(left.y), len(right.y)) for left, right in tables)
    return Law(
        tail,
        lambda tau: observed * step / weight - tau,
        total,
        _furthest(tables, weight) / total,
        exact=True,
        smooth=longest > 2**14,
    )


def _furthest(tables: list[tuple[_Half, _Half]], weight: float) -> float:
    """Number of draws that agree with the real one in every label, or in none: the least p times the draws."""
    count = 0.0
    for left, right in tables:
        extremes, which = np.unique(right.v, return_inverse=True)
        for extreme, times in zip(extremes, np.bincount(which, weights=right.number), strict=True):
            count += float(left.number[np.abs(left.v + extreme) >= weight * (1 - CLOSE)].sum() * times)
    return count


def _scaled(parts: list[Stratum]) -> tuple[list[Stratum], float, bool]:
    """Numbers in whole multiples of a step that makes every block's difference of means whole, and that step.

    Numbers without a finite resolution come back as they are, with a step of 1 and False.
    """
    values = np.concatenate([part.y for part in parts])
    groups = math.lcm(*(int(part.treated.sum()) * int((~part.treated).sum()) for part in parts))
    for power in range(10):
        scaled = values * 10.0**power
        if np.abs(scaled).max() * groups > 2**50:
            break
        if np.abs(scaled - np.rint(scaled)).max() <= _WHOLE:
            step = 10.0**-power / groups
            rows = [Stratum(np.rint(part.y * 10.0**power) * groups, None, part.treated) for part in parts]
            return rows, step, True
    return parts, 1.0, False


def _split_stratum(part: Stratum) -> list[tuple[_Half, _Half]] | None:
    """All draws of a single stratum as pairs of lists, one pair for each number of treated tanks on the left."""
    n, k = len(part.y), int(part.treated.sum())
    if 2 ** ((n + 1) // 2) > LARGEST_HALF:
        return None
    label = part.treated.astype(float)
    middle = n // 2
    left = subset_sums(part.y[:middle], label[:middle])
    right = subset_sums(part.y[middle:], label[middle:])
    both = 1 / k + 1 / (n - k)
    y_rest, v_rest = part.y.sum() / (n - k), label.sum() / (n - k)
    tables = []
    for size in range(max(0, k - (n - middle)), min(middle, k) + 1):
        a, b = left[0] == size, right[0] == k - size
        tables.append(
            (
                _Half(left[1][a] * both - y_rest, left[2][a] * both - v_rest),
                _Half(right[1][b] * both, right[2][b] * both),
            )
        )
    return tables


def _split_blocks(parts: list[Stratum], *, whole: bool) -> list[tuple[_Half, _Half]] | None:
    """All draws of several blocks as one pair of lists of half-sums; blocks go to the shorter list in turn."""
    if any(len(part.y) > 22 for part in parts):
        return None
    halves = [_Half(np.zeros(1), np.zeros(1)) for _ in range(2)]
    for part in sorted(parts, key=lambda part: part.count, reverse=True):
        shorter = int(len(halves[1].y) < len(halves[0].y))
        if len(halves[shorter].y) * part.count > LARGEST_HALF:
            return None
        halves[shorter] = _joined(halves[shorter], part, whole=whole)
    return [(halves[0], halves[1])]


def _joined(half: _Half, part: Stratum, *, whole: bool) -> _Half:
    """Sums of a half with one more block; whole sums that are equal are merged."""
    more_y, more_v = block_outcomes(part)
    y = np.add.outer(half.y, more_y).ravel()
    v = np.add.outer(half.v, more_v).ravel()
    if not whole or len(y) < 1024:
        return _Half(y, v, None if half.times is None else np.repeat(half.times, len(more_y)))
    # Indicator sums are multiples of one over the product of the group sizes; this tells them all apart.
    label = np.rint(v * 720_720).astype(np.int64)
    labels, label = np.unique(label, return_inverse=True)
    key = np.rint(y).astype(np.int64) * len(labels) + label
    _, first, which = np.unique(key, return_index=True, return_inverse=True)
    return _Half(
        np.rint(y[first]),
        v[first],
        np.bincount(which, weights=np.repeat(half.number, len(more_y))).astype(float),
    )
