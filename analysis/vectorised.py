"""The registered analysis of many trials at once: the same fits as ``own_error`` and ``LinearModel``, row by row.

A row of ``y`` is one trial, a column one tank of the layout; NaN is a tank without a number, whose block stays
with the others. Tests hold every fit here to the single-trial functions.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from analysis.dunnett import critical_value
from schemas.errors import AnalysisError
from schemas.vocabulary import Multiplicity, Summary, Variance, Verdict

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analysis.precision import Layout

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]

VERDICTS = tuple(Verdict)
"""Verdicts in the order of their codes."""


@dataclass(frozen=True)
class ManyFits:
    """One contrast of many trials, arrays of shape (trials,); NaN where a trial has no such number."""

    estimate: Floats
    se: Floats
    df: Floats

    @property
    def p(self) -> Floats:
        """Two-sided p; NaN where there is no spread to test against."""
        spread = np.where(self.se > 0, self.se, np.nan)
        return np.asarray(2 * special.stdtr(self.df, -np.abs(self.estimate / spread)))

    def half_width(self, alpha: float) -> Floats:
        """Half the two-sided interval at 1 - alpha."""
        kinds, which = np.unique(self.df, return_inverse=True)
        return np.asarray(special.stdtrit(kinds, 1 - alpha / 2)[which] * self.se)


def fit_many(
    layout: Layout, y: Floats, x: Floats | None, test: str, reference: str, variance: Variance
) -> ManyFits:
    """A contrast of every trial.

    Parameters
    ----------
    layout : Layout
    y, x : float array, (trials, tanks)
        Numbers on the working scale, and baselines or None.
    test, reference : str
        Names of arms.
    variance : Variance
        Own error (paired in blocks, Welch in parallel arms) or the model's common error; a crossover always takes
        the latter, with tanks and periods fixed.
    """
    codes = layout.arms.index(test), layout.arms.index(reference)
    present = np.isfinite(y)
    if x is not None:
        present &= np.isfinite(x)
        x = np.where(present, x, 0.0)
    y = np.where(present, y, 0.0)
    if present.all():
        present = present[:1]
    with np.errstate(divide="ignore", invalid="ignore"):
        if variance is Variance.POOLED or layout.period is not None:
            return _pooled(layout, y, x, present, *codes)
        if layout.blocked:
            return _paired(layout, y, x, present, *codes)
        return _welch(layout, y, x, present, *codes)


def adjusted(p: Floats, rule: Multiplicity, family: int | None = None) -> Floats:
    """Adjusted p of the comparisons of each trial.

    Parameters
    ----------
    p : float array, (trials, comparisons)
        NaN where a comparison has none: it counts, and stays NaN.
    rule : Multiplicity
    family : int, optional
        Comparisons that share the error rate in all; those not given are taken never to be significant.
    """
    if rule is Multiplicity.NONE:
        return p
    given = np.where(np.isnan(p), 1.0, p)
    if rule is Multiplicity.FIXED_ORDER:
        result = np.maximum.accumulate(given, axis=1)
    elif rule is Multiplicity.HOLM:
        order = np.argsort(given, axis=1, kind="stable")
        factors = (family or p.shape[1]) - np.arange(p.shape[1])
        stepped = np.minimum(np.take_along_axis(given, order, axis=1) * factors, 1.0)
        result = np.empty_like(given)
        np.put_along_axis(result, order, np.maximum.accumulate(stepped, axis=1), axis=1)
    else:
        raise AnalysisError(
            "Dunnett's rule goes by the correlation of contrasts, not by p alone: see passes_dunnett."
        )
    return np.where(np.isnan(p), np.nan, result)


def passes_dunnett(fits: Sequence[ManyFits], matrix: Floats, alpha: float) -> Bools:
    """Which contrasts of each trial Dunnett's rule calls different, (trials, contrasts).

    Each contrast's |t| against the critical value at its own degrees of freedom and the correlation of the contrasts
    in the whole layout; between many degrees of freedom the value is interpolated in their inverse.
    """
    df = np.stack([fit.df for fit in fits], axis=1)
    t = np.stack([np.abs(fit.estimate / np.where(fit.se > 0, fit.se, np.nan)) for fit in fits], axis=1)
    kinds = np.unique(df[np.isfinite(df)])
    if len(kinds) > 16:
        kinds = 1 / np.linspace(1 / kinds[0], 1 / kinds[-1], 16)
    values = [critical_value(matrix, float(kind), 1 - alpha) for kind in kinds]
    known = np.where(np.isfinite(df), df, kinds[-1]) if len(kinds) else df
    return (
        np.asarray(t > np.interp(-1 / known, -1 / kinds, values))
        if len(kinds)
        else np.zeros(df.shape, dtype=bool)
    )


def verdict_codes(low: Floats, high: Floats, distance: float) -> NDArray[np.int64]:
    """Place in ``VERDICTS`` of each interval; -1 where there is none (see ``conclusions.verdict``)."""
    inside = (-distance < low) & (high < distance)
    differs = (low > 0) | (high < 0)
    nearest = np.where(low > 0, low, -high)
    code = np.select(
        [differs & (nearest >= distance), differs & inside, differs, inside],
        [
            VERDICTS.index(Verdict.WORTHWHILE),
            VERDICTS.index(Verdict.TOO_SMALL),
            VERDICTS.index(Verdict.UNSETTLED_SIZE),
            VERDICTS.index(Verdict.NONE_WORTHWHILE),
        ],
        VERDICTS.index(Verdict.UNSETTLED),
    )
    return np.where(np.isnan(low) | np.isnan(high), -1, code)


def summarise_many(values: Floats, days: Floats, summary: Summary) -> Floats:
    """The summary of many tanks (see ``summaries.summarise``).

    Parameters
    ----------
    values : float array, (days, ...)
        One number a sampling day; NaN where it was missed.
    days : float array, (days,)
        Ascending.
    summary : Summary

    Returns
    -------
    float array of the remaining shape
        NaN for tanks with too few days.
    """
    present = ~np.isnan(values)
    known = np.where(present, values, 0.0)
    n = present.sum(axis=0)
    day = days.reshape(-1, *[1] * (values.ndim - 1))
    with np.errstate(divide="ignore", invalid="ignore"):
        if summary is Summary.MEAN:
            return np.asarray(known.sum(axis=0) / n)
        if summary is Summary.MEDIAN:
            return _median(values, n)
        if summary is Summary.SLOPE:
            centred = np.where(present, day - (day * present).sum(axis=0) / n, 0.0)
            return np.asarray(
                np.where(n > 1, (centred * known).sum(axis=0) / (centred**2).sum(axis=0), np.nan)
            )
    first, last, last_day, area = (np.full(values.shape[1:], np.nan) for _ in range(4))
    area = np.zeros(values.shape[1:])
    for row, at in zip(values, days, strict=True):
        here = ~np.isnan(row)
        seen = here & ~np.isnan(last)
        area = np.where(seen, area + (at - last_day) * (row + last) / 2, area)
        first = np.where(here & np.isnan(first), row, first)
        last, last_day = np.where(here, row, last), np.where(here, at, last_day)
    if summary is Summary.LAST:
        return last
    if summary is Summary.CHANGE:
        return np.where(n > 1, last - first, np.nan)
    if summary is Summary.AUC:
        return np.where(n > 1, area, np.nan)
    raise AnalysisError(f"The summary {summary} is not simulated.")


def _median(values: Floats, n: NDArray[np.int64]) -> Floats:
    """Median over the first axis without NaN, which sort to the end."""
    ordered = np.sort(values, axis=0)
    low, high = (np.maximum(n - 1, 0) // 2)[None], (n // 2).clip(max=len(values) - 1)[None]
    middle = np.take_along_axis(ordered, low, axis=0)[0] + np.take_along_axis(ordered, high, axis=0)[0]
    return np.asarray(np.where(n > 0, middle / 2, np.nan))


def _membership(codes: NDArray[np.int64], number: int) -> Floats:
    return np.asarray(codes[:, None] == np.arange(number), dtype=float)


def _paired(
    layout: Layout, y: Floats, x: Floats | None, present: Bools, test: int, reference: int
) -> ManyFits:
    """Paired t test on the blocks that hold both arms; with a baseline, its differences regressed on."""
    inside = _membership(layout.block, int(layout.block.max()) + 1)
    sides = [inside * (layout.arm == arm)[:, None] for arm in (test, reference)]
    sizes = [present @ side for side in sides]
    held = (sizes[0] > 0) & (sizes[1] > 0)

    def differences(values: Floats) -> Floats:
        d = values @ sides[0] / np.maximum(sizes[0], 1) - values @ sides[1] / np.maximum(sizes[1], 1)
        return np.where(held, d, 0.0)

    d = differences(y)
    n = held.sum(axis=1)
    mean = d.sum(axis=1) / n
    off = np.where(held, d - mean[:, None], 0.0)
    if x is None:
        df = n - 1.0
        return _checked(mean, (off**2).sum(axis=1) / df / n, df, d)
    dx = differences(x)
    mean_x = dx.sum(axis=1) / n
    off_x = np.where(held, dx - mean_x[:, None], 0.0)
    square = (off_x**2).sum(axis=1)
    slope = (off * off_x).sum(axis=1) / square
    residual = off - slope[:, None] * off_x
    df = n - 2.0
    variance = (residual**2).sum(axis=1) / df
    return _checked(mean - slope * mean_x, variance * (1 / n + mean_x**2 / square), df, d)


def _pooled(
    layout: Layout, y: Floats, x: Floats | None, present: Bools, test: int, reference: int
) -> ManyFits:
    """The linear model with blocks (and periods) fixed; blocks are swept out first."""
    blocks = _membership(layout.block, int(layout.block.max()) + 1)
    sizes = np.maximum(present @ blocks, 1)
    columns = _membership(layout.arm, len(layout.arms))
    if layout.period is not None:
        columns = np.hstack([columns, _membership(layout.period, int(layout.period.max()) + 1)])

    def swept(values: Floats) -> Floats:
        return np.where(present, values - ((values * present) @ blocks / sizes) @ blocks.T, 0.0)

    design = np.stack([swept(np.broadcast_to(column, present.shape)) for column in columns.T], axis=-1)
    values, vectors = np.linalg.eigh(np.swapaxes(design, 1, 2) @ design)
    # Squared singular values of a layout are whole numbers over small ones: what is far below 1 is rounding.
    kept = values > 1e-9
    inverse = (vectors * np.where(kept, 1 / np.where(kept, values, 1.0), 0.0)[:, None, :]) @ np.swapaxes(
        vectors, 1, 2
    )
    weights = np.zeros(columns.shape[1])
    weights[test], weights[reference] = 1.0, -1.0
    projected = np.where(kept, weights @ vectors, 0.0)
    estimable = np.abs((vectors @ projected[:, :, None])[:, :, 0] - weights).max(axis=1) < 1e-8
    pull = np.where(estimable[:, None], (design @ (inverse @ weights)[:, :, None])[:, :, 0], np.nan)

    def residual(values: Floats) -> Floats:
        scores = np.swapaxes(design, 1, 2) @ values[:, :, None]
        return np.asarray(values - (design @ (inverse @ scores))[:, :, 0])

    y = swept(y)
    estimate, left = (pull * y).sum(axis=1), residual(y)
    share = (pull**2).sum(axis=1)
    df = present.sum(axis=1) - (present @ blocks > 0).sum(axis=1) - kept.sum(axis=1).astype(float)
    if x is not None:
        x = swept(x)
        left_x = residual(x)
        square = (left_x**2).sum(axis=1)
        slope = (left_x * left).sum(axis=1) / square
        gap = (pull * x).sum(axis=1)
        estimate = estimate - slope * gap
        left = left - slope[:, None] * left_x
        share = share + gap**2 / square
        df = df - 1
    return _checked(estimate, (left**2).sum(axis=1) / df * share, df, y)


def _welch(
    layout: Layout, y: Floats, x: Floats | None, present: Bools, test: int, reference: int
) -> ManyFits:
    """Welch's test; with a baseline, one slope, HC2 variance and Satterthwaite's degrees of freedom."""
    mine = np.isin(layout.arm, (test, reference))
    treated = layout.arm[mine] == test
    y, present = y[:, mine], present[:, mine]
    sides = np.stack([present & treated, present & ~treated])
    n = sides.sum(axis=-1).astype(float)
    if x is None:
        means = (sides * y).sum(axis=-1) / n
        squares = (sides * (y - means[..., None]) ** 2).sum(axis=-1)
        parts = squares / (n - 1) / n
        df = parts.sum(axis=0) ** 2 / (parts**2 / (n - 1)).sum(axis=0)
        return _checked(means[0] - means[1], parts.sum(axis=0), np.where((n < 2).any(axis=0), np.nan, df), y)
    x = x[:, mine]
    x = np.where(present, x - ((x * present).sum(axis=1) / present.sum(axis=1))[:, None], 0.0)
    sides = np.broadcast_to(sides, (2, *x.shape))
    n = sides.sum(axis=-1).astype(float)
    enough = (n >= 2).all(axis=0) & (n.sum(axis=0) > 3)
    columns = np.stack([sides[0], sides[1], x], axis=-1).astype(float)
    gram = np.swapaxes(columns, 1, 2) @ columns
    gram[~enough] = np.eye(3)
    inverse = np.linalg.inv(gram)
    hat_left = columns @ inverse
    coefficients = (np.swapaxes(hat_left, 1, 2) @ y[:, :, None])[:, :, 0]
    residual = np.where(present, y - (columns @ coefficients[:, :, None])[:, :, 0], 0.0)
    leverage = (hat_left * columns).sum(axis=-1)
    influence = hat_left[:, :, 0] - hat_left[:, :, 1]
    squared = residual**2 / np.maximum(1 - leverage, 1e-12)
    each = (sides * squared).sum(axis=-1) / n
    variances = np.where(treated, each[0][:, None], each[1][:, None])
    df = _satterthwaite(columns, hat_left, influence**2 / (1 - leverage), variances)
    estimate = coefficients[:, 0] - coefficients[:, 1]
    return _checked(estimate, (influence**2 * squared).sum(axis=1), np.where(enough, df, np.nan), y)


def _satterthwaite(columns: Floats, hat_left: Floats, weights: Floats, variances: Floats) -> Floats:
    """As ``own_error`` has it for one trial: tr(DMSM)^2 / tr((DMSM)^2)."""
    spread = variances[..., None] * columns
    k = columns.shape[-1]
    left = np.concatenate([hat_left, spread], axis=-1)
    middle = np.zeros((len(columns), 2 * k, 2 * k))
    middle[:, :k, :k] = np.swapaxes(columns, 1, 2) @ spread
    middle[:, :k, k:] = middle[:, k:, :k] = -np.eye(k)
    low = left @ middle
    along = (low * left).sum(axis=-1)
    trace = (weights * (variances + along)).sum(axis=-1)
    plain = ((weights * variances) ** 2).sum(axis=-1)
    cross = 2 * (weights**2 * variances * along).sum(axis=-1)
    product = middle @ (np.swapaxes(left, 1, 2) @ (weights[..., None] * left))
    both = (product * np.swapaxes(product, 1, 2)).sum(axis=(1, 2))
    return np.asarray(trace**2 / (plain + cross + both))


def _checked(estimate: Floats, square: Floats, df: Floats, of: Floats) -> ManyFits:
    """Fits, given the squared errors and the numbers compared.

    Without degrees of freedom there is an estimate and no error; an error that is rounding alone is 0.
    """
    df = np.broadcast_to(df, estimate.shape)
    lost = ~(df > 0)
    se = np.sqrt(square)
    se = np.where(se <= 1e-12 * np.abs(of).max(axis=-1), 0.0, se)
    return ManyFits(estimate, np.where(lost, np.nan, se), np.where(lost, np.nan, df))
