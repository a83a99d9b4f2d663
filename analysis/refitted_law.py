"""The law of an estimate that is refitted for every draw: all draws where they can be listed, else a sample.

Every estimate here is linear in the tanks' numbers, so each draw is kept as two numbers: the estimate from the
observed numbers, and that from the observed treatment indicator; under a shift the first loses the shift times
the second.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from analysis.redraws import CLOSE, Law, Stratum

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Estimator = Callable[[Flags], tuple[Floats, Floats]]
    """Labels (draws, tanks) to the estimate of each draw, from the numbers and from the indicator."""

LARGEST_REFIT = 2**16
"""Most draws that are refitted one and all."""
DRAWS = 19_999
"""Monte Carlo draws beyond that: with the observed one, p has steps of 1/20,000."""
_BATCH = 4_000_000
"""Labels held at once."""
_MOST_BATCHES = 400
"""Batches of a sample under a rule before it is taken as it is: rules that few draws meet are rare."""


def own_law(parts: list[Stratum], seed: int, admissible: Callable[[Flags], Flags] | None = None) -> Law:
    """The law of the ``own`` comparison with a baseline covariate, or under a rule that draws had to meet.

    Several blocks: intercept of the block differences on the baseline differences. One stratum: difference of
    means less the within-arm slope times the difference of baseline means.

    Parameters
    ----------
    admissible : function, optional
        Takes labels (draws, tanks of the strata in order) and says which draws the rule would have let stand.
    """
    return refitted_law(parts, seed, _own_estimator(parts), admissible)


def refitted_law(
    parts: list[Stratum],
    seed: int,
    estimator: Estimator,
    admissible: Callable[[Flags], Flags] | None = None,
) -> Law:
    """The law of a linear estimate over the draws of ``parts``."""
    total = math.prod(part.count for part in parts)
    exact = total <= LARGEST_REFIT and all(len(part.y) <= 22 for part in parts)
    kept: list[tuple[Floats, Floats]] = []
    for labels in _listed(parts) if exact else _sampled(parts, np.random.default_rng(seed)):
        chosen = labels if admissible is None else labels[admissible(labels)]
        kept.append(estimator(chosen))
        if not exact and sum(len(y) for y, _ in kept) >= DRAWS:
            break
    y, v = (np.concatenate(column) for column in zip(*kept, strict=True))
    if not exact:
        y, v = y[:DRAWS], v[:DRAWS]
    own = estimator(np.concatenate([part.treated for part in parts])[None, :])
    observed, unit = float(own[0][0]), float(own[1][0])
    added = 0 if exact else 1  # the observed draw is one of those that could have been

    def tail(tau: float) -> float:
        values = np.abs(y - tau * v)
        at = abs(observed - tau * unit)
        near = at - CLOSE * max(float(values.max(initial=0.0)), at)
        return (int((values >= near).sum()) + added) / (len(y) + added)

    def beyond(levels: Floats) -> tuple[Floats, Floats]:
        values = np.sort(y)
        near = levels - CLOSE * max(float(np.abs(values).max(initial=0.0)), abs(observed))
        above = len(values) - np.searchsorted(values, near, side="left") + added * (observed >= near)
        below = np.searchsorted(values, -near, side="right") + added * (observed <= -near)
        return above / (len(values) + added), below / (len(values) + added)

    # Under a shift without end only draws that agree with the real one in every label keep up.
    far = float((np.abs(v) >= abs(unit) * (1 - 1e-9)).sum() + added) / (len(y) + added)
    smallest = far if exact else max(1 / (len(y) + 1), 1 / total)
    reach = max(float(np.abs(y).max(initial=0.0)), abs(observed))
    return Law(
        tail,
        lambda tau: observed - tau * unit,
        beyond,
        reach,
        len(y),
        smallest,
        exact=exact,
        smooth=False,
    )


def _listed(parts: list[Stratum]) -> Iterator[Flags]:
    """Labels of all draws, in one piece."""
    labels = np.zeros((1, 0), dtype=bool)
    for part in parts:
        mine = _labellings(len(part.y), int(part.treated.sum()))
        labels = np.hstack([np.repeat(labels, len(mine), axis=0), np.tile(mine, (len(labels), 1))])
    yield labels


def _labellings(n: int, k: int) -> Flags:
    """Every way to label k of n tanks."""
    numbers = np.arange(2**n)
    bits = (numbers[:, None] >> np.arange(n) & 1).astype(bool)
    return np.asarray(bits[bits.sum(axis=1) == k])


def _sampled(parts: list[Stratum], rng: np.random.Generator) -> Iterator[Flags]:
    """Labels of random draws, a batch at a time."""
    width = sum(len(part.y) for part in parts)
    batch = max(1, min(DRAWS, _BATCH // width))
    for _ in range(max(_MOST_BATCHES, math.ceil(DRAWS / batch))):
        pieces = []
        for part in parts:
            n, k = len(part.y), int(part.treated.sum())
            chosen = np.argpartition(rng.random((batch, n)), k - 1, axis=1)[:, :k]
            labels = np.zeros((batch, n), dtype=bool)
            np.put_along_axis(labels, chosen, values=True, axis=1)
            pieces.append(labels)
        yield np.hstack(pieces)


def _own_estimator(parts: list[Stratum]) -> Estimator:
    edges = np.cumsum([0, *(len(part.y) for part in parts)])
    with_x = all(part.x is not None for part in parts)

    def estimate(labels: Flags) -> tuple[Floats, Floats]:
        shares = [
            _differences(labels[:, a:b], part, with_x=with_x)
            for a, b, part in zip(edges[:-1], edges[1:], parts, strict=True)
        ]
        y, v, x = (np.stack(column, axis=1) for column in zip(*shares, strict=True))
        if not with_x:
            return y.mean(axis=1), v.mean(axis=1)
        return (_within_slope if len(parts) == 1 else _intercept)(y, v, x, parts)

    return estimate


def _differences(labels: Flags, part: Stratum, *, with_x: bool) -> tuple[Floats, Floats, Floats]:
    """Differences of means of y, of the treatment indicator and of x in one stratum; one element a draw."""
    n, k = len(part.y), int(part.treated.sum())
    x = part.x if with_x and part.x is not None else np.zeros(n)
    columns = np.column_stack([part.y, part.treated.astype(float), x])
    sums = labels.astype(float) @ columns
    means = sums / k - (columns.sum(axis=0) - sums) / (n - k)
    return means[:, 0], means[:, 1], means[:, 2]


def _intercept(y: Floats, v: Floats, x: Floats, _: list[Stratum]) -> tuple[Floats, Floats]:
    """Intercepts of block differences on baseline differences, a row a draw."""
    centre = x - x.mean(axis=1, keepdims=True)
    sxx = (centre**2).sum(axis=1)
    usable = sxx > 1e-12 * np.maximum((x**2).sum(axis=1), 1e-300)

    def at_zero(values: Floats) -> Floats:
        slope = np.divide((centre * values).sum(axis=1), sxx, out=np.zeros(len(sxx)), where=usable)
        return np.asarray(values.mean(axis=1) - slope * x.mean(axis=1))

    return at_zero(y), at_zero(v)


def _within_slope(y: Floats, v: Floats, x: Floats, parts: list[Stratum]) -> tuple[Floats, Floats]:
    """Differences of means less the within-arm slope times the difference of baseline means."""
    (part,) = parts
    n, k = len(part.y), int(part.treated.sum())
    between = k * (n - k) / n
    centre = part.x - part.x.mean() if part.x is not None else np.zeros(n)
    dx = x[:, 0]
    sxx = float(centre @ centre)
    within = sxx - between * dx**2

    def adjusted(d: Floats, values: Floats) -> Floats:
        covariance = float(centre @ values) - between * d * dx
        usable = within > 1e-12 * max(sxx, 1e-300)
        return np.asarray(d - np.divide(covariance, within, out=np.zeros_like(d), where=usable) * dx)

    return adjusted(y[:, 0], part.y), adjusted(v[:, 0], part.treated.astype(float))
