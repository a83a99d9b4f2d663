"""The law of an estimate without a covariate over all draws, counted by meeting in the middle."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from analysis.redraws import CLOSE, Law, Stratum, block_outcomes, share, subset_sums

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Half = tuple[Floats, Floats]

LARGEST_HALF = 2**21
"""Longest list of half-sums that is counted (about 50 MB a list)."""
_WHOLE = 1e-9
"""Relative distance from a whole number below which a scaled reading is that number."""


def exact_law(parts: list[Stratum]) -> Law | None:
    """The law over all draws without a covariate; None where even the halves are too long to list."""
    scaled, step = _whole(parts)
    tables = _split_stratum(scaled[0]) if len(scaled) == 1 else _split_blocks(scaled)
    if tables is None:
        return None
    total = math.prod(part.count for part in scaled)
    observed = sum(share(part) for part in scaled)
    weight = float(len(scaled))
    shares = sum(float(np.abs(part.y).max()) for part in scaled)

    def tail(tau: float) -> float:
        shift = tau / step
        at = abs(observed - shift * weight)
        near = at - CLOSE * (shares + abs(shift) * weight)
        if near <= 0:
            return 1.0
        count = 0
        for (y_left, v_left), (y_right, v_right) in tables:
            left = np.sort(y_left - shift * v_left)
            right = np.sort(y_right - shift * v_right)
            count += int((len(right) - np.searchsorted(right, near - left, side="left")).sum())
            count += int(np.searchsorted(right, -near - left, side="right").sum())
        return count / total

    far = sum(
        int(np.sum(np.abs(v_left + extreme) >= weight * (1 - CLOSE)) * times)
        for (_, v_left), (_, v_right) in tables
        for extreme, times in zip(*np.unique(v_right, return_counts=True), strict=True)
    )
    longest = max(max(len(left[0]), len(right[0])) for left, right in tables)
    return Law(
        tail,
        lambda tau: observed * step / weight - tau,
        total,
        far / total,
        exact=True,
        smooth=longest > 2**14,
    )


def _whole(parts: list[Stratum]) -> tuple[list[Stratum], float]:
    """Numbers in whole multiples of their resolution, and that resolution; as they are where there is none."""
    values = np.concatenate([part.y for part in parts])
    for power in range(10):
        scaled = values * 10.0**power
        if np.abs(scaled).max() > 2**50:
            break
        if np.abs(scaled - np.rint(scaled)).max() <= _WHOLE:
            return [
                Stratum(np.rint(part.y * 10.0**power), None, part.treated) for part in parts
            ], 10.0**-power
    return parts, 1.0


def _split_stratum(part: Stratum) -> list[tuple[Half, Half]] | None:
    """All draws of a single stratum as pairs of lists, one pair for each number of treated tanks on the left."""
    n, k = len(part.y), int(part.treated.sum())
    if 2 ** ((n + 1) // 2) > LARGEST_HALF:
        return None
    label = part.treated.astype(float)
    middle = n // 2
    left = subset_sums(part.y[:middle], label[:middle])
    right = subset_sums(part.y[middle:], label[middle:])
    spread = 1 / k + 1 / (n - k)
    y_rest, v_rest = part.y.sum() / (n - k), label.sum() / (n - k)
    tables = []
    for size in range(max(0, k - (n - middle)), min(middle, k) + 1):
        a, b = left[0] == size, right[0] == k - size
        tables.append(
            (
                (left[1][a] * spread - y_rest, left[2][a] * spread - v_rest),
                (right[1][b] * spread, right[2][b] * spread),
            )
        )
    return tables


def _split_blocks(parts: list[Stratum]) -> list[tuple[Half, Half]] | None:
    """All draws of several blocks as one pair of lists of half-sums."""
    order = sorted(parts, key=lambda part: part.count, reverse=True)
    if any(len(part.y) > 22 for part in order):
        return None
    halves: list[list[Stratum]] = [[], []]
    sizes = [1, 1]
    for part in order:
        shorter = int(sizes[1] < sizes[0])
        halves[shorter].append(part)
        sizes[shorter] *= part.count
    if max(sizes) > LARGEST_HALF:
        return None
    left, right = (_sums(half) for half in halves)
    return [(left, right)]


def _sums(parts: list[Stratum]) -> Half:
    y, v = np.zeros(1), np.zeros(1)
    for part in parts:
        more_y, more_v = block_outcomes(part)
        y = (y[:, None] + more_y).ravel()
        v = (v[:, None] + more_v).ravel()
    return y, v
