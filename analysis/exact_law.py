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

from analysis.redraws import CLOSE, Law, Stratum, block_outcomes, share

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

LARGEST_HALF = 2**21
"""Longest list of half-sums of blocks that is counted (about 50 MB a list)."""
LARGEST_STRATUM = 2**18
"""The same for tanks of a single stratum: 36 tanks without a finite resolution, more with one."""
MOST_TANKS = 150
"""Tanks of a single stratum beyond which even coarse sums outgrow the lists: not tried."""
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
    tables = (
        _split_stratum(scaled[0], whole=whole) if len(scaled) == 1 else _split_blocks(scaled, whole=whole)
    )
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
        return sum(sum(_counted(pair, near, shift)) for pair in tables) / total

    def beyond(levels: Floats) -> tuple[Floats, Floats]:
        near = levels * weight / step - CLOSE * size
        counts = np.array([[_counted(pair, level, 0.0) for pair in tables] for level in near])
        above, below = counts.sum(axis=1).T / total
        return above, below

    longest = max(max(len(left.y), len(right.y)) for left, right in tables)
    return Law(
        tail,
        lambda tau: observed * step / weight - tau,
        beyond,
        max(_largest(pair) for pair in tables) * step / weight,
        total,
        _furthest(tables, weight) / total,
        exact=True,
        smooth=longest > 2**14,
    )


def _counted(pair: tuple[_Half, _Half], near: float, shift: float) -> tuple[float, float]:
    """Draws whose sum under a shift is at or above a level, and those at or below minus the level."""
    left, right = pair
    first, times = left.under(shift)
    second, more = right.under(shift)
    above = np.searchsorted(second, near - first, side="left")
    under = np.searchsorted(second, -near - first, side="right")
    if more is None:
        high, low = len(second) - above, under
    else:
        below = np.concatenate([[0.0], np.cumsum(more)])
        high, low = below[-1] - below[above], below[under]
    if times is None:
        return float(high.sum()), float(low.sum())
    return float(times @ high), float(times @ low)


def _largest(pair: tuple[_Half, _Half]) -> float:
    """The furthest sum from 0 that the two halves can make."""
    left, right = (half.y for half in pair)
    return float(max(left.max() + right.max(), -left.min() - right.min()))


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


def _split_stratum(part: Stratum, *, whole: bool) -> list[tuple[_Half, _Half]] | None:
    """All draws of a single stratum as pairs of lists, one pair for each number of treated tanks on the left."""
    n, k = len(part.y), int(part.treated.sum())
    if n > MOST_TANKS:
        return None
    lists = [{0: _Half(np.zeros(1), np.zeros(1))} for _ in range(2)]
    for value, label in zip(part.y, part.treated.astype(float), strict=True):
        lengths = [sum(len(half.y) for half in half_list.values()) for half_list in lists]
        shorter = int(lengths[1] < lengths[0])
        if 2 * lengths[shorter] > LARGEST_STRATUM:
            return None
        lists[shorter] = _with_tank(lists[shorter], value, label, k, whole=whole)
    left, right = lists
    both = 1 / k + 1 / (n - k)
    y_rest, v_rest = part.y.sum() / (n - k), k / (n - k)
    return [
        (
            _Half(half.y * both - y_rest, half.v * both - v_rest, half.times),
            _Half(right[k - size].y * both, right[k - size].v * both, right[k - size].times),
        )
        for size, half in left.items()
        if k - size in right
    ]


def _with_tank(
    halves: dict[int, _Half], value: float, label: float, most: int, *, whole: bool
) -> dict[int, _Half]:
    """Subsets by size with one more tank, left out or taken in; whole sums that are equal are merged."""
    grown = {}
    for size in range(min(max(halves) + 1, most) + 1):
        kept, taken = halves.get(size), halves.get(size - 1)
        pieces = [(kept.y, kept.v, kept.number)] if kept else []
        if taken:
            pieces.append((taken.y + value, taken.v + label, taken.number))
        y, v, number = (np.concatenate(column) for column in zip(*pieces, strict=True))
        grown[size] = _merged(y, v, number) if whole and len(y) > 64 else _Half(y, v, number)
    return grown


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
    return _merged(y, v, np.repeat(half.number, len(more_y)))


def _merged(y: Floats, v: Floats, number: Floats) -> _Half:
    """Each whole sum once, with the number of draws that give it."""
    # Indicator sums are multiples of one over the product of the group sizes; this tells them all apart.
    labels, label = np.unique(np.rint(v * 720_720).astype(np.int64), return_inverse=True)
    key = np.rint(y).astype(np.int64) * len(labels) + label
    _, first, which = np.unique(key, return_index=True, return_inverse=True)
    return _Half(np.rint(y[first]), v[first], np.bincount(which, weights=number).astype(float))
