"""The law of one count given all margins: what every exact test of counts here comes down to.

Given the totals of each block, the count K of the test arm has P(K = k) proportional to C(k) theta^k, theta the
ratio in question and C the convolution of the blocks' own coefficients (Gart 1970, Biometrika 57:471; Mehta, Patel
and Gray 1985, JASA 80:969). Nuisance levels of blocks are gone, whatever they are. Tails move one way with theta, so
limits follow by inversion (Clopper and Pearson 1934), and p is twice the smaller tail: it agrees with the limits.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special
from scipy.optimize import brentq

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_TIE = 1e-7
"""Relative distance below which two probabilities are one, as R's exact tests have it."""


@dataclass(frozen=True)
class ExactRatio:
    """A ratio of rates or odds, test over reference, by an exact conditional law.

    ``estimate`` is the conditional maximum-likelihood estimate. A ``high`` or ``estimate`` of None is unbounded;
    without any event that could have fallen to either arm the estimate is None and the limits are 0 and None.
    ``p`` is twice the smaller tail, at most 1, and agrees with the limits; ``p_by_likelihood`` adds the
    probabilities of all counts no likelier than the observed one, as many programs print it.
    """

    estimate: float | None
    low: float
    high: float | None
    p: float
    p_by_likelihood: float
    count: int
    """Events of the test arm in blocks that tell anything."""
    total: int
    """Events of both arms in those blocks."""


def combine(blocks: Sequence[tuple[int, Floats]]) -> tuple[int, Floats]:
    """Convolve the laws of independent blocks, each as its lowest count and the logarithms of its coefficients."""
    lowest, total = 0, np.zeros(1)
    for start, logs in blocks:
        lowest += start
        longer = np.full(len(total) + len(logs) - 1, -np.inf)
        for shift, value in enumerate(logs):
            part = slice(shift, shift + len(total))
            longer[part] = np.logaddexp(longer[part], total + value)
        total = longer
    return lowest, total


def exact_ratio(lowest: int, logs: Floats, count: int, total: int, level: float) -> ExactRatio:
    """Estimate, limits and p of theta from the combined law and the observed count.

    Examples
    --------
    Nine of ten events in the test arm, equal exposure:

    >>> nine = exact_ratio(0, np.log(special.comb(10, np.arange(11))), 9, 10, 0.95)
    >>> round(nine.estimate, 6), round(nine.p, 6)
    (9.0, 0.021484)
    """
    k = np.arange(len(logs))
    at = count - lowest
    last = len(logs) - 1
    if last == 0:
        return ExactRatio(None, 0.0, None, 1.0, 1.0, count, total)

    def log_law(log_theta: float) -> Floats:
        terms = logs + k * log_theta
        return np.asarray(terms - special.logsumexp(terms))

    null = np.exp(log_law(0.0))
    p = float(min(1.0, 2 * min(null[: at + 1].sum(), null[at:].sum())))
    by_likelihood = float(min(1.0, null[null <= null[at] * (1 + _TIE)].sum()))
    log_tail = float(np.log((1 - level) / 2))
    low = high = estimate = None
    if at > 0:
        low = _root(lambda x: float(special.logsumexp(log_law(x)[at:])) - log_tail)
    if at < last:
        high = _root(lambda x: log_tail - float(special.logsumexp(log_law(x)[: at + 1])))
        estimate = _root(lambda x: float(np.exp(log_law(x)) @ k) - at) if at > 0 else 0.0
    return ExactRatio(estimate, low or 0.0, high, p, by_likelihood, count, total)


def _root(rising: Callable[[float], float]) -> float:
    """Exponential of the root of a rising function of log theta."""
    low, high = -1.0, 1.0
    while rising(low) > 0:
        low *= 2
    while rising(high) < 0:
        high *= 2
    return float(np.exp(brentq(rising, low, high, xtol=1e-13, rtol=1e-14)))
