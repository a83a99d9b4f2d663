"""What an interval says against the worthwhile difference, and how sure a standardised effect is."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from scipy import stats

from analysis.noncentral_t import noncentrality
from analysis.records import EffectSize, Equivalence
from schemas.vocabulary import Better, Scale, Verdict

if TYPE_CHECKING:
    from analysis.records import Fit


def margin(worthwhile: float | None, scale: Scale) -> float | None:
    """The worthwhile difference as a positive distance from "no difference" on the working scale."""
    if worthwhile is None:
        return None
    return abs(math.log(worthwhile)) if scale is Scale.RATIO else abs(worthwhile)


def verdict(low: float | None, high: float | None, distance: float | None) -> Verdict | None:
    """Read an interval (working scale, 0 is "no difference") against the worthwhile distance.

    The two directions are read alike: a worthwhile harm is a worthwhile difference as well.

    Examples
    --------
    >>> verdict(0.5, 1.2, 0.4).value
    'worthwhile difference'
    >>> verdict(0.1, 0.3, 0.4).value
    'real but too small to matter'
    >>> verdict(0.1, 0.9, 0.4).value
    'a difference of unsettled size'
    >>> verdict(-0.2, 0.3, 0.4).value
    'no worthwhile difference'
    >>> verdict(-0.2, 0.9, 0.4).value
    'unsettled'
    """
    if low is None or high is None or distance is None:
        return None
    inside = -distance < low and high < distance
    if low > 0 or high < 0:
        nearest = low if low > 0 else -high
        if nearest >= distance:
            return Verdict.WORTHWHILE
        return Verdict.TOO_SMALL if inside else Verdict.UNSETTLED_SIZE
    return Verdict.NONE_WORTHWHILE if inside else Verdict.UNSETTLED


def favours(estimate: float, test: str, reference: str, better: Better) -> str | None:
    """The arm that does better by an estimate (working scale); None when it is exactly 0."""
    if estimate == 0:
        return None
    return test if (estimate < 0) is (better is Better.LOWER) else reference


def equivalence(fit: Fit, distance: float | None) -> Equivalence | None:
    """Two one-sided t tests against plus and minus the worthwhile distance (Schuirmann 1987).

    ``p_lower`` is small when the difference is above minus the distance, ``p_upper`` when it is below plus
    the distance; ``p`` is the larger of the two.
    """
    if distance is None or not fit.se or fit.df is None:
        return None
    lower = float(stats.t.sf((fit.estimate + distance) / fit.se, fit.df))
    upper = float(stats.t.cdf((fit.estimate - distance) / fit.se, fit.df))
    return Equivalence(lower, upper, max(lower, upper))


def standardised(fit: Fit, level: float) -> EffectSize | None:
    """The estimate over its standardiser, with the exact interval by the noncentral t distribution.

    The interval inverts the distribution of t = estimate / se (Steiger and Fouladi 1997); with Welch's
    degrees of freedom it is an approximation, as the test is.
    """
    if fit.t is None or not fit.standardiser or not fit.se or fit.df is None:
        return None
    per_t = fit.se / fit.standardiser
    low, high = (noncentrality(fit.t, fit.df, share) * per_t for share in ((1 + level) / 2, (1 - level) / 2))
    return EffectSize(fit.effect_name, fit.estimate / fit.standardiser, low, high)
