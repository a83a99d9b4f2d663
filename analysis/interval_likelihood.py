"""Normal likelihood of numbers known as intervals: what stands beside a contrast of censored summaries.

Each tank's number lies between ``low`` and ``high`` (equal: known exactly; minus or plus infinity: no limit on
that side) and is normal about the linear model with one standard deviation; lognormal numbers come as logarithms.
In beta/sigma and 1/sigma the log-likelihood is concave (Burridge 1981, JRSS B 43:41; Olsen 1978, Econometrica
46:1211), so Newton's method finds the one maximum, and whether there is one is a matter of linear programming.

The maximum-likelihood variance divides by n; here standard errors and sd of regressions carry sqrt(n / (n - p)).
Limits and p come from the profile likelihood: with D its drop, t^2 = (n - p) (exp(2 D / n) - 1) is exactly
Student's t^2 where nothing is censored, and follows the curve of the likelihood where something is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special, stats
from scipy.optimize import brentq, linprog

from analysis.linear_model import t_fit
from analysis.records import Fit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.linear_model import TankData

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

_EXACT = 1e-6
"""An interval this narrow against the spread counts as exact: the likelihood differs by 1e-13 of itself."""
_FARTHEST = 1e4
"""Standard errors from the estimate beyond which a profile that has not dropped enough has no limit."""


@dataclass(frozen=True)
class NormalSample:
    """One sample's mean and standard deviation by maximum likelihood (the sd divides by n)."""

    mean: float
    sd: float
    log_likelihood: float
    n: int
    n_censored: int


@dataclass(frozen=True)
class CensoredFit:
    """A contrast by interval likelihood, on the working scale.

    ``silent`` counts tanks whose likelihood is 1 at the maximum: a whole block, or an arm of one, beyond its
    limit says nothing more than that. ``why_not`` says in words why ``fit`` is None, and is empty otherwise.
    """

    fit: Fit | None
    n_censored: int
    silent: int
    why_not: str = ""


def normal_sample(low: Floats, high: Floats) -> NormalSample | None:
    """Mean and sd of one sample; None where what is known of it does not determine both.

    Examples
    --------
    >>> sample = normal_sample(np.array([1.0, 2.0, 3.0]), np.array([1.0, 2.0, 3.0]))
    >>> sample.mean, round(sample.sd, 6)
    (2.0, 0.816497)
    """
    columns = np.ones((len(low), 1))
    if len(low) == 0 or _silent(low, high, columns).any() or _why_no_spread(low, high, columns):
        return None
    peak = _maximum(low, high, columns)
    return NormalSample(
        float(peak.coefficients[0]), peak.sd, peak.log_likelihood, len(low), int((low < high).sum())
    )


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
    silent = _silent(low.y, high.y, np.column_stack([column, nuisance]))
    for name, side in zip(names, sides, strict=True):
        if silent[side].all():
            why = f"every tank of {name} that could be compared lies beyond its limit, so there is no finite estimate"
            return CensoredFit(None, n_censored, int(silent.sum()), why)
    kept = ~silent
    column, nuisance = column[kept], _orthonormal(nuisance[kept])
    left = column - nuisance @ (nuisance.T @ column)
    why = ""
    if np.linalg.norm(left) <= 1e-9 * np.linalg.norm(column):
        why = f"{names[0]} and {names[1]} do not meet in tanks that tell anything"
    elif kept.sum() <= nuisance.shape[1] + 1:
        why = "too few tanks tell anything to estimate their spread"
    else:
        why = _why_no_spread(low.y[kept], high.y[kept], np.column_stack([column, nuisance]))
    if why:
        return CensoredFit(None, n_censored, int(silent.sum()), why)
    n = _compared_count(low.only(kept), test, reference, blocks=own and low.blocked)
    fit = _profile_fit((low.y[kept], high.y[kept]), column, nuisance, level, n)
    return CensoredFit(fit, n_censored, int(silent.sum()))


@dataclass(frozen=True)
class _Maximum:
    coefficients: Floats
    sd: float
    log_likelihood: float
    covariance: Floats
    """Of the coefficients, by the observed information."""


