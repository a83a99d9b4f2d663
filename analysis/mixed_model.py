"""Linear mixed model by REML: fixed effects, independent random intercepts of one or more groupings, residual.

Beside the registered analysis in incomplete and ragged blocks: with blocks random, what the block totals know
of the arms is recovered (Yates 1940, Annals of Eugenics 10:317), and with tanks random the same in crossovers.
Inference is by Kenward and Roger. In complete blocks nothing changes: t and F are those of blocks fixed.
"""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING

import numpy as np
from scipy import linalg

from analysis.kenward_roger import KenwardRoger
from schemas.errors import AnalysisError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from analysis.linear_model import TankData
    from analysis.records import Fit, Omnibus

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


class MixedModel:
    """REML fit of y = fixed effects + random intercepts + residual.

    Parameters
    ----------
    y : float array, (n,)
    fixed : float array, (n, columns)
        Fixed effects, the intercept among them (or indicators of all arms); columns may depend on each other.
    random : mapping of name to int array, (n,)
        Codes of each grouping whose levels are random, e.g. ``{"block": codes}``.

    Attributes
    ----------
    variances : dict of str to float
        Variance of each random intercept; 0 where REML puts it on that boundary (see ``at_zero``).
    residual_variance, log_likelihood : float
        The restricted log likelihood carries all its constants, as Pinheiro and Bates (2000) define it.
    at_zero : tuple of str
        Groupings with variance 0: their levels differ no more than the residual explains. Kenward and Roger's
        adjustment still counts such a variance as estimated, so degrees of freedom are not pooled for it.

    Raises
    ------
    AnalysisError
        Where the variances cannot be told apart, or nothing varies.
    """

    def __init__(self, y: Floats, fixed: Floats, random: Mapping[str, Ints]) -> None:
        names = tuple(random)
        indicators = [(codes[:, None] == np.unique(codes)).astype(float) for codes in random.values()]
        profile = _Profile(y, fixed, indicators)
        _refuse(profile, names)
        ratios = profile.minimise()
        self.residual_variance = profile.residual_variance(ratios)
        self.variances = {
            name: float(ratio) * self.residual_variance for name, ratio in zip(names, ratios, strict=True)
        }
        self.at_zero = tuple(name for name, ratio in zip(names, ratios, strict=True) if ratio == 0)
        self.log_likelihood = profile.log_likelihood(ratios)
        spreads = [np.eye(len(y)), *[z @ z.T for z in indicators]]
        parts = [self.residual_variance, *self.variances.values()]
        v = sum(
            (part * spread for part, spread in zip(parts, spreads, strict=True)), np.zeros((len(y), len(y)))
        )
        self.fixed = KenwardRoger(y, fixed, v, spreads)

    @property
    def note(self) -> str:
        """What has to be said of variances at 0; empty where there are none."""
        if not self.at_zero:
            return ""
        return (
            f"The variance between levels of {' and '.join(self.at_zero)} is estimated as 0: they differ no more than "
            "the numbers within them do."
        )

    def contrast(self, weights: Floats, level: float, n: int) -> Fit | None:
        """Contrast of the fixed columns (weights left out at the end are 0); None if not estimable."""
        full = np.zeros(self.fixed.columns)
        full[: len(weights)] = weights
        sd = float(np.sqrt(self.residual_variance))
        return self.fixed.contrast(full, level, sd, "d (model residual sd)", n)

    def f_test(self, rows: Floats) -> Omnibus:
        """Kenward and Roger's scaled F that all contrasts (rows, columns) of the fixed effects are 0."""
        return self.fixed.f_test(rows)


