"""Least squares for a series whose errors remember the last sampling day: correlation phi to the power of days.

Two numbers of one system that lie d days apart have errors with correlation phi**d (an autoregression of order
1 in continuous time; Jones 1993, Longitudinal Data with Serial Correlation). Days need not be regular. Readings
that wander are worth fewer days than they number, and least squares that takes them as independent calls chance
a change. phi and the variance are estimated by REML, and the contrasts' errors and degrees of freedom are those
of Kenward and Roger, which count what the estimation of both costs: with few days that is most of them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import optimize

from analysis.kenward_roger import KenwardRoger
from schemas.errors import AnalysisError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.records import Fit

    Floats = NDArray[np.float64]

_LONGEST = 30.0
"""Longest memory looked for, in lengths of the whole series: beyond it the errors are a random walk."""


class SerialModel:
    """Generalised least squares of ``y`` on ``columns`` with continuous-time autoregressive errors.

    Parameters
    ----------
    y : float array, (days,)
    columns : float array, (days, columns)
        The intercept among them.
    day : float array, (days,)
        When each number was taken, in days; in any order, no two alike.

    Attributes
    ----------
    phi : float
        Correlation of errors one day apart; 0 where REML finds no positive correlation.
    variance, log_likelihood : float
        Of one error; restricted, with all constants.
    at_limit : bool
        True where the memory is longer than the series can tell: the change is then read off the days around it.

    Raises
    ------
    AnalysisError
        Two numbers on one day, too few days for the columns and the two parameters, or nothing that varies.
    """

    def __init__(self, y: Floats, columns: Floats, day: Floats) -> None:
        order = np.argsort(day, kind="stable")
        y, columns, day = y[order], columns[order], day[order].astype(float)
        gaps = np.diff(day)
        rank = int(np.linalg.matrix_rank(columns))
        if len(y) - rank < 3:
            raise AnalysisError(
                f"{len(y)} sampling days are too few to estimate a serial correlation beside {rank} means; "
                f"{rank + 3} are the least."
            )
        if (gaps <= 0).any():
            raise AnalysisError("A series has two numbers on one day; average them first.")
        unit = float(gaps.min())
        profile = _Profile(y, columns, gaps / unit)
        if profile.variance(0.0) <= 1e-24 * float(y @ y):
            raise AnalysisError("The series does not vary beyond its means, so it has no serial correlation.")
        memory = profile.best_memory((day[-1] - day[0]) / unit)
        rho = float(np.exp(-1 / memory)) if memory > 0 else 0.0
        self.phi = rho ** (1 / unit)
        self.at_limit = memory >= _LONGEST * (day[-1] - day[0]) / unit * (1 - 1e-6)
        self.variance = profile.variance(rho)
        self.log_likelihood = float(profile.log_likelihood(np.array([rho]))[0])
        distance = np.abs(day[:, None] - day) / unit
        self._fixed = KenwardRoger(y, columns, *derivatives(self.variance, rho, distance))

    def contrast(self, weights: Floats, level: float, n: int) -> Fit | None:
        """Contrast of the columns, ``n`` as given; None if they cannot estimate it."""
        return self._fixed.contrast(weights, level, float(np.sqrt(self.variance)), "d (serial error sd)", n)


class _Profile:
    """Restricted likelihood as a function of rho, the correlation over one unit (the shortest gap).

    The errors become independent when each row gives up what the row before foretells of it. The columns are
    made orthonormal and swept out of y once, so that small cross-products keep their digits.
    """

    def __init__(self, y: Floats, columns: Floats, gaps: Floats) -> None:
        u, s, _ = np.linalg.svd(columns, full_matrices=False)
        rank = int((s > 1e-10 * s.max()).sum())
        basis = u[:, :rank]
        left = y - basis @ (basis.T @ y)
        self._rows = np.column_stack([basis, left - basis @ (basis.T @ left)])
        self._gaps = gaps
        self.df = len(y) - rank
        self._constant = 2 * float(np.log(s[:rank]).sum())

    def _sums(self, rho: Floats) -> tuple[Floats, Floats]:
        """Weighted residual sum of squares, and log determinants of correlation and information; one a rho."""
        memory = rho[:, None] ** self._gaps
        fresh = 1 - memory**2
        rest = (self._rows[1:] - memory[..., None] * self._rows[:-1]) / np.sqrt(fresh)[..., None]
        products = rest.swapaxes(1, 2) @ rest + np.outer(self._rows[0], self._rows[0])
        information, cross = products[:, :-1, :-1], products[:, :-1, -1]
        solved = np.linalg.solve(information, cross[..., None])[..., 0]
        square = products[:, -1, -1] - (cross * solved).sum(axis=1)
        return square, np.log(fresh).sum(axis=1) + np.linalg.slogdet(information)[1]

    def variance(self, rho: float) -> float:
        return float(self._sums(np.array([rho]))[0][0]) / self.df

    def log_likelihood(self, rho: Floats) -> Floats:
        square, log_det = self._sums(rho)
        constant = self.df * (1 + np.log(2 * np.pi / self.df)) + self._constant
        return np.asarray(-(self.df * np.log(square) + log_det + constant) / 2)

    def best_memory(self, span: float) -> float:
        """Decorrelation time in units; 0 for none. The best of a grid, then refined around it."""

        def loss(log_memory: Floats) -> Floats:
            return -self.log_likelihood(np.exp(-np.exp(-log_memory)))

        grid = np.linspace(np.log(0.03), np.log(_LONGEST * span), 80)
        values = loss(grid)
        at = int(np.argmin(values))
        found = optimize.minimize_scalar(
            lambda point: float(loss(np.array([point]))[0]),
            bounds=(grid[max(at - 1, 0)], grid[min(at + 1, 79)]),
            method="bounded",
            options={"xatol": 1e-10},
        )
        # A gain that rounding could make is no correlation.
        if -float(self.log_likelihood(np.zeros(1))[0]) <= found.fun + 1e-9:
            return 0.0
        return float(np.exp(found.x if found.fun < values[-1] else grid[-1]))


def derivatives(
    variance: float, rho: float, distance: Floats
) -> tuple[Floats, list[Floats], dict[tuple[int, int], Floats]]:
    """Covariance of the series, its derivatives by variance and rho, and their second derivatives."""
    correlation = np.where(distance == 0, 1.0, rho**distance)
    apart = distance > 0
    slope = np.zeros_like(distance)
    slope[apart] = distance[apart] * rho ** (distance[apart] - 1)
    curve = np.zeros_like(distance)
    # At rho 0 gaps between one and two units have no second derivative; they are taken as flat there.
    bent = distance >= 2 if rho == 0 else distance > 1
    curve[bent] = distance[bent] * (distance[bent] - 1) * rho ** (distance[bent] - 2)
    return variance * correlation, [correlation, variance * slope], {(0, 1): slope, (1, 1): variance * curve}
