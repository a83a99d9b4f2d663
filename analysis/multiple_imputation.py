"""Missing numbers filled in several times over, analysed each time and pooled.

Each filling is a draw from what the other numbers predict, parameters drawn as well (Rubin 1987, Multiple Imputation
for Nonresponse in Surveys), so that the spread between fillings carries what is not known. It rests on the missing
being like the others of their arm, block and history; shifting the fillings asks how far that matters.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.linear_model import t_fit
from schemas.errors import AnalysisError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analysis.linear_model import TankData
    from analysis.records import Fit

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Flags = NDArray[np.bool_]

ROUNDS = 10
"""Turns through the columns before a chained filling is taken; common practice is 5 to 20."""
_LEFT = 3
"""Degrees of freedom that the model of a column must leave."""


@dataclass(frozen=True)
class Pooled:
    """Fits of several fillings as one.

    ``within`` and ``between`` are variances of the estimate; ``missing_information`` the share of information lost
    (Rubin 1987, equation 3.1.10).
    """

    fit: Fit
    fillings: int
    within: float
    between: float
    missing_information: float


def pool(fits: Sequence[Fit], level: float) -> Pooled | None:
    """Pool fits by Rubin's rules with the degrees of freedom of Barnard and Rubin (1999, Biometrika 86:948).

    Returns
    -------
    Pooled or None
        Where all fillings agree nothing was missing, and the fit is the one fit, unchanged. None where a
        filling has no standard error.
    """
    first = fits[0]
    if all(fit == first for fit in fits):
        variance = first.se**2 if first.se is not None else float("nan")
        return Pooled(first, len(fits), variance, 0.0, 0.0)
    known = [(fit.estimate, fit.se**2, fit.df) for fit in fits if fit.se and fit.df is not None]
    m = len(fits)
    if len(known) < m:
        return None
    estimates, variances, dfs = (np.array(column) for column in zip(*known, strict=True))
    within, between = float(variances.mean()), float(estimates.var(ddof=1))
    total = within + (1 + 1 / m) * between
    lost = (1 + 1 / m) * between / total
    complete = float(dfs.mean())
    observed = (complete + 1) / (complete + 3) * complete * (1 - lost)
    df = 1 / (lost**2 / (m - 1) + 1 / observed)
    sds = [fit.standardiser for fit in fits if fit.standardiser is not None]
    sd = float(np.mean(sds)) if len(sds) == m else 0.0
    fit = t_fit(float(estimates.mean()), float(np.sqrt(total)), df, level, sd, first.effect_name, first.n)
    ratio = lost / (1 - lost)
    return Pooled(fit, m, within, between, (ratio + 2 / (df + 3)) / (ratio + 1))


def impute_tanks(
    data: TankData, missing: Flags, fillings: int, rng: np.random.Generator
) -> tuple[Floats, Flags]:
    """Draw missing tank numbers from the linear model arm + block [+ baseline] of the known ones.

    Parameters
    ----------
    data : TankData
        All allocated tanks; ``y`` is not looked at where ``missing``.

    Returns
    -------
    (fillings, tanks) array
        Numbers with the missing ones filled in.
    bool array
        Tanks that the known ones say nothing about, in a block without any: still to be left out.

    Raises
    ------
    AnalysisError
        Where the known tanks leave no degrees of freedom.
    """
    columns = [(data.arm[:, None] == np.arange(len(data.arms))).astype(float)]
    columns.append((data.block[:, None] == np.unique(data.block)).astype(float))
    if data.x is not None:
        columns.append((data.x - data.x.mean())[:, None])
    x = np.hstack(columns)
    known = ~missing
    silent = missing & ~_predictable(x, known)
    filled = np.tile(np.where(missing, 0.0, data.y), (fillings, 1))
    wanted = missing & ~silent
    if wanted.any():
        draw = _Predictive(x[known], data.y[known])
        for row in filled:
            row[wanted] = draw(x[wanted], rng)
    filled[:, silent] = np.nan
    return filled, silent


def impute_days(
    values: Floats, arm: Ints, block: Ints | None, fillings: int, rng: np.random.Generator
) -> Floats:
    """Fill in baseline and sampling days by chained equations (van Buuren 2018, Flexible Imputation, chapter 4).

    Each column in turn is regressed, over the tanks where it is known, on arm, the day before, the baseline, the
    mean of the block's other tanks on that day, and the day after; what is missing is drawn, and the next column
    uses it. Where tanks are few, predictors are left out from the end of that list. An arm without any reading on a
    day is taken to be like the mean of the others for its history.

    Parameters
    ----------
    values : (tanks, 1 + days) array
        Baseline in the first column, sampling days in order in the others, on the working scale (logarithms for
        ratios); NaN is missing.
    block : int array or None
        None in parallel arms.

    Returns
    -------
    (fillings, tanks, 1 + days) array

    Raises
    ------
    AnalysisError
        Where a column has too few known numbers for any model of it.
    """
    missing = np.isnan(values)
    start = _first_guess(values, arm)
    turns = [column for column in range(values.shape[1]) if missing[:, column].any()]
    arms = (arm[:, None] == np.unique(arm)).astype(float)
    result = np.tile(start, (fillings, 1, 1))
    for filled in result:
        for turn in range(ROUNDS):
            for column in turns:
                known = ~missing[:, column]
                # Forward at first: a first guess of the day after would draw the tank towards its arm's mean.
                x = _predictors(filled, arms, block, column, known, forward=turn == 0)
                draw = _Predictive(x[known], values[known, column])
                filled[~known, column] = draw(x[~known], rng)
    return result


class _Predictive:
    """Draws from a normal linear model's predictive law under the usual flat prior."""

    def __init__(self, x: Floats, y: Floats) -> None:
        u, s, vt = np.linalg.svd(x, full_matrices=False)
        rank = int((s > 1e-9 * s.max(initial=0.0)).sum())
        self._df = len(y) - rank
        if self._df < 1:
            raise AnalysisError(
                f"{len(y)} known numbers are too few to say what the missing ones may have been."
            )
        self._root = vt[:rank].T / s[:rank]
        self._middle = self._root @ (u[:, :rank].T @ y)
        residual = y - x @ self._middle
        self._squares = float(residual @ residual)

    def __call__(self, x: Floats, rng: np.random.Generator) -> Floats:
        sd = np.sqrt(self._squares / rng.chisquare(self._df))
        coefficients = self._middle + sd * (self._root @ rng.standard_normal(self._root.shape[1]))
        return np.asarray(x @ coefficients + sd * rng.standard_normal(len(x)))


