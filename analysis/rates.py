"""Counts over exposure: losses, faults and stall days, by exact conditional methods.

Rates are per unit of exposure, tank-days throughout. Poisson tests take the events inside a tank as independent;
faults often come in runs, so :func:`dispersion` stands beside, and where it is large the tanks' own rates compared
by the registered randomisation test are the answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special, stats

from analysis.conditional_law import ExactRatio, combine, exact_ratio
from schemas.errors import AnalysisError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Rate:
    """Events over exposure with Garwood's exact limits (1936, Biometrika 28:437)."""

    events: int
    exposure: float
    rate: float
    low: float
    high: float


@dataclass(frozen=True)
class Exposed:
    """Events and exposure of one arm, one element a block (one element alone in parallel arms)."""

    events: Ints
    exposure: Floats


@dataclass(frozen=True)
class Dispersion:
    """Pearson's statistic of counts about the rate of their arm, over its degrees of freedom.

    ``ratio`` is 1 on average for independent events; ``p`` is of a larger one, by chi-square, rough for counts
    whose expectation is below about 5. None without degrees of freedom or events.
    """

    chi2: float
    df: int
    ratio: float | None
    p: float | None


def rate(events: int, exposure: float, level: float) -> Rate:
    """One rate with exact limits.

    Examples
    --------
    No loss in 1,000 tank-days says that the rate is below about 3.7 in a thousand:

    >>> round(rate(0, 1000.0, 0.95).high * 1000, 3)
    3.689
    """
    if exposure <= 0:
        raise AnalysisError(f"{events} events over an exposure of {exposure:g} have no rate.")
    tail = (1 - level) / 2
    low = float(stats.chi2.ppf(tail, 2 * events)) / 2 if events else 0.0
    high = float(stats.chi2.isf(tail, 2 * events + 2)) / 2
    return Rate(events, exposure, events / exposure, low / exposure, high / exposure)


def rate_ratio(test: Exposed, reference: Exposed, level: float) -> ExactRatio:
    """Ratio of two Poisson rates, one ratio in all blocks, each block with a level of its own.

    Given a block's events, those of the test arm are binomial (Przyborowski and Wilenski 1940, Biometrika 31:313).
    Blocks in which either arm has no exposure tell nothing and are left out.
    """
    both = (test.exposure > 0) & (reference.exposure > 0)
    laws = []
    totals = (test.events + reference.events)[both]
    odds = test.exposure[both] / reference.exposure[both]
    for n, share in zip(totals.tolist(), odds.tolist(), strict=True):
        laws.append((0, _log_choose(n, np.arange(n + 1)) + np.arange(n + 1) * float(np.log(share))))
    return exact_ratio(*combine(laws), int(test.events[both].sum()), int(totals.sum()), level)


def dispersion(events: Ints, exposure: Floats, group: Ints) -> Dispersion:
    """How far tanks' counts spread beyond independent events; one element a tank, ``group`` its arm."""
    chi2, df = 0.0, 0
    for code in np.unique(group):
        mine = (group == code) & (exposure > 0)
        total = events[mine].sum()
        if total == 0:
            continue
        expected = total * exposure[mine] / exposure[mine].sum()
        chi2 += float(((events[mine] - expected) ** 2 / expected).sum())
        df += int(mine.sum()) - 1
    if df == 0:
        return Dispersion(chi2, 0, None, None)
    return Dispersion(chi2, df, chi2 / df, float(stats.chi2.sf(chi2, df)))


def _log_choose(n: int, k: Ints) -> Floats:
    return np.asarray(special.gammaln(n + 1) - special.gammaln(k + 1) - special.gammaln(n - k + 1))
