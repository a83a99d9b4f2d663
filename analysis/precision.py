"""How precisely a layout of tanks estimates a contrast, before any reading is taken.

A layout says which arm each number belongs to; the variance of a contrast follows from it alone (from X'X of the
same linear model that will be fitted, or from what the contrast compares where its own error is registered).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.kenward_roger import KenwardRoger
from analysis.linear_model import centred
from analysis.serial import derivatives
from schemas.errors import AnalysisError
from schemas.vocabulary import Baseline, Variance

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Layout:
    """Arms over tanks; the arrays have one element a number analysed.

    Parameters
    ----------
    arms : tuple of str
        Names by code.
    arm, block : int array
        Codes from 0. The block of parallel arms is 0 throughout; that of a crossover is the tank itself.
    blocked : bool
        True where comparisons are made within blocks.
    period : int array, optional
        In a crossover.
    """

    arms: tuple[str, ...]
    arm: Ints
    block: Ints
    blocked: bool
    period: Ints | None = None

    def counts(self) -> Ints:
        """Tanks by block and arm, shape (blocks, arms)."""
        table = np.zeros((int(self.block.max(initial=-1)) + 1, len(self.arms)), dtype=np.int64)
        np.add.at(table, (self.block, self.arm), 1)
        return table

    def cycled(self, number: int) -> Layout:
        """A layout of another size: so many blocks (tanks of a crossover), taking the present ones in turn.

        In parallel arms so many tanks an arm.
        """
        if not self.blocked:
            return parallel(self.arms, [number] * len(self.arms))
        present = np.unique(self.block)
        rows = [np.flatnonzero(self.block == present[at % len(present)]) for at in range(number)]
        taken = np.concatenate(rows)
        return replace(
            self,
            arm=self.arm[taken],
            block=np.repeat(np.arange(number), [len(row) for row in rows]),
            period=None if self.period is None else self.period[taken],
        )


@dataclass(frozen=True)
class Precision:
    """What a design knows of a contrast.

    Parameters
    ----------
    se : float
        Standard error of the estimate on the working scale, at the assumed standard deviation.
    df : float
        Degrees of freedom of its test.
    n : int
        Blocks, tanks or days compared.
    covariate : bool
        True where a baseline is adjusted for: ``se`` is then that of perfectly balanced baselines, and chance
        imbalance adds to it.
    """

    se: float
    df: float
    n: int
    covariate: bool = False


def parallel(arms: Sequence[str], sizes: Sequence[int]) -> Layout:
    """So many tanks in each arm, without blocks."""
    arm = np.repeat(np.arange(len(arms)), sizes)
    return Layout(tuple(arms), arm, np.zeros(len(arm), dtype=np.int64), blocked=False)


def blocks(arms: Sequence[str], members: Sequence[Sequence[str]]) -> Layout:
    """Blocks of any make-up: ``members`` names the arm of each tank of each block; complete, uneven or incomplete."""
    codes = {name: code for code, name in enumerate(arms)}
    arm = np.array([codes[name] for block in members for name in block], dtype=np.int64)
    return Layout(
        tuple(arms), arm, np.repeat(np.arange(len(members)), [len(b) for b in members]), blocked=True
    )


def complete_blocks(arms: Sequence[str], number: int, each: int | Sequence[int] = 1) -> Layout:
    """Blocks that hold every arm, with ``each`` tanks of it."""
    sizes = [each] * len(arms) if isinstance(each, int) else list(each)
    return blocks(
        arms, [[name for name, size in zip(arms, sizes, strict=True) for _ in range(size)]] * number
    )


def crossover(arms: Sequence[str], sequences: Sequence[Sequence[str]]) -> Layout:
    """Tanks that take several arms in turn: the arm of each period of each tank."""
    layout = blocks(arms, sequences)
    period = np.concatenate([np.arange(len(sequence)) for sequence in sequences])
    return Layout(layout.arms, layout.arm, layout.block, layout.blocked, period)


def precision(
    layout: Layout,
    test: str,
    reference: str,
    sd: float | Sequence[float],
    *,
    variance: Variance,
    baseline: Baseline = Baseline.NONE,
    correlation: float = 0.0,
) -> Precision:
    """The standard error and degrees of freedom of a contrast.

    Parameters
    ----------
    layout : Layout
    test, reference : str
        Names of arms.
    sd : float or sequence of float
        Standard deviation between tanks of one block (of all tanks in parallel arms, between periods of one tank
        in a crossover) on the working scale; one a arm where arms differ.
    variance : Variance
        Own error, or that of the whole model; the latter takes arms that differ at their root mean square.
    baseline : Baseline
        How the baseline enters; ``correlation`` is that of baseline and outcome between those tanks. Own error
        in parallel arms with a baseline is an approximation, the others are exact for normal numbers.

    Raises
    ------
    AnalysisError
        The layout cannot estimate the contrast, or leaves no degrees of freedom for its error.
    """
    codes = layout.arms.index(test), layout.arms.index(reference)
    sds = np.broadcast_to(np.asarray(sd, dtype=float), len(layout.arms)) * _remaining(baseline, correlation)
    if variance is Variance.POOLED or layout.period is not None:
        se, df, n = _pooled(layout, *codes, sds)
    elif layout.blocked:
        se, df, n = _paired(layout, *codes, sds)
    else:
        se, df, n = _welch(layout, *codes, sds)
    covariate = baseline is Baseline.ADJUST
    df -= covariate
    if df < 1:
        raise AnalysisError(
            f"{test} against {reference}: {n} compared leave no degrees of freedom to judge the error by; "
            "more blocks or tanks are needed."
        )
    return Precision(se, df, n, covariate)


def before_after(
    before: Sequence[float], after: Sequence[float], sd: float, memory: float = 0.0
) -> Precision:
    """The change of one treated system against its control: paired differences before and after.

    Parameters
    ----------
    before, after : sequence of float
        Sampling days.
    sd : float
        Of the difference between the two systems on one day.
    memory : float
        Correlation of such differences one day apart, 0 to below 1.

    Returns
    -------
    Precision
        By generalised least squares with the costs of estimating the memory (Kenward and Roger 1997) at the
        assumed values: an approximation, as the degrees of freedom of such a series are. The memory costs degrees of
        freedom even where there is none, for the analysis cannot know that.
    """
    day = np.array([*before, *after], dtype=float)
    if min(len(before), len(after)) < 1 or len(day) < 4 or len(np.unique(day)) < len(day):
        raise AnalysisError(
            "A before-after comparison needs days on both sides, four or more in all, no two alike."
        )
    columns = np.column_stack([np.ones(len(day)), np.repeat([0.0, 1.0], [len(before), len(after)])])
    unit = float(np.diff(np.sort(day)).min())
    model = KenwardRoger(
        np.zeros(len(day)),
        columns,
        *derivatives(sd**2, memory**unit, np.abs(day[:, None] - day) / unit),
    )
    found = model.estimate(np.array([0.0, 1.0]))
    if found is None:
        raise AnalysisError("These days cannot tell before from after.")
    return Precision(found[1], found[2], len(day))


def _remaining(baseline: Baseline, correlation: float) -> float:
    """Standard deviation that is left by the baseline, as a share."""
    if not -1 < correlation < 1:
        raise AnalysisError(
            f"A correlation of {correlation:g} between baseline and outcome is not between -1 and 1."
        )
    if baseline is Baseline.CHANGE:
        return float(np.sqrt(2 * (1 - correlation)))
    return float(np.sqrt(1 - correlation**2)) if baseline is Baseline.ADJUST else 1.0


def contrast_correlation(layout: Layout, pairs: Sequence[tuple[str, str]]) -> Floats:
    """Correlation of contrasts (test, reference) estimated by the one model with its common error."""
    vectors, _ = _projected(layout, pairs)
    covariance = vectors @ vectors.T
    spread = np.sqrt(np.diagonal(covariance))
    return np.asarray(covariance / np.outer(spread, spread))


def _projected(layout: Layout, pairs: Sequence[tuple[str, str]]) -> tuple[Floats, int]:
    """A vector for each contrast whose products are the covariances over the error variance; and the model's rank."""
    columns = (layout.arm[:, None] == np.arange(len(layout.arms))).astype(float)
    if layout.period is not None:
        columns = np.hstack([columns, (layout.period[:, None] == np.unique(layout.period)).astype(float)])
    _, s, vt = np.linalg.svd(centred(columns, layout.block), full_matrices=False)
    rank = int((s > 1e-9 * max(1.0, float(s.max(initial=0.0)))).sum())
    weights = np.zeros((len(pairs), columns.shape[1]))
    for row, (test, reference) in zip(weights, pairs, strict=True):
        row[layout.arms.index(test)], row[layout.arms.index(reference)] = 1.0, -1.0
    inside = weights @ vt[:rank].T
    for image, row, (test, reference) in zip(inside @ vt[:rank], weights, pairs, strict=True):
        if not np.allclose(image, row, atol=1e-8):
            raise AnalysisError(
                f"{test} and {reference} never meet in this layout, not even through other arms."
            )
    return inside / s[:rank], rank


