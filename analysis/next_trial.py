"""What the next trial should be, from what the trials so far leave open."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from analysis import conclusions
from analysis.pooled_records import NextTrial
from analysis.power import power, smallest
from analysis.precision import Precision
from schemas.vocabulary import Verdict

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from analysis.pooled_records import Pooled, TrialEffect

SETTLED = frozenset({Verdict.WORTHWHILE, Verdict.TOO_SMALL, Verdict.NONE_WORTHWHILE})
MOST = 500
"""Blocks (tanks an arm) up to which a size is looked for."""
_MOST_TRIALS = 50
_NODES = 100


def next_trial(pooled: Pooled, wished: float) -> NextTrial | None:
    """Size the next trial of a question; None where no trial tells how much tanks differ.

    Sizes are of a two-armed comparison at the pool's alpha, one-sided towards the estimate at alpha / 2. ``sd`` is the
    root mean square of the trials' own, weighted by degrees of freedom. The true effect of the next trial follows
    the prediction: a t with k - 1 degrees of freedom around the estimate, with the spread sqrt(tau2 + se^2); a
    single trial tells nothing of other places, and only its own uncertainty stands.
    """
    sd = _pooled_sd(pooled.trials)
    if sd is None:
        return None
    main = pooled.reader
    spread = math.sqrt((main.tau2 or 0.0) + main.se**2)
    df = main.df
    size, alpha = abs(main.estimate), pooled.alpha
    blocked = any(trial.blocked for trial in pooled.trials)
    shares = (np.arange(_NODES) + 0.5) / _NODES
    law = stats.norm() if df is None else stats.t(df)
    effects = (size + spread * law.ppf(shares)).tolist()
    right_way = float(law.cdf(size / spread)) if spread > 0 else 1.0

    def found(effect: float, n: int) -> float:
        return _power(effect, sd, n, alpha, blocked=blocked)

    def sized(reaches: Callable[[int], bool], *, possible: bool) -> int | None:
        return smallest(reaches, start=2, most=MOST) if possible else None

    least = _least(pooled)
    on_average = sized(
        lambda n: sum(found(effect, n) for effect in effects) / _NODES >= wished,
        possible=right_way > wished,
    )
    for_estimate = sized(lambda n: found(size, n) >= wished, possible=size > 0)
    settling, trials = _settling(pooled, sd, on_average or for_estimate)
    return NextTrial(
        effect=main.estimate,
        sd=sd,
        effect_sd=spread,
        blocked=blocked,
        wished=wished,
        alpha=alpha,
        for_estimate=for_estimate,
        on_average=on_average,
        for_least=sized(lambda n: found(least, n) >= wished, possible=least > 0),
        right_way=right_way,
        settling=settling,
        settling_trials=trials,
        settled=pooled.verdict in SETTLED,
    )


def _power(effect: float, sd: float, n: int, alpha: float, *, blocked: bool) -> float:
    """Chance that n pairs (n tanks an arm) show an effect, in its own direction, at a two-sided alpha."""
    df = n - 1.0 if blocked else 2.0 * n - 2
    return power(effect, Precision(sd * math.sqrt(2 / n), df, n), alpha / 2, sides=1)


def _least(pooled: Pooled) -> float:
    """The end of the prediction interval nearest to no difference, as a size; 0 where it includes none."""
    if pooled.prediction is None:
        return 0.0
    low, high = pooled.prediction.low, pooled.prediction.high
    return max(low, -high, 0.0)


def _pooled_sd(trials: Sequence[TrialEffect]) -> float | None:
    known = [(trial.sd, trial.df or 1.0) for trial in trials if trial.sd]
    if not known:
        return None
    return math.sqrt(sum(df * sd**2 for sd, df in known) / sum(df for _, df in known))


def _settling(pooled: Pooled, sd: float, usual: int | None) -> tuple[int | None, int | None]:
    """The size of one further trial that settles the question, or how many trials of a usual size do.

    The estimate and tau2 are taken to stay as they are, and the interval as the model has it on average.
    """
    if not pooled.margins or pooled.verdict in SETTLED or len(pooled.trials) < 2:
        return None, None
    tau2 = pooled.reader.tau2 or 0.0
    known = sum(1 / (trial.se**2 + tau2) for trial in pooled.trials)
    k = len(pooled.trials)

    def settles(n: int, trials: int) -> bool:
        se = 1 / math.sqrt(known + trials / (tau2 + 2 * sd**2 / n))
        half = float(stats.t.isf(pooled.alpha / 2, k - 1 + trials)) * se
        ends = pooled.reader.estimate - half, pooled.reader.estimate + half
        return {conclusions.verdict(*ends, margin) for margin in pooled.margins} <= SETTLED

    one = smallest(lambda n: settles(n, 1), start=2, most=MOST)
    if one is not None or usual is None:
        return one, None
    return None, smallest(lambda trials: settles(usual, trials), start=2, most=_MOST_TRIALS)
