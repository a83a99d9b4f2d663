"""What a trial could show: power, interval width and chances of each verdict by formula.

Everything follows from one number, the ratio of the effect to the standard error of its contrast, through the
noncentral t distribution; effects, margins and widths are on the working scale (logarithms for ratios). A
covariate's chance imbalance is averaged over exactly: the share of the precision that is left is distributed as
Beta(df/2 + 1/2, 1/2) when the baselines are normal.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy import special, stats
from scipy.optimize import brentq

from analysis.dunnett import critical_value
from analysis.noncentral_t import cdf
from analysis.precision import Precision, contrast_correlation
from schemas.errors import AnalysisError
from schemas.vocabulary import Multiplicity, Verdict

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from analysis.precision import Layout

    Floats = NDArray[np.float64]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(80)
_IMBALANCE_NODES = 12


def power(
    effect: float, precision: Precision, alpha: float = 0.05, *, sides: int = 2, critical: float | None = None
) -> float:
    """Probability that the test of no difference rejects.

    Parameters
    ----------
    effect : float
        True difference; with ``sides=1`` positive in the direction tested.
    precision : Precision
    alpha : float
        Of the test, after sharing (see :func:`first_step`).
    sides : int
        1 or 2. Both tails count on two sides.
    critical : float, optional
        Limit that |t| (or t) must pass, in place of the t quantile of ``alpha``.

    Examples
    --------
    Twenty tanks a group, a difference of one standard deviation:

    >>> from analysis.precision import parallel, precision
    >>> from schemas.vocabulary import Variance
    >>> two = precision(parallel("ab", [20, 20]), "b", "a", 1.0, variance=Variance.POOLED)
    >>> round(power(1.0, two), 6)
    0.868953
    """
    limit = _quantile(precision.df, alpha / sides) if critical is None else critical

    def at(ratio: float) -> float:
        upper = 1 - cdf(limit, precision.df, ratio)
        return upper + cdf(-limit, precision.df, ratio) if sides == 2 else upper

    kept, weight = _precision_kept(precision)
    ratio = effect / precision.se
    return min(1.0, float(sum(w * at(ratio * math.sqrt(u)) for u, w in zip(kept, weight, strict=True))))


def noninferiority_power(effect: float, margin: float, precision: Precision, alpha: float = 0.05) -> float:
    """Probability that the one-sided test shows the effect to lie above minus the margin.

    ``effect`` counts as better when higher; turn its sign for an outcome that is better when lower.
    """
    return power(effect + margin, precision, alpha, sides=1)


def equivalence_power(effect: float, margin: float, precision: Precision, alpha: float = 0.05) -> float:
    """Probability that both one-sided tests reject: the difference is shown to lie within the margin.

    Exact, by integrating over the distribution of the estimated standard error (Owen 1965, Biometrika 52:437).
    """
    limit = _quantile(precision.df, alpha)

    def at(se: float) -> float:
        x, weight = _spread(precision.df, [margin / (limit * se)])
        half = limit * se * x
        inside = special.ndtr((margin - effect - half) / se) - special.ndtr((half - margin - effect) / se)
        return float(np.maximum(inside, 0.0) @ weight)

    return _over_imbalance(precision, at)


def verdict_chances(
    effect: float, margin: float, precision: Precision, alpha: float = 0.05
) -> dict[Verdict, float]:
    """Probability of each verdict, read off the two-sided interval at 1 - alpha against the worthwhile difference."""
    limit = _quantile(precision.df, alpha / 2)

    def at(se: float) -> Floats:
        x, weight = _spread(precision.df, [margin / (limit * se), margin / (2 * limit * se)])
        half = limit * se * x

        def between(low: Floats, high: Floats) -> Floats:
            """Chance that the estimate lies between two limits; 0 where they have crossed."""
            chance = special.ndtr((high - effect) / se) - special.ndtr((low - effect) / se)
            return np.where(high > low, chance, 0.0)

        endless = np.full_like(half, math.inf)
        worthwhile = between(margin + half, endless) + between(-endless, -margin - half)
        differs = between(half, endless) + between(-endless, -half)
        small = between(half, margin - half) + between(half - margin, -half)
        inside = between(half - margin, margin - half)
        chances = np.stack(
            [worthwhile, small, differs - worthwhile - small, inside - small, 1 - differs - inside + small]
        )
        return np.asarray(np.maximum(chances @ weight, 0.0))

    kept, weights = _precision_kept(precision)
    total = sum(w * at(precision.se / math.sqrt(u)) for u, w in zip(kept, weights, strict=True))
    names = (
        Verdict.WORTHWHILE,
        Verdict.TOO_SMALL,
        Verdict.UNSETTLED_SIZE,
        Verdict.NONE_WORTHWHILE,
        Verdict.UNSETTLED,
    )
    return {name: float(chance) for name, chance in zip(names, np.asarray(total), strict=True)}


def half_width(precision: Precision, alpha: float = 0.05, assurance: float | None = None) -> float:
    """Half the width of the two-sided interval: expected, or what it stays within with a probability.

    Parameters
    ----------
    precision : Precision
    alpha : float
        The interval's level is 1 - alpha.
    assurance : float, optional
        That probability; left out, the mean over trials.
    """
    df = precision.df
    limit = _quantile(df, alpha / 2) * precision.se
    if assurance is None:
        mean = math.exp(special.gammaln((df + 1) / 2) - special.gammaln(df / 2)) * math.sqrt(2 / df)
        if precision.covariate:
            # The mean of the inverse root of Beta((df + 1)/2, 1/2).
            mean *= float(special.beta(df / 2, 0.5) / special.beta((df + 1) / 2, 0.5))
        return limit * mean

    def reached(width: float) -> float:
        return _over_imbalance(
            precision, lambda se: float(stats.chi2.cdf(df * (width * precision.se / se) ** 2, df))
        )

    plain = math.sqrt(float(stats.chi2.ppf(assurance, df)) / df)
    if not precision.covariate:
        return limit * plain
    high = 2 * plain
    while reached(high) < assurance:
        high *= 2
    return limit * float(
        brentq(lambda width: reached(width) - assurance, plain * (1 - 1e-12), high, xtol=1e-12)
    )


def detectable(
    wanted: float, precision: Precision, alpha: float = 0.05, *, sides: int = 2, critical: float | None = None
) -> float:
    """The smallest effect, in size, that the test shows with the wanted power."""
    if not alpha < wanted < 1:
        raise AnalysisError(f"A power of {wanted:g} is not between alpha ({alpha:g}) and 1.")
    return precision.se * _detectable_ratio(wanted, precision.df, precision.covariate, alpha, sides, critical)


@lru_cache(maxsize=1024)
def _detectable_ratio(
    wanted: float, df: float, covariate: bool, alpha: float, sides: int, critical: float | None
) -> float:
    """The detectable effect over the standard error, which does not depend on the error."""
    unit = Precision(1.0, df, 0, covariate)

    def gap(effect: float) -> float:
        return power(effect, unit, alpha, sides=sides, critical=critical) - wanted

    high = 2.0
    while gap(high) < 0:
        high *= 2
    return float(brentq(gap, 0.0, high, xtol=1e-10))


def smallest(reaches: Callable[[int], bool], start: int = 1, most: int = 100_000) -> int | None:
    """The smallest whole number from ``start`` on from which a rising condition holds; None up to ``most``."""
    low, high = start - 1, start
    while not reaches(high):
        if high >= most:
            return None
        low, high = high, min(2 * high, most)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if reaches(middle) else (middle, high)
    return high


@dataclass(frozen=True)
class Bar:
    """What a comparison must pass to stand whatever becomes of the others: a level, and Dunnett's |t| in its place."""

    alpha: float
    critical: float | None = None