class RandomBlocks:
    """Tanks of a blocked trial with blocks random: summary ~ arm [+ baseline] + (block).

    Raises
    ------
    AnalysisError
        As :class:`MixedModel`; also where the trial has no blocks.
    """

    def __init__(self, data: TankData) -> None:
        if not data.blocked:
            raise AnalysisError("The trial has no blocks, so there is no block variance to estimate.")
        self._data = data
        columns = [data.arm == code for code in range(len(data.arms))]
        # Their average is taken off for the arithmetic alone; no contrast of arms depends on it.
        columns.extend((data.covariates - data.covariates.mean(axis=0)).T)
        self.model = MixedModel(data.y, np.column_stack(columns).astype(float), {"block": data.block})

    def contrast(self, test: int, reference: int, level: float) -> Fit | None:
        """Difference of two arms, ``n`` counting their tanks; None where an arm has no tank."""
        weights = np.zeros(len(self._data.arms))
        weights[test], weights[reference] = 1.0, -1.0
        return self.model.contrast(weights, level, int(np.isin(self._data.arm, (test, reference)).sum()))

    def omnibus(self) -> Omnibus:
        """F test that all arms that have tanks are alike."""
        present = np.unique(self._data.arm)
        rows = np.zeros((len(present) - 1, self.model.fixed.columns))
        rows[:, present[0]] = -1
        rows[np.arange(len(rows)), present[1:]] = 1
        return self.model.f_test(rows)


class _Profile:
    """The restricted likelihood as a function of the variance ratios alone.

    With the fixed effects swept out of the indicators and of y, everything that depends on the ratios fits in
    matrices as large as the number of random levels: M = Z'QZ and r = Z'Qy, Q the sweep (Harville 1977, JASA
    72:320). The ratios are those of the random variances to the residual one, which is profiled out.
    """

    def __init__(self, y: Floats, fixed: Floats, indicators: list[Floats]) -> None:
        u, s, _ = np.linalg.svd(fixed, full_matrices=False)
        rank = int((s > 1e-10 * s.max(initial=0.0)).sum())
        basis = u[:, :rank]
        z = np.column_stack(indicators)
        swept_y = y - basis @ (basis.T @ y)
        swept_y = swept_y - basis @ (basis.T @ swept_y)
        swept_z = z - basis @ (basis.T @ z)
        self.df = len(y) - rank
        self.m = swept_z.T @ swept_z
        self.r = swept_z.T @ swept_y
        self.total = float(swept_y @ swept_y)
        self.size = float(y @ y)
        sizes = [indicator.shape[1] for indicator in indicators]
        ends = np.cumsum(sizes)
        self.parts = [slice(end - size, end) for end, size in zip(ends, sizes, strict=True)]
        self.owner = np.repeat(np.arange(len(sizes)), sizes)
        self.log_det_fixed = _log_det(fixed)
        # A ratio times its scale is near 1 where block and residual variance weigh alike.
        traces = np.array([np.trace(self.m[part, part]) for part in self.parts])
        self.scale = np.where(traces > 0, traces, 1) / max(self.df, 1)

    def _factor(self, ratios: Floats) -> tuple[Floats, Floats]:
        """Square roots d of the ratios by level, and the Cholesky factor of I + d M d."""
        root = np.sqrt(ratios)[self.owner]
        return root, linalg.cholesky(np.eye(len(root)) + root[:, None] * self.m * root, lower=True)

    def _remainder(self, ratios: Floats) -> tuple[float, float]:
        """Weighted residual sum of squares, and log determinant of the covariance over the residual variance."""
        root, factor = self._factor(ratios)
        half = linalg.solve_triangular(factor, root * self.r, lower=True)
        return self.total - float(half @ half), 2 * float(np.log(np.diag(factor)).sum())

    def residual_variance(self, ratios: Floats) -> float:
        return self._remainder(ratios)[0] / self.df

    def deviance(self, ratios: Floats) -> float:
        """Minus twice the profiled restricted log likelihood, without constants."""
        quadratic, log_det = self._remainder(ratios)
        return self.df * float(np.log(quadratic)) + log_det

    def log_likelihood(self, ratios: Floats) -> float:
        constants = self.df * (1 + float(np.log(2 * np.pi / self.df))) + self.log_det_fixed
        return -(self.deviance(ratios) + constants) / 2

    def _slopes(self, ratios: Floats) -> tuple[Floats, Floats]:
        """Gradient and Hessian of the deviance."""
        root, factor = self._factor(ratios)
        half = linalg.solve_triangular(factor, np.diag(root), lower=True)
        b = half.T @ half
        quadratic = self.total - float(self.r @ b @ self.r)
        g = self.r - self.m @ (b @ self.r)
        t = self.m - self.m @ b @ self.m
        squares = np.array([g[part] @ g[part] for part in self.parts])
        gradient = np.array([np.trace(t[part, part]) for part in self.parts]) - self.df * squares / quadratic
        hessian = np.empty((len(self.parts), len(self.parts)))
        for i, one in enumerate(self.parts):
            for j, other in enumerate(self.parts):
                curve = 2 * g[one] @ t[one, other] @ g[other] / quadratic
                curve -= squares[i] * squares[j] / quadratic**2
                hessian[i, j] = self.df * curve - np.sum(t[one, other] ** 2)
        return gradient, hessian

    def minimise(self) -> Floats:
        """Ratios of least deviance: the best of a coarse grid, then Newton's method within the boundary."""
        steps = 25 if len(self.parts) == 1 else 9
        line = np.concatenate([[0.0], np.logspace(-3, 5, steps)])
        grid = [np.array(point) / self.scale for point in product(line, repeat=len(self.parts))]
        ratios = min(grid, key=self.deviance)
        for _ in range(200):
            gradient, hessian = self._slopes(ratios)
            free = (ratios > 0) | (gradient < 0)
            step = np.zeros_like(ratios)
            if free.any():
                step[free] = _downhill(gradient[free], hessian[np.ix_(free, free)])
            ratios, moved = self._stepped(ratios, step)
            if not moved:
                break
        return ratios

    def _stepped(self, ratios: Floats, step: Floats) -> tuple[Floats, bool]:
        """The furthest halving of a step that does not raise the deviance, kept at or above 0."""
        before = self.deviance(ratios)
        for halving in range(40):
            trial = np.maximum(ratios + step / 2**halving, 0)
            if np.abs(trial - ratios).max() <= 1e-13 * max(
                float(ratios.max()), float((1e-6 / self.scale).max())
            ):
                return ratios, False
            if self.deviance(trial) <= before:
                return trial, True
        return ratios, False


