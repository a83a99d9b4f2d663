"""Agreement of two kits that read the same water.

Limits of agreement are bias -/+ z sd of the differences (Bland and Altman 1986, Lancet i:307), z by the normal law
for the share of differences wanted. Kits whose difference grows with what they read are compared on logarithms,
where differences are ratios. Where tanks were read more than once by both, differences within and between tanks
are taken apart before their variances are added (Bland and Altman 2007, J. Biopharm. Stat. 17:571).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special, stats
from scipy.optimize import brentq

from analysis.noncentral_t import cdf
from analysis.repeatability import Components, Limits, components
from schemas.errors import AnalysisError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Agreement:
    """Bias and limits of agreement of first minus second.

    ``lower`` and ``upper`` carry exact confidence limits by the noncentral t distribution (Carkeet 2015, Optom. Vis.
    Sci. 92:e71), each limit taken alone; ``lower_approximate`` and ``upper_approximate`` those of Bland and Altman,
    with standard error sd sqrt(1/n + z^2 / (2 (n - 1))), which are too narrow for few pairs.
    """

    n: int
    bias: Limits
    sd: float
    share: float
    lower: Limits
    upper: Limits
    lower_approximate: Limits
    upper_approximate: Limits


@dataclass(frozen=True)
class RepeatedAgreement:
    """Bias and limits of agreement from several pairs a tank.

    The confidence limits of ``lower`` and ``upper`` recover each variance's own from chi-square and the bias's
    from Student's t (Zou 2013, Stat. Methods Med. Res. 22:630).
    """

    bias: Limits
    components: Components
    share: float
    lower: Limits
    upper: Limits


def agreement(first: Floats, second: Floats, *, level: float, share: float = 0.95) -> Agreement:
    """Bias and limits of agreement of two kits, one pair a tank.

    Raises
    ------
    AnalysisError
        For fewer than two pairs.
    """
    d = first - second
    n = len(d)
    if n < 2:
        raise AnalysisError(f"limits of agreement need two pairs at least; there are {n}.")
    bias, sd = float(d.mean()), float(d.std(ddof=1))
    t = float(stats.t.ppf((1 + level) / 2, n - 1))
    half = t * sd / float(np.sqrt(n))
    z = float(special.ndtri((1 + share) / 2))
    error = t * sd * float(np.sqrt(1 / n + z**2 / (2 * (n - 1))))
    near, far = (_tolerance(n, z, p) * sd for p in ((1 - level) / 2, (1 + level) / 2))
    return Agreement(
        n=n,
        bias=Limits(bias, bias - half, bias + half),
        sd=sd,
        share=share,
        lower=Limits(bias - z * sd, bias - far, bias - near),
        upper=Limits(bias + z * sd, bias + near, bias + far),
        lower_approximate=Limits(bias - z * sd, bias - z * sd - error, bias - z * sd + error),
        upper_approximate=Limits(bias + z * sd, bias + z * sd - error, bias + z * sd + error),
    )


def repeated_agreement(
    first: Floats, second: Floats, tank: Ints, *, level: float, share: float = 0.95
) -> RepeatedAgreement:
    """Bias and limits of agreement of two kits from several pairs a tank; each pair was read together.

    The bias is the mean of the tanks' mean differences, tested with tanks as units. For unequal numbers of pairs
    the total variance is the variance of those means plus (1 - 1/m) of the variance within, m their harmonic
    mean number (Zou 2013).

    Raises
    ------
    AnalysisError
        Where no tank has two pairs, or there are fewer than two tanks.
    """
    d = first - second
    parts = components(d, tank)
    if np.isnan(parts.within):
        raise AnalysisError("no tank has two pairs; use the limits of agreement of single pairs.")
    _, code, size = np.unique(tank, return_inverse=True, return_counts=True)
    means = np.bincount(code, weights=d) / size
    k = len(size)
    bias, of_means = float(means.mean()), float(means.var(ddof=1))
    harmonic = k / float((1 / size).sum())
    inner = (1 - 1 / harmonic) * parts.within**2
    total = of_means + inner
    z = float(special.ndtri((1 + share) / 2))
    half = float(stats.t.ppf((1 + level) / 2, k - 1)) * float(np.sqrt(of_means / k))
    # The distance of each variance to its own limit adds in squares.
    variances, dfs = np.array([of_means, inner]), np.array([k - 1, parts.n - k])
    down = np.linalg.norm(variances * (1 - dfs / stats.chi2.ppf((1 + level) / 2, dfs)))
    up = np.linalg.norm(variances * (dfs / stats.chi2.ppf((1 - level) / 2, dfs) - 1))
    root = float(np.sqrt(total))
    narrow = float(np.hypot(half, z * (root - np.sqrt(max(total - float(down), 0.0)))))
    wide = float(np.hypot(half, z * (np.sqrt(total + up) - root)))
    return RepeatedAgreement(
        bias=Limits(bias, bias - half, bias + half),
        components=parts,
        share=share,
        lower=Limits(bias - z * root, bias - z * root - wide, bias - z * root + narrow),
        upper=Limits(bias + z * root, bias + z * root - narrow, bias + z * root + wide),
    )


def _tolerance(n: int, z: float, p: float) -> float:
    """Multiple of sd that lies above the normal z quantile with probability p: a one-sided tolerance factor."""
    centre, root = z * np.sqrt(n), np.sqrt(n)
    low, high = -1.0, centre + 1.0
    while cdf(low, n - 1, centre) > p:
        low *= 2
    while cdf(high, n - 1, centre) < p:
        high *= 2
    return float(brentq(lambda t: cdf(t, n - 1, centre) - p, low, high, xtol=1e-12, rtol=1e-13)) / float(root)
