"""Cluster-robust standard errors for few clusters: CR2 with the degrees of freedom of Bell and McCaffrey.

The estimate stays that of least squares; its error is taken from how the residuals of whole blocks (of whole
tanks in a crossover) push it, whatever variances and correlations these have. Each cluster's residuals are
first scaled so that the variance is unbiased if the tanks were alike (bias-reduced linearisation: Bell and
McCaffrey 2002, Survey Methodology 28:169), and Satterthwaite's degrees of freedom are taken under the same
working model. With blocks fixed the scaling uses the full design, block columns and all (Pustejovsky and
Tipton 2018, Journal of Business and Economic Statistics 36:672).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.linear_model import centred, t_fit
from analysis.records import Fit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.linear_model import TankData

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


class ClusterRobust:
    """Least squares of ``y`` on ``columns``, with cluster-robust contrasts.

    Parameters
    ----------
    y : float array, (n,)
    columns : float array, (n, columns)
        The intercept among them unless groups are absorbed; columns may depend on each other.
    cluster : int array, (n,)
        Codes of the clusters, which are taken as independent of each other.
    absorbed : int array, (n,), optional
        Codes of groups with a fixed effect each, every group inside one cluster (often the clusters themselves).
    """

    def __init__(self, y: Floats, columns: Floats, cluster: Ints, absorbed: Ints | None = None) -> None:
        u = columns if absorbed is None else centred(columns, absorbed)
        left = y if absorbed is None else centred(y, absorbed)
        _, s, vt = np.linalg.svd(u, full_matrices=False)
        rank = int((s > 1e-9 * max(1.0, float(s.max(initial=0.0)))).sum())
        self._v, self._bread = vt[:rank].T, vt[:rank].T / s[:rank] ** 2 @ vt[:rank]
        self._beta = self._bread @ (u.T @ left)
        residual = left - u @ self._beta
        if np.abs(residual).max(initial=0.0) <= 1e-12 * np.abs(left).max(initial=0.0):
            residual = np.zeros_like(residual)  # rounding alone
        self.df = len(y) - rank - (0 if absorbed is None else len(np.unique(absorbed)))
        self.residual_variance = float(residual @ residual) / self.df if self.df > 0 else None
        members = [np.flatnonzero(cluster == code) for code in np.unique(cluster)]
        self._u = [u[rows] for rows in members]
        self._residual = [residual[rows] for rows in members]
        own = [np.arange(len(rows)) if absorbed is None else absorbed[rows] for rows in members]
        # Residual-makers of the absorbed groups: what taking off a group's mean leaves of each tank's error.
        self._within = [
            np.eye(len(group)) if absorbed is None else np.eye(len(group)) - _averaging(group)
            for group in own
        ]
        self._scaled = [
            _inverse_root(within - part @ self._bread @ part.T)
            for within, part in zip(self._within, self._u, strict=True)
        ]

    def contrast(self, weights: Floats, level: float) -> Fit | None:
        """Contrast of the columns; None if they cannot estimate it. ``n`` counts the clusters that bear on it.

        With fewer than two such clusters there is an estimate and no error.
        """
        if not np.allclose(self._v @ (self._v.T @ weights), weights, atol=1e-8):
            return None
        estimate = float(weights @ self._beta)
        direction = self._bread @ weights
        pull = [a @ (u @ direction) for a, u in zip(self._scaled, self._u, strict=True)]
        bearing = sum(bool(np.abs(u @ direction).max() > 1e-10) for u in self._u)
        name = "d (model residual sd)"
        variance = sum(float(a @ e) ** 2 for a, e in zip(pull, self._residual, strict=True))
        # Covariance of the clusters' pushes a'e under independent errors of equal variance.
        back = np.array([u.T @ a for u, a in zip(self._u, pull, strict=True)])
        pushes = -back @ self._bread @ back.T
        pushes[np.diag_indices(len(pull))] += [a @ w @ a for a, w in zip(pull, self._within, strict=True)]
        square = float(np.sum(pushes**2))
        if bearing < 2 or self.residual_variance is None or square == 0:
            return Fit(estimate, None, None, None, None, None, None, None, name, bearing)
        df = float(np.trace(pushes)) ** 2 / square
        return t_fit(
            estimate,
            float(np.sqrt(variance)),
            df,
            level,
            float(np.sqrt(self.residual_variance)),
            name,
            bearing,
        )


def robust_contrast(data: TankData, test: int, reference: int, level: float) -> Fit | None:
    """Difference of two arms in summary ~ arm + block [+ baseline], blocks both fixed and the clusters.

    With two arms in pairs it is the paired t test. None where the arms never meet, directly or through others,
    or where the trial has no blocks.
    """
    if not data.blocked:
        return None
    columns = [data.arm == code for code in range(len(data.arms))]
    columns.extend((data.covariates - data.covariates.mean(axis=0)).T)
    weights = np.zeros(len(columns))
    weights[test], weights[reference] = 1.0, -1.0
    model = ClusterRobust(data.y, np.column_stack(columns).astype(float), data.block, data.block)
    return model.contrast(weights, level)


def _averaging(group: Ints) -> Floats:
    """Matrix that replaces each value by the mean of its group."""
    same = (group[:, None] == group).astype(float)
    mean: Floats = same / same.sum(axis=1)
    return mean


def _inverse_root(matrix: Floats) -> Floats:
    """Symmetric square root of the Moore-Penrose inverse."""
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    seen = values > 1e-10
    root: Floats = (vectors[:, seen] / np.sqrt(values[seen])) @ vectors[:, seen].T
    return root