def _pooled(layout: Layout, test: int, reference: int, sds: Floats) -> tuple[float, float, int]:
    vectors, rank = _projected(layout, [(layout.arms[test], layout.arms[reference])])
    sd = float(np.sqrt(np.mean(sds[layout.arm] ** 2)))
    df = len(layout.arm) - len(np.unique(layout.block)) - rank
    n = int(np.isin(layout.arm, (test, reference)).sum())
    return sd * float(np.linalg.norm(vectors[0])), float(df), n


def _paired(layout: Layout, test: int, reference: int, sds: Floats) -> tuple[float, float, int]:
    """The paired t test on the blocks that hold both arms."""
    held = layout.counts()[:, [test, reference]]
    held = held[(held > 0).all(axis=1)]
    n = len(held)
    if not n:
        names = layout.arms[test], layout.arms[reference]
        raise AnalysisError(f"No block holds both {names[0]} and {names[1]}.")
    each = (sds[[test, reference]] ** 2 / held).sum(axis=1)
    return float(np.sqrt(each.sum())) / n, float(n - 1), n


def _welch(layout: Layout, test: int, reference: int, sds: Floats) -> tuple[float, float, int]:
    """Welch's test, with the degrees of freedom that the assumed standard deviations give."""
    sizes = layout.counts()[0, [test, reference]]
    if min(sizes) < 2:
        raise AnalysisError(
            f"{layout.arms[test]} against {layout.arms[reference]}: each arm needs two tanks or more to judge its error."
        )
    parts = sds[[test, reference]] ** 2 / sizes
    df = parts.sum() ** 2 / (parts**2 / (sizes - 1)).sum()
    return float(np.sqrt(parts.sum())), float(df), int(sizes.sum())
