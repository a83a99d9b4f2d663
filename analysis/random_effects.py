"""Trials as a sample of true effects: the variance between them, and the model that allows for it.

Every trial i gives an estimate y with the sampling variance v of its own; the true effects have the variance
tau2 around the regression on ``x`` (a column of ones where nothing is regressed on). ``v`` is taken as known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats
from scipy.optimize import brentq

from schemas.errors import AnalysisError

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_GRID = np.concatenate([[0.0], np.geomspace(1e-6, 1.0, 80)])
"""Where the slope of the likelihood is looked at, as shares of a tau2 beyond which it only falls."""


@dataclass(frozen=True)
class Weighted:
    """Weighted least squares with the weights 1 / (v + tau2).

    Parameters
    ----------
    tau2 : float
    coefficients : float array, shape (p,)
    covariance : float array, shape (p, p)
        With the weights taken as known: the inverse of X'WX.
    q : float
        Weighted sum of squared residuals.
    df : int
        k - p.
    """

    tau2: float
    coefficients: Floats
    covariance: Floats
    q: float
    df: int

    @property
    def scale(self) -> float:
        """The factor on the covariance by Hartung and Knapp (2001, Stat. Med. 20:1771; 20:3875), q / df."""
        return self.q / self.df


def ones(k: int) -> Floats:
    """The design of a mean: one column of ones."""
    return np.ones((k, 1))


def weighted(y: Floats, v: Floats, x: Floats, tau2: float) -> Weighted:
    """Fit the model at a given tau2.

    Raises
    ------
    AnalysisError
        The columns of ``x`` say the same, or there are not more trials than columns.
    """
    _check(y, v, x)
    w = 1 / (v + tau2)
    b, inverse = _solve(y, w, x)
    residual = y - x @ b
    return Weighted(tau2, b, inverse, float(w @ residual**2), len(y) - x.shape[1])


def reml(y: Floats, v: Floats, x: Floats) -> float:
    """tau2 of greatest restricted likelihood (Raudenbush 2009; Viechtbauer 2005, J. Educ. Behav. Stat. 30:261).

    Every maximum that the likelihood has is found from the signs of its slope, and the highest is taken.
    """
    _check(y, v, x)
    unit = float(v.mean())
    y, v = (y - y.mean()) / math.sqrt(unit), v / unit

    def slope(tau2: float) -> float:
        w = 1 / (v + tau2)
        b, inverse = _solve(y, w, x)
        trace = float(w.sum() - np.trace(inverse @ (x.T @ (w[:, None] ** 2 * x))))
        return float((w * (y - x @ b)) @ (w * (y - x @ b))) - trace

    def likelihood(tau2: float) -> float:
        w = 1 / (v + tau2)
        b, inverse = _solve(y, w, x)
        return 0.5 * float(np.log(w).sum() + np.linalg.slogdet(inverse)[1] - w @ (y - x @ b) ** 2)

    grid = _GRID * _beyond(slope, 1.0 + float(np.ptp(y)) ** 2)
    slopes = [slope(tau2) for tau2 in grid]
    peaks = [0.0] if slopes[0] <= 0 else []
    for low, high, rising, falling in zip(grid[:-1], grid[1:], slopes[:-1], slopes[1:], strict=True):
        if rising > 0 >= falling:
            peaks.append(float(brentq(slope, low, high, xtol=1e-14, rtol=1e-14)))
    return unit * max(peaks, key=likelihood)


def paule_mandel(y: Floats, v: Floats, x: Floats) -> float:
    """tau2 at which the weighted sum of squares is what it should be, its degrees of freedom.

    Paule and Mandel (1982), J. Res. Natl. Bur. Stand. 87:377; DerSimonian and Kacker (2007). Solved to rounding:
    an iteration from below that steps past the root at its last bit would end at 0.
    """
    _check(y, v, x)
    return _tau2_at(y, v, x, len(y) - x.shape[1])


def dersimonian_laird(y: Floats, v: Floats) -> float:
    """tau2 by moments in one step, at least 0 (DerSimonian and Laird 1986, Control. Clin. Trials 7:177).

    statsmodels' own is not kept at 0 and can then divide by zero.
    """
    _check(y, v, ones(len(y)))
    w = 1 / v
    surplus = weighted(y, v, ones(len(y)), 0.0).q - (len(y) - 1)
    return max(0.0, surplus / float(w.sum() - (w @ w) / w.sum()))


def q_profile(y: Floats, v: Floats, x: Floats, level: float) -> tuple[float, float]:
    """Exact interval of tau2, from the chi-square law of the sum of squares (Viechtbauer 2007, Stat. Med. 26:37)."""
    _check(y, v, x)
    df = len(y) - x.shape[1]
    low, high = (float(stats.chi2.ppf((1 + side * level) / 2, df)) for side in (1, -1))
    return _tau2_at(y, v, x, low), _tau2_at(y, v, x, high)


def typical_variance(v: Floats) -> float:
    """The sampling variance that a trial typically has (Higgins and Thompson 2002, Stat. Med. 21:1539)."""
    w = 1 / v
    return float((len(v) - 1) * w.sum() / (w.sum() ** 2 - w @ w))


def _tau2_at(y: Floats, v: Floats, x: Floats, target: float) -> float:
    """tau2 at which the weighted sum of squares, which falls with it, has come down to the target; 0 if below."""
    unit = float(v.mean())
    y, v = (y - y.mean()) / math.sqrt(unit), v / unit

    def above(tau2: float) -> float:
        return weighted(y, v, x, tau2).q - target

    if above(0.0) <= 0:
        return 0.0
    high = _beyond(above, 1.0 + float(np.ptp(y)) ** 2)
    return unit * float(brentq(above, 0.0, high, xtol=1e-14, rtol=1e-14))


def _beyond(falling: Callable[[float], float], start: float) -> float:
    """A value, from ``start`` on, at which the function is no longer positive."""
    while falling(start) > 0:
        start *= 4
    return start


def _solve(y: Floats, w: Floats, x: Floats) -> tuple[Floats, Floats]:
    inverse: Floats = np.asarray(np.linalg.inv(x.T @ (w[:, None] * x)), dtype=np.float64)
    return inverse @ (x.T @ (w * y)), inverse


def _check(y: Floats, v: Floats, x: Floats) -> None:
    if len(y) <= x.shape[1]:
        raise AnalysisError(f"{len(y)} trials are too few for {x.shape[1]} coefficients.")
    if not (np.isfinite(y).all() and np.isfinite(v).all() and (v > 0).all()):
        raise AnalysisError("Every trial that is pooled needs an estimate and a standard error above 0.")
    if np.linalg.matrix_rank(x) < x.shape[1]:
        raise AnalysisError("What is regressed on does not differ between the trials.")