def _maximum(low: Floats, high: Floats, columns: Floats) -> _Maximum:
    """The maximum over coefficients and sd; the columns have full rank and span the constant."""
    middle = _middles(low, high)
    shift = float(middle.mean())
    start, *_ = np.linalg.lstsq(columns, middle - shift, rcond=None)
    residual = middle - shift - columns @ start
    scale = float(np.sqrt(residual @ residual / len(low)))
    if scale <= 1e-12 * max(float(np.abs(middle).max()), 1e-300):
        finite = np.concatenate([low[np.isfinite(low)], high[np.isfinite(high)]])
        scale = float(np.ptp(finite)) or 1.0
    low, high = (low - shift) / scale, (high - shift) / scale
    exact = high - low <= _EXACT
    at = np.append(start / scale, 1.0)
    value, gradient, hessian = _likelihood(at, low, high, columns, exact)
    for _ in range(200):
        step = np.linalg.solve(-hessian, gradient)
        decrement = float(gradient @ step)
        size = 1.0 if step[-1] >= 0 else min(1.0, 0.9 * at[-1] / -step[-1])
        new = _likelihood(at + size * step, low, high, columns, exact)
        while not new[0] >= value + 1e-4 * size * decrement - 1e-13 * abs(value) and size > 1e-10:
            size /= 2
            new = _likelihood(at + size * step, low, high, columns, exact)
        at = at + size * step
        value, gradient, hessian = new
        # Newton's steps square the error: after one from here nothing but rounding is left.
        if decrement <= 1e-10:
            break
    p = columns.shape[1]
    gamma, h = at[:p], float(at[p])
    jacobian = np.column_stack([np.eye(p) / h, -gamma / h**2])
    covariance = jacobian @ np.linalg.solve(-hessian, jacobian.T) * scale**2
    constant, *_ = np.linalg.lstsq(columns, np.full(len(low), shift), rcond=None)
    return _Maximum(
        gamma / h * scale + constant,
        scale / h,
        value - float(exact.sum()) * float(np.log(scale)),
        covariance,
    )


def _middles(low: Floats, high: Floats) -> Floats:
    """Middle of each interval, its one limit, or the mean of the others where it has none."""
    middle = np.where(np.isfinite(low), low, high)
    both = np.isfinite(low) & np.isfinite(high)
    middle[both] = (low[both] + high[both]) / 2
    known = np.isfinite(middle)
    middle[~known] = middle[known].mean() if known.any() else 0.0
    return middle


def _likelihood(
    at: Floats, low: Floats, high: Floats, columns: Floats, exact: Flags
) -> tuple[float, Floats, Floats]:
    """Log-likelihood, gradient and Hessian in (coefficients / sd, 1 / sd)."""
    h = float(at[-1])
    eta = columns @ at[:-1]
    n = len(low)
    by_eta, by_h, eta_eta, eta_h, h_h = (np.zeros(n) for _ in range(5))
    y = (low[exact] + high[exact]) / 2
    r = h * y - eta[exact]
    value = float(len(y) * np.log(h) - r @ r / 2 - len(y) * np.log(2 * np.pi) / 2)
    by_eta[exact], by_h[exact] = r, 1 / h - r * y
    eta_eta[exact], eta_h[exact], h_h[exact] = -1.0, y, -1 / h**2 - y**2
    rest = ~exact
    a, b = h * low[rest] - eta[rest], h * high[rest] - eta[rest]
    log_share = _log_share(a, b)
    value += float(log_share.sum())
    # Differences of limits times density are formed before they are divided: single terms would swamp them.
    ends = []
    for z, limit in ((a, low[rest]), (b, high[rest])):
        bounded = np.isfinite(z)
        density = np.zeros(len(z))
        density[bounded] = np.exp(-(z[bounded] ** 2) / 2 - np.log(2 * np.pi) / 2 - log_share[bounded])
        ends.append((density, np.where(bounded, z, 0.0), np.where(bounded, limit, 0.0)))
    (da, za, la), (db, zb, lb) = ends
    first = db - da
    limit = lb * db - la * da
    by_eta[rest], by_h[rest] = -first, limit
    eta_eta[rest] = -(zb * db - za * da) - first**2
    eta_h[rest] = zb * lb * db - za * la * da + first * limit
    h_h[rest] = -(zb * lb**2 * db - za * la**2 * da) - limit**2
    gradient = np.append(columns.T @ by_eta, by_h.sum())
    cross = columns.T @ eta_h
    p = columns.shape[1]
    hessian = np.empty((p + 1, p + 1))
    hessian[:p, :p] = columns.T @ (eta_eta[:, None] * columns)
    hessian[:p, p] = hessian[p, :p] = cross
    hessian[p, p] = h_h.sum()
    return value, gradient, hessian


def _log_share(a: Floats, b: Floats) -> Floats:
    """log(Phi(b) - Phi(a)), sound in both tails."""
    swap = a > 0
    a, b = np.where(swap, -b, a), np.where(swap, -a, b)
    upper = special.log_ndtr(b)
    drop = special.log_ndtr(a) - upper
    return np.asarray(upper + np.where(drop > -0.7, _log_minus_expm1(drop), np.log1p(-np.exp(drop))))


def _log_minus_expm1(x: Floats) -> Floats:
    return np.asarray(np.log(-np.expm1(np.minimum(x, -1e-300))))


def _silent(low: Floats, high: Floats, columns: Floats) -> Flags:
    """Tanks that some direction carries ever deeper into their open side while it moves no other tank.

    The likelihood rises along such a direction for ever and these tanks' share of it goes to 1 (quasi-complete
    separation; Albert and Anderson 1984, Biometrika 71:1). The largest such set is found by linear programming.
    """
    below, above = np.isneginf(low), np.isposinf(high)
    silent = below & above
    open_side = np.flatnonzero(below ^ above)
    if not len(open_side):
        return silent
    held = columns[~(below | above)]
    free = _null_space(held, columns.shape[1])
    if not free.shape[1]:
        return silent
    moves = np.where(below[open_side], -1.0, 1.0)[:, None] * (columns[open_side] @ free)
    m, k = moves.shape
    found = linprog(
        np.r_[np.zeros(k), -np.ones(m)],
        A_ub=np.hstack([-moves, np.eye(m)]),
        b_ub=np.zeros(m),
        bounds=[(None, None)] * k + [(0, 1)] * m,
    )
    silent[open_side[np.asarray(found.x)[k:] > 0.5]] = True
    return silent