def first_step(alpha: float, comparisons: int, rule: Multiplicity) -> float:
    """The level at which a comparison is tested first when so many share the error rate.

    Holm's first step is Bonferroni's; a fixed order spends all on the first. Dunnett's test has a critical value
    instead, see :func:`bar`.
    """
    if comparisons < 1:
        raise AnalysisError("An error rate is shared by one comparison or more.")
    return alpha / comparisons if rule is Multiplicity.HOLM else alpha


def bar(
    alpha: float,
    rule: Multiplicity,
    layout: Layout,
    pairs: Sequence[tuple[str, str]],
    df: float,
    *,
    family: int = 0,
) -> Bar:
    """What each of some comparisons must pass first.

    Parameters
    ----------
    alpha, rule
        As registered.
    layout, pairs
        The comparisons; Dunnett's rule shares the error rate among them by their correlation in the one model.
    df : float
        Degrees of freedom of their error.
    family : int
        Comparisons that share the error rate in all, if more; with Dunnett's rule, those of other endpoints, with
        which this one shares by Bonferroni.
    """
    family = max(family, len(pairs))
    if rule is not Multiplicity.DUNNETT:
        return Bar(first_step(alpha, family, rule))
    level = alpha * len(pairs) / family
    return Bar(level, critical_value(contrast_correlation(layout, pairs), df, 1 - level))


