"""Contrasts of censored summaries by interval likelihood, beside the registered analysis.

The model is the registered one: number ~ arm + block [+ baseline], normal with one standard deviation on the
working scale, each number known as an interval. Blocks stay fixed. The maximum-likelihood variance divides by n;
standard errors and sd here carry sqrt(n / (n - p)). Limits and p come from the profile likelihood: with D its drop,
t^2 = (n - p) (exp(2 D / n) - 1) is exactly Student's t^2 where nothing is censored, and follows the curve of the
likelihood where something is (for the linear model an identity of the likelihood-ratio and the F statistic).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats
from scipy.optimize import brentq

from analysis.interval_likelihood import maximum, orthonormal, silent_tanks, why_no_spread
from analysis.linear_model import t_fit
from analysis.records import Fit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.interval_likelihood import Maximum
    from analysis.linear_model import TankData

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

_FARTHEST = 1e4
"""Standard errors from the estimate beyond which a profile that has not dropped enough has no limit."""


@dataclass(frozen=True)
class CensoredFit:
    """A contrast by interval likelihood, on the working scale.

    ``silent`` counts tanks whose likelihood is 1 at the maximum and that leave the rest as it is without them: a
    whole block, or an arm, beyond its limit says nothing more than that. ``why_not`` says in words why ``fit`` is None, and is empty otherwise.
    """

    fit: Fit | None
    n_censored: int
    silent: int
    why_not: str = ""


def censored_contrast(
    low: TankData, high: TankData, test: int, reference: int, level: float, *, own: bool
) -> CensoredFit:
    """Difference of two arms, test minus reference, from the lowest and highest possible numbers.

    Parameters
    ----------
    low, high : TankData
        The same tanks with the lowest and the highest number each could have; a covariate is taken as known.
    own : bool
        True: the error of what is compared alone, the tanks of the two arms (in blocks that hold both). In
        parallel arms without a covariate each arm then has its own sd and the degrees of freedom are Welch's;
        else the two share one. False: all arms share one sd.

    Returns
    -------
    CensoredFit
        Without censoring exactly the least-squares contrast: paired t or Welch (``own``), or the model's.
    """
    n_censored = int(((low.y < high.y) & np.isin(low.arm, (test, reference))).sum())
    if own:
        keep = _compared(low, test, reference)
        low, high = low.only(keep), high.only(keep)
        if not low.blocked and low.x is None:
            return _welch(low, high, (test, reference), level)
    names = low.arms[test], low.arms[reference]
    sides = [low.arm == test, low.arm == reference]
    if not all(side.any() for side in sides):
        return CensoredFit(None, n_censored, 0, f"no tanks of {names[0]} and {names[1]} to compare")
    column, nuisance = _design(low, test, reference)
    silent = silent_tanks(low.y, high.y, np.column_stack([column, nuisance]))
    while True:
        kept = ~silent
        basis = orthonormal(nuisance[kept])
        why = _why_not(low.only(kept), high.y[kept], (column[kept], basis), (test, reference))
        if why:
            return CensoredFit(None, n_censored, int(silent.sum()), why)
        peak = maximum(low.y[kept], high.y[kept], np.column_stack([column[kept], basis]))
        if not peak.loose.any():
            break
        silent[np.flatnonzero(kept)[peak.loose]] = True
    n = _compared_count(low.only(kept), test, reference, blocks=own and low.blocked)
    fit = _profile_fit((low.y[kept], high.y[kept]), column[kept], basis, peak, level)
    return CensoredFit(replace(fit, n=n), n_censored, int(silent.sum()))


def _why_not(low: TankData, high: Floats, columns: tuple[Floats, Floats], arms: tuple[int, int]) -> str:
    """In words, why the tanks that tell anything do not give the contrast; empty where they do."""
    names = tuple(low.arms[arm] for arm in arms)
    for arm, name in zip(arms, names, strict=True):
        if not (low.arm == arm).any():
            return f"no tank of {name} tells how far it lies beyond its limit, so there is no finite estimate"
    column, basis = columns
    if np.linalg.norm(column - basis @ (basis.T @ column)) <= 1e-9 * np.linalg.norm(column):
        return f"{names[0]} and {names[1]} do not meet in tanks that tell anything"
    if len(column) <= basis.shape[1] + 1:
        return "too few tanks tell anything to estimate their spread"
    return why_no_spread(low.y, high, np.column_stack([column, basis]))


def _design(data: TankData, test: int, reference: int) -> tuple[Floats, Floats]:
    """The contrast's own column, and an orthonormal basis of the other arms, the blocks and the covariate."""
    others = [arm for arm in range(len(data.arms)) if arm not in (test, reference)]
    parts = [(data.arm[:, None] == others).astype(float)]
    parts.append((data.block[:, None] == np.unique(data.block)).astype(float))
    if data.x is not None:
        centred = data.x - data.x.mean()
        parts.append(centred[:, None] / (float(np.abs(centred).max()) or 1.0))
    return (data.arm == test).astype(float), orthonormal(np.hstack(parts))


