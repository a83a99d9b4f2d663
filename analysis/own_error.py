"""Contrasts with the error of what they compare and nothing else (``variance = "own"``).

A dosed arm is usually far more variable than the control, and a common error would then be false for each
pair of arms. Blocks: the paired t test on the blocks that hold both arms. Parallel arms: Welch's test.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.linear_model import t_fit, without_rounding
from analysis.records import Fit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.linear_model import TankData

    Floats = NDArray[np.float64]


def own_error(data: TankData, test: int, reference: int, level: float) -> Fit | None:
    """One contrast, test minus reference; None where nothing holds both arms."""
    if data.blocked:
        return _paired(data, test, reference, level)
    return _welch(data, test, reference, level)


def block_differences(data: TankData, test: int, reference: int, values: Floats) -> Floats:
    """Mean of the test tanks minus mean of the reference tanks, one a block that holds both."""
    blocks = int(data.block.max(initial=-1)) + 1
    means = []
    held = np.ones(blocks, dtype=bool)
    for arm in (test, reference):
        mine = data.arm == arm
        size = np.bincount(data.block[mine], minlength=blocks).astype(float)
        held &= size > 0
        total = np.bincount(data.block[mine], weights=values[mine], minlength=blocks)
        means.append(total / np.where(size > 0, size, 1))
    return (means[0] - means[1])[held]


def _paired(data: TankData, test: int, reference: int, level: float) -> Fit | None:
    """Paired t test; with a baseline, the difference regressed on the baseline difference.

    The intercept of that regression is the difference between tanks that started alike, and is exactly the
    analysis of covariance with blocks fixed for two arms.
    """
    d = block_differences(data, test, reference, data.y)
    n = len(d)
    if n == 0:
        return None
    columns = np.ones((n, 1))
    if data.x is not None:
        dx = block_differences(data, test, reference, data.x)
        if np.ptp(dx) > 0:
            columns = np.column_stack([columns, dx])
    return _intercept(d, columns, level, "d_z" if columns.shape[1] == 1 else "d_z (baseline-adjusted)", n)


def _intercept(d: Floats, columns: Floats, level: float, name: str, n: int) -> Fit:
    df = n - columns.shape[1]
    if df < 1:
        estimate = float(d.mean())
        return Fit(estimate, None, None, None, None, None, None, None, name, n)
    inverse = np.linalg.inv(columns.T @ columns)
    coefficients = inverse @ columns.T @ d
    residual = without_rounding(d - columns @ coefficients, d)
    sd = float(np.sqrt(residual @ residual / df))
    return t_fit(float(coefficients[0]), sd * float(np.sqrt(inverse[0, 0])), df, level, sd, name, n)


def _welch(data: TankData, test: int, reference: int, level: float) -> Fit | None:
    """Welch's test, and its like for a baseline covariate with one slope.

    The variance is the HC2 estimate; its degrees of freedom are Satterthwaite's for that quadratic form with
    each arm's own variance, which without a covariate is exactly Welch (1947, Biometrika 34:28).
    """
    arms = [data.only(data.arm == arm) for arm in (test, reference)]
    sizes = [len(arm.y) for arm in arms]
    if min(sizes) == 0:
        return None
    y = np.concatenate([arm.y for arm in arms])
    shift = y[0]
    y = y - shift
    treated = np.repeat([1.0, 0.0], sizes)
    columns = np.column_stack([treated, 1 - treated])
    name = "d (average variance)"
    if data.x is not None:
        x = np.concatenate([arm.x for arm in arms if arm.x is not None])
        x = x - x.mean()
        spread = sum(float(np.ptp(part)) if len(part) else 0.0 for part in (x[treated > 0], x[treated == 0]))
        if spread > 0:
            columns = np.column_stack([columns, x])
            name = "d (average variance, baseline-adjusted)"
    n = len(y)
    inverse = np.linalg.inv(columns.T @ columns)
    coefficients = inverse @ columns.T @ y
    estimate = float(coefficients[0] - coefficients[1])
    if min(sizes) < 2 or n - columns.shape[1] < 1:
        return Fit(estimate, None, None, None, None, None, None, None, name, n)
    hat_left = columns @ inverse
    leverage = np.einsum("ij,ij->i", hat_left, columns)
    influence = hat_left[:, 0] - hat_left[:, 1]
    residual = without_rounding(y - columns @ coefficients, y)
    squared = residual**2 / np.maximum(1 - leverage, 1e-12)
    variances = [float(squared[treated == side].mean()) for side in (1.0, 0.0)]
    se = float(np.sqrt(influence**2 @ squared))
    if se == 0:
        return t_fit(estimate, 0.0, n - columns.shape[1], level, 0.0, name, n)
    df = _satterthwaite(columns, hat_left, influence**2 / (1 - leverage), np.where(treated > 0, *variances))
    standardiser = float(np.sqrt(sum(variances) / 2))
    return t_fit(estimate, se, df, level, standardiser, name, n)


def _satterthwaite(columns: Floats, hat_left: Floats, weights: Floats, variances: Floats) -> float:
    """Degrees of freedom of the quadratic form e' diag(weights) e with e the residuals of ``columns``.

    With M = I - H and S the diagonal of variances: tr(DMSM)^2 / tr((DMSM)^2), without any tanks-by-tanks
    matrix: M S M = S - H S - S H + H S H, and H has the rank of the model.
    """
    gram = columns.T @ (variances[:, None] * columns)
    # HSH = hat_left gram hat_left' and SH = (S columns) hat_left', so MSM = S + L K L' with the L and K below.
    left = np.column_stack([hat_left, variances[:, None] * columns])
    k = columns.shape[1]
    zero = np.zeros((k, k))
    middle = np.block([[gram, -np.eye(k)], [-np.eye(k), zero]])
    low = left @ middle
    diagonal = variances + np.einsum("ij,ij->i", low, left)
    trace = float(weights @ diagonal)
    # tr(D A D A) with A = S + L K L': sum of D_i D_j A_ij^2.
    plain = float(np.sum((weights * variances) ** 2))
    cross = 2 * float(np.sum(weights**2 * variances * np.einsum("ij,ij->i", low, left)))
    weighted = left.T @ (weights[:, None] * left)
    both = float(np.trace(middle @ weighted @ middle @ weighted))
    return trace**2 / (plain + cross + both)
