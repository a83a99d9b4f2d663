"""What the next trial should be, from what the trials so far leave open."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy import special, stats

from analysis import conclusions
from analysis.pooled_records import NextTrial
from analysis.power import smallest
from schemas.vocabulary import Verdict

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from analysis.pooled_records import Pooled, TrialEffect

    Floats = NDArray[np.float64]

SETTLED = frozenset({Verdict.WORTHWHILE, Verdict.TOO_SMALL, Verdict.NONE_WORTHWHILE})
MOST = 500
"""Blocks (tanks an arm) up to which a size is looked for."""
_MOST_TRIALS = 50
_SHARES = (np.arange(400) + 0.5) / 400
"""Of the prediction, to average over."""
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(60)


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
    law = stats.norm() if df is None else stats.t(df)
    effects = size + spread * np.asarray(law.ppf(_SHARES))
    right_way = float(law.cdf(size / spread)) if spread > 0 else 1.0

    def found(effect: Floats | float, n: int) -> Floats:
        return powers(np.atleast_1d(effect), sd, n, alpha, blocked=blocked)

    def sized(reaches: Callable[[int], bool], *, possible: bool) -> int | None:
        return smallest(reaches, start=2, most=MOST) if possible else None

    least = _least(pooled)
    on_average = sized(
        lambda n: float(found(effects, n).mean()) >= wished,
        possible=right_way > wished,
    )
    for_estimate = sized(lambda n: bool(found(size, n)[0] >= wished), possible=size > 0)
    settling, trials = _settling(pooled, sd)
    return NextTrial(
        effect=main.estimate,
        sd=sd,
        effect_sd=spread,
        blocked=blocked,
        wished=wished,
        alpha=alpha,
        for_estimate=for_estimate,
        on_average=on_average,
        for_least=sized(lambda n: bool(found(least, n)[0] >= wished), possible=least > 0),
        right_way=right_way,
        settling=settling,
        settling_trials=trials,
        settled=pooled.verdict in SETTLED,
    )


def powers(effects: Floats, sd: float, n: int, alpha: float, *, blocked: bool) -> Floats:
    """Chance that n pairs (n tanks an arm) show each of many effects, upwards, at a two-sided alpha.

    The noncentral t by quadrature over the quantiles of the estimated error, as in :mod:`analysis.noncentral_t` but
    for all effects at once; good to 1e-4.
    """
    df = n - 1.0 if blocked else 2.0 * n - 2
    limit = float(stats.t.isf(alpha / 2, df))
    x = np.sqrt(special.gammaincinv(df / 2, (1 + _NODES) / 2) * 2 / df)
    beyond = special.ndtr(effects[:, None] / (sd * math.sqrt(2 / n)) - limit * x)
    return np.asarray(beyond @ (_WEIGHTS / 2))


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


def _settling(pooled: Pooled, sd: float) -> tuple[int | None, int | None]:
    """The size of one further trial that settles the question, or how many trials like those so far do.

    The estimate and tau2 are taken to stay as they are, and the interval as the model has it on average.
    """
    if not pooled.margins or pooled.verdict in SETTLED or len(pooled.trials) < 2:
        return None, None
    tau2 = pooled.reader.tau2 or 0.0
    variances = [trial.se**2 for trial in pooled.trials]
    known = sum(1 / (variance + tau2) for variance in variances)
    k = len(pooled.trials)

    def settles(variance: float, trials: int) -> bool:
        se = 1 / math.sqrt(known + trials / (tau2 + variance))
        half = float(stats.t.isf(pooled.alpha / 2, k - 1 + trials)) * se
        ends = pooled.reader.estimate - half, pooled.reader.estimate + half
        return {conclusions.verdict(*ends, margin) for margin in pooled.margins} <= SETTLED

    one = smallest(lambda n: settles(2 * sd**2 / n, 1), start=2, most=MOST)
    if one is not None:
        return one, None
    usual = float(np.median(variances))
    return None, smallest(lambda trials: settles(usual, trials), start=2, most=_MOST_TRIALS)