def _log_det(fixed: Floats) -> float:
    """Log determinant of X'X over the columns that do not depend on earlier ones, as software leaves them out."""
    directions: list[Floats] = []
    total = 0.0
    for column in fixed.T:
        rest = column
        for _ in range(2):  # twice, for what rounding leaves
            for direction in directions:
                rest = rest - (direction @ rest) * direction
        length = float(np.linalg.norm(rest))
        if length > 1e-9 * float(np.linalg.norm(column)):
            directions.append(rest / length)
            total += 2 * float(np.log(length))
    return total


def _downhill(gradient: Floats, hessian: Floats) -> Floats:
    """Newton's step, with directions that curve the wrong way turned round."""
    values, vectors = np.linalg.eigh(hessian)
    values = np.maximum(np.abs(values), 1e-12 * np.abs(values).max(initial=1e-300))
    step: Floats = -vectors @ ((vectors.T @ gradient) / values)
    return step


def _refuse(profile: _Profile, names: tuple[str, ...]) -> None:
    """Say in words why the variances cannot be estimated."""
    if profile.total <= 1e-24 * profile.size or profile.df < 1:
        raise AnalysisError("Nothing varies beyond the arms, so there is no variance to estimate.")
    values, vectors = np.linalg.eigh(profile.m)
    seen = values > 1e-9 * max(float(values.max()), 1e-300)
    if int(seen.sum()) >= profile.df:
        raise AnalysisError(
            f"The variance between levels of {' and '.join(names)} cannot be told from the variance within: "
            "too few of them hold two or more numbers."
        )
    within = profile.total - float(np.sum((vectors[:, seen].T @ profile.r) ** 2 / values[seen]))
    if within <= 1e-20 * profile.total:
        raise AnalysisError(f"Numbers within a {' and '.join(names)} do not vary beyond the arms.")
    gram = np.array(
        [[np.sum(profile.m[one, other] ** 2) for other in profile.parts] for one in profile.parts]
    )
    size = np.sqrt(np.diag(gram))
    if (size <= 1e-12).any() or np.linalg.matrix_rank(gram / np.outer(size, size), tol=1e-9) < len(names):
        raise AnalysisError(
            f"The variances of {' and '.join(names)} cannot be told from each other or from the arms."
        )
