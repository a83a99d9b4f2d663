"""The one linear model of every design: summary ~ arm + block [+ baseline], blocks fixed, least squares.

Blocks are swept out first (Frisch and Waugh 1933, Econometrica 1:387): everything is centred within its
block, so the fit needs a column an arm however many blocks there are. Parallel arms are one block. In a
crossover the tanks are the blocks and the periods are covariates: summary ~ arm + tank + period.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from analysis.records import Fit, Omnibus

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


@dataclass(frozen=True)
class TankData:
    """The numbers of one endpoint; all arrays have one element a tank analysed.

    Parameters
    ----------
    y : float array
        Number analysed, on the working scale.
    arm, block : int array
        Codes from 0; in parallel arms every block code is 0.
    arms : tuple of str
        Arm names by code.
    x : float array or None
        Baseline covariate on the working scale.
    blocked : bool
        True where the allocation was made within blocks.
    period : int array or None
        In a crossover, codes of the periods (of each cohort, where cohorts start on different dates); the
        block is then the tank.
    cohort : int array or None
        In a crossover, codes of the groups of tanks inside which sequences were drawn.
    """

    y: Floats
    arm: Ints
    block: Ints
    arms: tuple[str, ...]
    x: Floats | None
    blocked: bool
    period: Ints | None = None
    cohort: Ints | None = None

    def only(self, keep: NDArray[np.bool_]) -> TankData:
        """The tanks where ``keep`` is true."""
        return replace(
            self,
            y=self.y[keep],
            arm=self.arm[keep],
            block=self.block[keep],
            x=None if self.x is None else self.x[keep],
            period=None if self.period is None else self.period[keep],
            cohort=None if self.cohort is None else self.cohort[keep],
        )

    def with_y(self, y: Floats) -> TankData:
        """The same tanks with other numbers."""
        return replace(self, y=y)

    @property
    def covariates(self) -> Floats:
        """Columns beside arm and block: the baseline first, then an indicator for each period but the first."""
        columns = [] if self.x is None else [self.x]
        if self.period is not None:
            columns += [(self.period == code).astype(float) for code in np.unique(self.period)[1:]]
        return np.column_stack(columns) if columns else np.empty((len(self.y), 0))


def centred(values: Floats, block: Ints) -> Floats:
    """Values minus the mean of their block; values is (tanks,) or (tanks, columns).

    The first value is taken off beforehand and the mean twice, so that numbers that share many leading
    digits keep the others.
    """
    if not values.size:
        return values
    result = values - values[:1]
    size = np.bincount(block).astype(float)
    size[size == 0] = 1
    for _ in range(2):
        if result.ndim == 1:
            result = result - (np.bincount(block, weights=result) / size)[block]
        else:
            means = np.stack([np.bincount(block, weights=column) / size for column in result.T], axis=1)
            result = result - means[block]
    return result


class LinearModel:
    """Least-squares fit of summary ~ arm + block [+ baseline] to all arms.

    Contrasts that the data cannot estimate (arms that never meet in a block) come back as None.
    """

    def __init__(self, data: TankData) -> None:
        self.data = data
        indicator = (data.arm[:, None] == np.arange(len(data.arms))).astype(float)
        self._y = centred(data.y, data.block)
        self._arms = centred(indicator, data.block)
        # Covariates come first, so that the arms' share is what they leave.
        self._x = centred(data.covariates, data.block)
        self._q_x = orthonormal(self._x)
        rest = self._arms - self._q_x @ (self._q_x.T @ self._arms)
        u, s, vt = np.linalg.svd(rest, full_matrices=False)
        rank = int((s > 1e-9 * max(1.0, s.max(initial=0.0))).sum())
        self._u, self._s, self._vt = u[:, :rank], s[:rank], vt[:rank]
        self.rank = rank
        residual = self._y - self._q_x @ (self._q_x.T @ self._y)
        self._scores = self._u.T @ residual
        residual = residual - self._u @ self._scores
        # A second sweep takes off what rounding left in the first.
        residual = residual - self._u @ (self._u.T @ residual)
        self.residual = without_rounding(residual, self._y)
        blocks = len(np.unique(data.block))
        self.df = len(data.y) - blocks - rank - self._q_x.shape[1]

    @cached_property
    def effects(self) -> Floats:
        """Arm effects, one an arm, up to a constant within each connected set of arms."""
        return np.asarray(self._vt.T @ (self._scores / self._s))

    @cached_property
    def slope(self) -> float:
        """Slope of the summary on the baseline covariate; 0 without one."""
        return float(self._slopes[0]) if self.data.x is not None else 0.0

    @cached_property
    def _slopes(self) -> Floats:
        """Coefficients of all covariates, the least ones where they depend on each other."""
        return np.asarray(np.linalg.lstsq(self._x, self._y - self._arms @ self.effects, rcond=None)[0])

    @property
    def error_variance(self) -> float | None:
        """Mean square of the residuals; None without degrees of freedom."""
        return float(self.residual @ self.residual) / self.df if self.df > 0 else None

    def omnibus(self) -> Omnibus:
        """F test that all arms are alike, arms after blocks and covariate."""
        between = float(self._scores @ self._scores)
        variance = self.error_variance
        if not self.rank or not variance:
            return Omnibus(None, float(self.rank), float(max(self.df, 0)), None)
        f = between / self.rank / variance
        return Omnibus(f, float(self.rank), float(self.df), float(stats.f.sf(f, self.rank, self.df)))

    def contrast(self, test: int, reference: int, level: float) -> Fit | None:
        """Difference of two arms with the model's common error; None where it cannot be estimated."""
        weights = np.zeros(len(self.data.arms))
        weights[test], weights[reference] = 1.0, -1.0
        projected = self._vt @ weights
        if not np.allclose(self._vt.T @ projected, weights, atol=1e-8):
            return None
        estimate = float(projected @ (self._scores / self._s))
        variance = self.error_variance
        n = int(np.isin(self.data.arm, (test, reference)).sum())
        if variance is None:
            return Fit(estimate, None, None, None, None, None, None, None, "", n)
        se = float(np.sqrt(variance) * np.linalg.norm(projected / self._s))
        return t_fit(
            estimate, se, float(self.df), level, float(np.sqrt(variance)), "d (model residual sd)", n
        )

    def adjusted_means(self) -> list[float]:
        """Mean of each arm at the average baseline, every block counting alike; one an arm."""
        data = self.data
        fitted = self.effects[data.arm] + data.covariates @ self._slopes
        size = np.bincount(data.block).astype(float)
        seen = size > 0
        levels = np.bincount(data.block, weights=data.y - fitted)[seen] / size[seen]
        at_average = float(data.covariates.mean(axis=0) @ self._slopes)
        return [float(levels.mean() + effect + at_average) for effect in self.effects]

    def correlation(self, pairs: Sequence[tuple[int, int]]) -> Floats:
        """Correlation matrix of the estimates of several contrasts, each (test, reference)."""
        weights = np.zeros((len(pairs), len(self.data.arms)))
        for row, (test, reference) in enumerate(pairs):
            weights[row, test], weights[row, reference] = 1.0, -1.0
        spread = weights @ self._vt.T / self._s
        spread = spread / np.linalg.norm(spread, axis=1, keepdims=True)
        return np.asarray(spread @ spread.T)


