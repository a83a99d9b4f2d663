"""The log-rank test within blocks, and its exact version by redrawing the labels.

Observed minus expected events are summed over blocks with their hypergeometric variances (Mantel 1966, Cancer
Chemotherapy Reports 50:163). In each block a tank's share of that sum is its event less the hazard that the block
had gathered by its time, whichever arm it is in; so the numerator is a sum of fixed scores over the test tanks, and
its randomisation test redraws labels within blocks. In pairs every informative block scores plus or minus one
half: the test is then exactly the sign test of who was first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from analysis.linear_model import TankData
from analysis.randomisation import randomisation_test

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.records import Randomisation

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class TankTimes:
    """Times to an event, one a tank; ``event`` is False where a time is censored.

    ``block`` is 0 throughout in parallel arms; ``arm`` holds codes of ``arms``.
    """

    time: Floats
    event: Flags
    arm: Ints
    block: Ints
    arms: tuple[str, ...]

    def only(self, keep: Flags) -> TankTimes:
        """The tanks where ``keep`` is true."""
        return TankTimes(self.time[keep], self.event[keep], self.arm[keep], self.block[keep], self.arms)


@dataclass(frozen=True)
class LogRank:
    """Log-rank test of all arms given, within blocks; ``p`` by chi-square, rough for few events.

    ``chi2`` and ``p`` are None where no block has an event while two arms are at risk.
    """

    chi2: float | None
    df: int
    p: float | None
    observed: tuple[float, ...]
    expected: tuple[float, ...]


def log_rank(times: TankTimes) -> LogRank:
    """Log-rank test within blocks of all arms that have tanks.

    Examples
    --------
    >>> ones = np.ones(4, dtype=bool)
    >>> data = TankTimes(np.array([1.0, 2, 3, 4]), ones, np.array([0, 0, 1, 1]), np.zeros(4, dtype=int), ("a", "b"))
    >>> round(log_rank(data).chi2, 4)
    2.8824
    """
    k = len(times.arms)
    observed, expected, variance = np.zeros(k), np.zeros(k), np.zeros((k, k))
    for block in np.unique(times.block):
        mine = times.only(times.block == block)
        indicator = (mine.arm[:, None] == np.arange(k)).astype(float)
        for time in np.unique(mine.time[mine.event]):
            at_risk = indicator[mine.time >= time].sum(axis=0)
            events = indicator[(mine.time == time) & mine.event].sum(axis=0)
            n, d = at_risk.sum(), events.sum()
            share = at_risk / n
            observed += events
            expected += d * share
            if n > 1:
                variance += d * (n - d) / (n - 1) * (np.diag(share) - np.outer(share, share))
    difference = observed - expected
    values, vectors = np.linalg.eigh(variance)
    kept = values > 1e-9 * max(float(values.max(initial=0.0)), 1e-300)
    df = int(kept.sum())
    chi2 = float(((vectors[:, kept].T @ difference) ** 2 / values[kept]).sum()) if df else None
    return LogRank(
        chi2,
        df,
        None if chi2 is None else float(stats.chi2.sf(chi2, df)),
        tuple(observed.tolist()),
        tuple(expected.tolist()),
    )


def log_rank_scores(times: TankTimes) -> Floats:
    """Each tank's event less the hazard (Nelson and Aalen) that its block had gathered by its time."""
    scores = times.event.astype(float)
    for block in np.unique(times.block):
        mine = times.block == block
        time, event = times.time[mine], times.event[mine]
        at_risk = (time >= time[:, None]).sum(axis=1)
        # Row i, column j: an event of tank i that tank j was followed up to.
        seen = (time[:, None] <= time) & event[:, None]
        scores[mine] -= (seen / at_risk[:, None]).sum(axis=0)
    return scores


def log_rank_randomisation(
    times: TankTimes, test: int, reference: int, *, blocked: bool, seed: int
) -> Randomisation | None:
    """Two-sided randomisation test of the log-rank numerator of two arms, labels redrawn within blocks.

    Returns
    -------
    Randomisation or None
        Without limits: the scores have no unit in which to shift them. None where no block holds both arms.
    """
    mine = times.only(np.isin(times.arm, (test, reference)))
    scores = log_rank_scores(mine)
    # The redrawn statistic is the mean over blocks of differences of means; scaled so, it is observed less expected.
    for block in np.unique(mine.block):
        inside = mine.block == block
        n_test = int((mine.arm[inside] == test).sum())
        scores[inside] *= n_test * (inside.sum() - n_test) / inside.sum()
    data = TankData(scores, mine.arm, mine.block, mine.arms, None, blocked)
    return randomisation_test(data, test, reference, level=1.0, seed=seed, start=None)