def _compared(data: TankData, test: int, reference: int) -> Flags:
    """Tanks of the two arms, in blocks that hold both."""
    holds = [np.isin(data.block, data.block[data.arm == arm]) for arm in (test, reference)]
    return np.asarray(np.isin(data.arm, (test, reference)) & holds[0] & holds[1])


def _compared_count(data: TankData, test: int, reference: int, *, blocks: bool) -> int:
    """Blocks that hold both arms, or tanks of the two."""
    compared = _compared(data, test, reference)
    return len(np.unique(data.block[compared])) if blocks else int(np.isin(data.arm, (test, reference)).sum())


def _profile_fit(
    ends: tuple[Floats, Floats], column: Floats, nuisance: Floats, peak: Maximum, level: float
) -> Fit:
    low, high = ends
    tanks, df = len(low), len(low) - nuisance.shape[1] - 1
    inflation = float(np.sqrt(tanks / df))
    estimate = float(peak.coefficients[0])
    se = float(np.sqrt(peak.covariance[0, 0])) * inflation

    def t(psi: float) -> float:
        at = maximum(low - psi * column, high - psi * column, nuisance)
        drop = max(peak.log_likelihood - at.log_likelihood, 0.0)
        return float(np.sign(estimate - psi) * np.sqrt(df * np.expm1(2 * drop / tanks)))

    critical = float(stats.t.ppf((1 + level) / 2, df))

    def limit(side: float) -> float | None:
        near, far = estimate, estimate + side * critical * se
        while abs(t(far)) < critical:
            near, far = far, estimate + 2 * (far - estimate)
            if abs(far - estimate) > _FARTHEST * se:
                return None
        return float(brentq(lambda psi: side * t(psi) + critical, near, far, xtol=1e-9 * se, rtol=1e-12))

    at_zero = t(0.0)
    p = float(2 * stats.t.sf(abs(at_zero), df))
    sd = peak.sd * inflation
    return Fit(
        estimate, se, float(df), limit(-1.0), limit(1.0), at_zero, p, sd, "d (model residual sd)", tanks
    )


def _welch(low: TankData, high: TankData, arms: tuple[int, int], level: float) -> CensoredFit:
    """Each arm fitted alone; Wald interval with Satterthwaite's degrees of freedom."""
    n_censored = int((low.y < high.y).sum())
    parts = []
    for arm in arms:
        mine = low.arm == arm
        a, b = low.y[mine], high.y[mine]
        columns = np.ones((len(a), 1))
        name = low.arms[arm]
        if len(a) < 2:
            return CensoredFit(
                None, n_censored, 0, f"{name} has fewer than two tanks, so no spread of its own"
            )
        beyond = f"no tank of {name} tells how far it lies beyond its limit, so there is no finite estimate"
        if silent_tanks(a, b, columns).any():
            return CensoredFit(None, n_censored, len(a), beyond)
        if why := why_no_spread(a, b, columns):
            return CensoredFit(None, n_censored, 0, f"{name}: {why}")
        peak = maximum(a, b, columns)
        if peak.loose.any():
            return CensoredFit(None, n_censored, len(a), beyond)
        ratio = len(a) / (len(a) - 1)
        parts.append(
            (float(peak.coefficients[0]), float(peak.covariance[0, 0]) * ratio, peak.sd**2 * ratio, len(a))
        )
    (mean_a, error_a, var_a, n_a), (mean_b, error_b, var_b, n_b) = parts
    df = (error_a + error_b) ** 2 / (error_a**2 / (n_a - 1) + error_b**2 / (n_b - 1))
    sd = float(np.sqrt((var_a + var_b) / 2))
    se = float(np.sqrt(error_a + error_b))
    fit = t_fit(mean_a - mean_b, se, df, level, sd, "d (average variance)", n_a + n_b)
    return CensoredFit(fit, n_censored, 0)