def smallest_randomisation_p(layout: Layout, test: str, reference: str) -> float:
    """The least two-sided p that redrawing the labels of two arms within their blocks could ever give.

    Two draws are as extreme as the furthest one where it has a mirror image (arms of equal size in every block
    that holds both), else one.
    """
    held = layout.counts()[:, [layout.arms.index(test), layout.arms.index(reference)]]
    held = held[(held > 0).all(axis=1)]
    draws = math.prod(math.comb(int(a + b), int(a)) for a, b in held)
    return min(1.0, (2 if (held[:, 0] == held[:, 1]).all() else 1) / draws)


def _quantile(df: float, tail: float) -> float:
    """The t that is passed with this probability."""
    return float(-special.stdtrit(df, tail))


def _precision_kept(precision: Precision) -> tuple[Floats, Floats]:
    """Share of the precision that a covariate's chance imbalance leaves: values and their probabilities.

    The contrast's imbalance is normal and the covariate's spread within arms an independent chi-square, so that
    the share is Beta((df + 1)/2, 1/2), here by Gauss-Jacobi quadrature.
    """
    return _beta_nodes(precision.df) if precision.covariate else (np.ones(1), np.ones(1))


@lru_cache(maxsize=256)
def _beta_nodes(df: float) -> tuple[Floats, Floats]:
    nodes, weights = special.roots_jacobi(_IMBALANCE_NODES, -0.5, (df - 1) / 2)
    return (nodes + 1) / 2, weights / weights.sum()


def _over_imbalance(precision: Precision, at: Callable[[float], float]) -> float:
    """Mean of a function of the standard error over a covariate's chance imbalance."""
    kept, weight = _precision_kept(precision)
    return float(sum(w * at(precision.se / math.sqrt(u)) for u, w in zip(kept, weight, strict=True)))


def _spread(df: float, kinks: Sequence[float]) -> tuple[Floats, Floats]:
    """Values of x = sqrt(chi-square / df) and their probabilities, for functions smooth between the kinks."""
    low = float(np.sqrt(stats.chi2.ppf(1e-17, df) / df))
    high = float(np.sqrt(stats.chi2.isf(1e-17, df) / df))
    middle = np.sqrt(stats.chi2.ppf([0.01, 0.5, 0.99], df) / df)
    edges = np.unique(np.clip([low, high, *middle, *kinks], low, high))
    half = np.diff(edges) / 2
    x = edges[:-1, None] + half[:, None] * (1 + _NODES)
    density = np.exp(np.log(2 * df) + np.log(x) + stats.chi2.logpdf(df * x**2, df))
    return x.ravel(), (density * _WEIGHTS * half[:, None]).ravel()
