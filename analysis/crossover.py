"""Crossovers: every tank goes through several arms, and is compared with itself.

The model is number ~ arm + tank + period (cohort by period where groups of tanks start on different dates), all
fixed, by least squares. What an arm leaves behind in the next period, its first-order carry-over, is estimated
and tested beside (Williams 1949, Australian Journal of Scientific Research A 2:149) and stated. It never decides
which analysis is made: testing first and choosing by the outcome makes the chosen test false (Freeman 1989,
Statistics in Medicine 8:1421).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from analysis.linear_model import centred, t_fit
from analysis.records import Fit, Omnibus

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


@dataclass(frozen=True)
class PeriodData:
    """Numbers of one endpoint, one element a tank and period analysed.

    Parameters
    ----------
    y : float array
        Number analysed, on the working scale.
    arm, tank, period : int array
        Codes from 0; periods in the order of time.
    before : int array
        Arm allocated to the tank in the period before, whether or not that period has a number; -1 in the first.
    arms : tuple of str
        Arm names by code.
    cohort : int array or None
        Codes of groups of tanks that started together, whose periods fall on other dates; None for one group.
    x : float array or None
        Baseline of the period, on the working scale.
    """

    y: Floats
    arm: Ints
    tank: Ints
    period: Ints
    before: Ints
    arms: tuple[str, ...]
    cohort: Ints | None = None
    x: Floats | None = None

    @property
    def arm_columns(self) -> Floats:
        """Indicator of each arm."""
        return _indicators(self.arm, len(self.arms))

    @property
    def carry_columns(self) -> Floats:
        """Indicator of each arm in the period before; none in a first period."""
        return _indicators(self.before, len(self.arms))

    @property
    def period_columns(self) -> Floats:
        """Indicator of each period, of each cohort."""
        time = (
            self.period if self.cohort is None else self.cohort * (int(self.period.max()) + 1) + self.period
        )
        columns: Floats = (time[:, None] == np.unique(time)).astype(float)
        return columns

    @property
    def baseline_columns(self) -> Floats:
        """The baseline about its mean, where there is one."""
        return np.zeros((len(self.y), 0)) if self.x is None else (self.x - self.x.mean())[:, None]

    @property
    def columns(self) -> Floats:
        """Arms, periods and baseline, the arms first."""
        return np.column_stack([self.arm_columns, self.period_columns, self.baseline_columns])


class CrossoverModel:
    """Least squares of a crossover with tanks and periods fixed and one common error.

    Parameters
    ----------
    data : PeriodData
    carry_over : bool
        Adjust for the arm of the period before as well.
    """

    def __init__(self, data: PeriodData, *, carry_over: bool = False) -> None:
        self.data = data
        groups = {"arm": data.arm_columns, "period": data.period_columns, "baseline": data.baseline_columns}
        if carry_over:
            groups["carry"] = data.carry_columns
        widths = [group.shape[1] for group in groups.values()]
        starts = np.cumsum([0, *widths])
        self._at = {
            name: slice(int(a), int(b)) for name, a, b in zip(groups, starts[:-1], starts[1:], strict=True)
        }
        self._x = centred(np.column_stack(list(groups.values())), data.tank)
        self._y = centred(data.y, data.tank)
        self.rank, self._bread, self._row_space = _normal(self._x)
        self._beta = self._bread @ (self._x.T @ self._y)
        residual = self._y - self._x @ self._beta
        if np.abs(residual).max(initial=0.0) <= 1e-12 * np.abs(self._y).max(initial=0.0):
            residual = np.zeros_like(residual)  # rounding alone
        self.error = float(residual @ residual)
        self.df = len(data.y) - len(np.unique(data.tank)) - self.rank

    @property
    def error_variance(self) -> float | None:
        """Mean square of the residuals; None without degrees of freedom."""
        return self.error / self.df if self.df > 0 else None

    def contrast(self, test: int, reference: int, level: float) -> Fit | None:
        """Difference of two arms; None where it cannot be estimated. ``n`` counts the tanks that had both."""
        return self._difference("arm", test, reference, level)

    def carry_over(self, test: int, reference: int, level: float) -> Fit | None:
        """Difference of what two arms leave in the next period; None where the design cannot tell."""
        return self._difference("carry", test, reference, level) if "carry" in self._at else None

    def omnibus(self) -> Omnibus:
        """F test that all arms are alike, arms after everything else in the model."""
        return self._f_test("arm")

    def carry_over_test(self) -> Omnibus:
        """F test that all arms leave the same behind, after everything else in the model."""
        return self._f_test("carry")

    def period_test(self) -> Omnibus:
        """F test that periods (of each cohort) are alike, after everything else in the model."""
        return self._f_test("period")

    def _difference(self, group: str, test: int, reference: int, level: float) -> Fit | None:
        weights = np.zeros(self._x.shape[1])
        start = self._at[group].start
        weights[start + test], weights[start + reference] = 1.0, -1.0
        if not np.allclose(self._row_space @ weights, weights, atol=1e-8):
            return None
        estimate, name = float(weights @ self._beta), "d (model residual sd)"
        n = len(tanks_with_both(self.data, test, reference))
        if self.error_variance is None:
            return Fit(estimate, None, None, None, None, None, None, None, name, n)
        sd = float(np.sqrt(self.error_variance))
        se = sd * float(np.sqrt(max(float(weights @ self._bread @ weights), 0.0)))
        return t_fit(estimate, se, float(self.df), level, sd, name, n)

    def _without(self, group: str) -> tuple[float, int]:
        """Sum of squares and degrees of freedom of a group after all others."""
        if group not in self._at:
            return 0.0, 0
        keep = np.ones(self._x.shape[1], dtype=bool)
        keep[self._at[group]] = False
        rank, bread, _ = _normal(self._x[:, keep])
        left = self._y - self._x[:, keep] @ (bread @ (self._x[:, keep].T @ self._y))
        return max(float(left @ left) - self.error, 0.0), self.rank - rank

    def _f_test(self, group: str) -> Omnibus:
        square, df = self._without(group)
        variance = self.error_variance
        if not df or not variance:
            return Omnibus(None, float(df), float(max(self.df, 0)), None)
        f = square / df / variance
        return Omnibus(f, float(df), float(self.df), float(stats.f.sf(f, df, self.df)))


@dataclass(frozen=True)
class CarryOver:
    """Carry-over as far as the design can tell it.

    Parameters
    ----------
    within : Omnibus or None
        F test within tanks, adjusted for arms and periods; None where arms and carry-over cannot be told apart there.
    differences : dict of (test, reference) to Fit
        What ``test`` leaves behind less what ``reference`` does, by arm codes, within tanks.
    adjusted : dict of (test, reference) to Fit
        The comparisons of arms themselves, adjusted for carry-over.
    between : Fit or None
        In the two-period design of sequences AB and BA, whose tanks cannot tell it: totals of the tanks that
        began with arm 0 less totals of the others, by Student's test (Hills and Armitage 1979, British Journal of
        Clinical Pharmacology 8:7). It is as imprecise as tanks differ.
    """

    within: Omnibus | None
    differences: dict[tuple[int, int], Fit]
    adjusted: dict[tuple[int, int], Fit]
    between: Fit | None


def carry_over(data: PeriodData, level: float) -> CarryOver:
    """Estimate and test first-order carry-over."""
    model = CrossoverModel(data, carry_over=True)
    pairs = [(test, reference) for test in range(len(data.arms)) for reference in range(test)]
    differences = {pair: model.carry_over(*pair, level) for pair in pairs}
    adjusted = {pair: model.contrast(*pair, level) for pair in pairs}
    known = {pair: fit for pair, fit in differences.items() if fit is not None}
    return CarryOver(
        within=model.carry_over_test() if known else None,
        differences=known,
        adjusted={pair: fit for pair, fit in adjusted.items() if fit is not None} if known else {},
        between=_totals(data, level),
    )


def tanks_with_both(data: PeriodData, test: int, reference: int) -> Ints:
    """Codes of the tanks that have a number under either arm."""
    return np.intersect1d(data.tank[data.arm == test], data.tank[data.arm == reference])


def _totals(data: PeriodData, level: float) -> Fit | None:
    pairs = _two_by_two(data)
    if pairs is None:
        return None
    first, second, began = pairs
    total = first + second
    return _student(total[began == 0], total[began == 1], level, len(total))


def _two_by_two(data: PeriodData) -> tuple[Floats, Floats, Ints] | None:
    """First and second number of each complete tank, and its first arm; None unless the design is AB/BA."""
    if len(data.arms) != 2 or set(np.unique(data.period)) != {0, 1} or data.cohort is not None:
        return None
    tanks = np.intersect1d(data.tank[data.period == 0], data.tank[data.period == 1])
    rows = [
        [np.flatnonzero((data.tank == tank) & (data.period == period))[0] for period in (0, 1)]
        for tank in tanks
    ]
    first, second = np.array(rows, dtype=np.int64).reshape(-1, 2).T
    began = data.arm[first]
    if (began == data.arm[second]).any() or len(np.unique(began)) < 2:
        return None
    return data.y[first], data.y[second], began


def _student(one: Floats, other: Floats, level: float, n: int) -> Fit:
    """Student's two-sample comparison with a common variance."""
    estimate, df = float(one.mean() - other.mean()), len(one) + len(other) - 2
    name = "d (common sd)"
    if df < 1:
        return Fit(estimate, None, None, None, None, None, None, None, name, n)
    square = float(np.sum((one - one.mean()) ** 2) + np.sum((other - other.mean()) ** 2))
    sd = float(np.sqrt(square / df))
    return t_fit(estimate, sd * float(np.sqrt(1 / len(one) + 1 / len(other))), float(df), level, sd, name, n)


def _normal(x: Floats) -> tuple[int, Floats, Floats]:
    """Rank, generalised inverse of X'X, and projection onto the row space."""
    _, s, vt = np.linalg.svd(x, full_matrices=False)
    rank = int((s > 1e-9 * max(1.0, float(s.max(initial=0.0)))).sum())
    v = vt[:rank].T
    return rank, v / s[:rank] ** 2 @ v.T, v @ v.T


def _indicators(codes: Ints, count: int) -> Floats:
    columns: Floats = (codes[:, None] == np.arange(count)).astype(float)
    return columns