def t_fit(
    estimate: float, se: float, df: float, level: float, standardiser: float, effect_name: str, n: int
) -> Fit:
    """Interval and two-sided p of an estimate by Student's t.

    Without any spread (``se`` 0) there is no test: the interval is the estimate itself and p is None.
    """
    if se == 0:
        return Fit(estimate, 0.0, df, estimate, estimate, None, None, None, effect_name, n)
    half = float(stats.t.ppf((1 + level) / 2, df)) * se
    t = estimate / se
    p = float(2 * stats.t.sf(abs(t), df))
    return Fit(estimate, se, df, estimate - half, estimate + half, t, p, standardiser, effect_name, n)


def without_rounding(residual: Floats, values: Floats) -> Floats:
    """Residuals, or exact zeros where they are nothing but the rounding of the values."""
    largest = np.abs(values).max(initial=0.0)
    return np.zeros_like(residual) if np.abs(residual).max(initial=0.0) <= 1e-12 * largest else residual


def orthonormal(columns: Floats) -> Floats:
    """Orthonormal basis of what the columns span; a column without spread of its own adds nothing."""
    if not columns.shape[1]:
        return columns
    scale = np.linalg.norm(columns, axis=0)
    u, s, _ = np.linalg.svd(columns / np.where(scale > 1e-12, scale, np.inf), full_matrices=False)
    return np.asarray(u[:, s > 1e-9])