def _why_no_spread(low: Floats, high: Floats, columns: Floats) -> str:
    """In words, why the data do not determine an sd; empty where they do."""
    if not (np.isfinite(low) & np.isfinite(high)).any():
        return "no tank's number is known from below and from above, so their spread is unknown"
    if _passes_through(low, high, columns):
        return "all numbers agree within what is known of them, so their spread is unknown"
    return ""


def _passes_through(low: Floats, high: Floats, columns: Floats) -> bool:
    """Whether the model passes through every interval: the likelihood then prefers an sd of 0."""
    middle = _middles(low, high)
    scale = float(np.ptp(middle)) or 1.0
    low, high = (low - middle.mean()) / scale, (high - middle.mean()) / scale
    exact = high - low <= _EXACT
    y, x = (low[exact] + high[exact]) / 2, columns[exact]
    fitted, *_ = np.linalg.lstsq(x, y, rcond=None) if len(y) else (np.zeros(columns.shape[1]),)
    if len(y) and np.abs(y - x @ fitted).max() > 1e-9:
        return False
    free = _null_space(x, columns.shape[1])
    base = columns[~exact] @ fitted
    moves = columns[~exact] @ free
    upper, lower = np.isfinite(high[~exact]), np.isfinite(low[~exact])
    if not free.shape[1]:
        return bool((base[upper] <= high[~exact][upper]).all() and (base[lower] >= low[~exact][lower]).all())
    found = linprog(
        np.zeros(free.shape[1]),
        A_ub=np.vstack([moves[upper], -moves[lower]]),
        b_ub=np.r_[(high[~exact] - base)[upper], (base - low[~exact])[lower]],
        bounds=[(None, None)] * free.shape[1],
    )
    return bool(found.status == 0)


def _null_space(rows: Floats, width: int) -> Floats:
    if not len(rows):
        return np.eye(width)
    _, s, vt = np.linalg.svd(rows)
    rank = int((s > 1e-9 * max(1.0, s.max(initial=0.0))).sum())
    return np.asarray(vt[rank:].T)


def _orthonormal(columns: Floats) -> Floats:
    u, s, _ = np.linalg.svd(columns, full_matrices=False)
    return np.asarray(u[:, s > 1e-9 * s.max(initial=0.0)])


def _design(data: TankData, test: int, reference: int) -> tuple[Floats, Floats]:
    """The contrast's own column, and an orthonormal basis of the other arms, the blocks and the covariate."""
    others = [arm for arm in range(len(data.arms)) if arm not in (test, reference)]
    parts = [(data.arm[:, None] == others).astype(float)]
    parts.append((data.block[:, None] == np.unique(data.block)).astype(float))
    if data.x is not None:
        centred = data.x - data.x.mean()
        parts.append(centred[:, None] / (float(np.abs(centred).max()) or 1.0))
    return (data.arm == test).astype(float), _orthonormal(np.hstack(parts))


def _compared(data: TankData, test: int, reference: int) -> Flags:
    """Tanks of the two arms, in blocks that hold both."""
    holds = [np.isin(data.block, data.block[data.arm == arm]) for arm in (test, reference)]
    return np.asarray(np.isin(data.arm, (test, reference)) & holds[0] & holds[1])


def _compared_count(data: TankData, test: int, reference: int, *, blocks: bool) -> int:
    """Blocks that hold both arms, or tanks of the two."""
    compared = _compared(data, test, reference)
    return len(np.unique(data.block[compared])) if blocks else int(np.isin(data.arm, (test, reference)).sum())


def _profile_fit(ends: tuple[Floats, Floats], column: Floats, nuisance: Floats, level: float, n: int) -> Fit:
    low, high = ends
    peak = _maximum(low, high, np.column_stack([column, nuisance]))
    tanks, df = len(low), len(low) - nuisance.shape[1] - 1
    inflation = float(np.sqrt(tanks / df))
    estimate = float(peak.coefficients[0])
    se = float(np.sqrt(peak.covariance[0, 0])) * inflation

    def t(psi: float) -> float:
        at = _maximum(low - psi * column, high - psi * column, nuisance)
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
    return Fit(estimate, se, float(df), limit(-1.0), limit(1.0), at_zero, p, sd, "d (model residual sd)", n)


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
        if _silent(a, b, columns).any():
            why = f"every tank of {name} lies beyond its limit, so there is no finite estimate"
            return CensoredFit(None, n_censored, len(a), why)
        if why := _why_no_spread(a, b, columns):
            return CensoredFit(None, n_censored, 0, f"{name}: {why}")
        peak = _maximum(a, b, columns)
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