def _predictable(x: Floats, known: Flags) -> Flags:
    """Rows that the known rows span."""
    _, s, vt = np.linalg.svd(x[known], full_matrices=False)
    basis = vt[s > 1e-9 * s.max(initial=0.0)]
    rest = x - (x @ basis.T) @ basis
    return np.asarray(np.linalg.norm(rest, axis=1) <= 1e-8 * np.linalg.norm(x, axis=1))


def _predictors(
    filled: Floats, arms: Floats, block: Ints | None, column: int, known: Flags, *, forward: bool
) -> Floats:
    history = [filled[:, before] for before in dict.fromkeys((column - 1, 0))] if column else []
    choice = list(history)
    if block is not None:
        choice.append(_others(filled[:, column], block))
    if column + 1 < filled.shape[1]:
        choice.append(filled[:, column + 1])
    if forward and history:
        choice = history
    seen = np.asarray(arms[known].sum(axis=0) > 0)
    levels = np.where(arms @ seen[:, None] > 0, arms, seen / seen.sum())[:, seen]
    room = int(known.sum()) - levels.shape[1] - _LEFT
    chosen = choice[: max(room, 0)]
    return np.column_stack([levels, *(values - values.mean() for values in chosen)])


def _others(values: Floats, block: Ints) -> Floats:
    """Mean of the block's other tanks; the mean of all for a tank alone in its block."""
    _, code, size = np.unique(block, return_inverse=True, return_counts=True)
    total = np.bincount(code, weights=values)[code] - values
    others = size[code] - 1
    return np.where(others > 0, total / np.maximum(others, 1), values.mean())


def _first_guess(values: Floats, arm: Ints) -> Floats:
    """Mean of the known tanks of the arm on that day, or of all tanks."""
    guess = values.copy()
    for column in guess.T:
        known = ~np.isnan(column)
        if not known.any():
            raise AnalysisError(
                "a sampling day without a single reading cannot be filled in; leave the day out."
            )
        everybody = column[known].mean()
        for code in np.unique(arm):
            mine = arm == code
            level = column[mine & known].mean() if (mine & known).any() else everybody
            column[mine & ~known] = level
    return guess
