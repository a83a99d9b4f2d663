"""Several trials of one question together: random effects, what they settle, and how firmly.

REML for the variance between trials, Hartung and Knapp's interval for the mean effect, Paule and Mandel and the
rest beside. Sources: Hartung and Knapp (2001) Stat. Med. 20:3875; Röver, Knapp and Friede (2015) BMC Med. Res.
Methodol. 15:99 (the factor kept at 1 or more); Higgins, Thompson and Spiegelhalter (2009) JRSS A 172:137 and IntHout
et al. (2016) BMJ Open 6:e010247 (prediction); Viechtbauer (2007) Stat. Med. 26:37 (interval of tau2).
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from analysis import conclusions
from analysis.next_trial import next_trial
from analysis.pooled_notes import notes_of
from analysis.pooled_records import Heterogeneity, Pooled, PooledFit, Prediction, TrialEffect
from analysis.random_effects import (
    dersimonian_laird,
    ones,
    paule_mandel,
    q_profile,
    reml,
    typical_variance,
    weighted,
)
from analysis.trial_modifiers import modifier_slopes, small_study
from schemas.errors import AnalysisError
from schemas.vocabulary import Verdict

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from analysis.pooled_records import PooledQuestion
    from analysis.random_effects import Weighted

    Floats = NDArray[np.float64]

MAIN, WIDENED = "reml-hartung-knapp", "reml-hartung-knapp-widened"
_ALONE = "single-trial"


def pool(
    question: PooledQuestion,
    trials: Sequence[TrialEffect],
    *,
    alpha: float = 0.05,
    wished: float = 0.8,
    units: Mapping[str, str] | None = None,
) -> Pooled:
    """Pool the trials that ask a question.

    Parameters
    ----------
    question : PooledQuestion
    trials : sequence of TrialEffect
        Independent of one another; the order does not matter, since they are taken by date and id.
    alpha : float
        Intervals are at 1 - alpha.
    wished : float
        Power wished of the next trial.
    units : mapping of str to str, optional
        Unit of each modifier, by name.

    Raises
    ------
    AnalysisError
        There is no trial, or one without an estimate and a standard error above 0.
    """
    if not trials:
        raise AnalysisError(f"No trial answers {question.title}, so there is nothing to pool.")
    ordered = tuple(sorted(trials, key=lambda one: (one.ended is None, one.ended or 0, one.trial)))
    margins = tuple(sorted({trial.margin for trial in ordered if trial.margin is not None}))
    y, v = _arrays(ordered)
    main, reader = _read(ordered, alpha, margins)
    found = Pooled(
        question=question,
        alpha=alpha,
        trials=ordered,
        weights=_weights(v, main.tau2 or 0.0),
        main=main,
        widened=None,
        beside=(),
        heterogeneity=None,
        prediction=None,
        prediction_beside=None,
        leave_one_out=(),
        cumulative=tuple(
            _named(trial.trial, ordered[: upto + 1], alpha, margins) for upto, trial in enumerate(ordered)
        ),
        modifiers=(),
        small_study=None,
        margins=margins,
        reader=reader,
        next_trial=None,
    )
    if len(ordered) > 1:
        found = _together(found, y, v, dict(units or {}))
    found = replace(found, next_trial=next_trial(found, wished))
    return replace(found, notes=notes_of(found))


def read(fit: PooledFit, margins: Sequence[float]) -> Verdict | None:
    """The interval read against every worthwhile difference of the trials: what holds against all of them.

    A worthwhile difference must lie beyond the largest, "too small" and "no worthwhile difference" within the
    smallest; otherwise the question is unsettled to that extent.
    """
    verdicts = {conclusions.verdict(fit.low, fit.high, margin) for margin in margins}
    if len(verdicts) <= 1:
        return next(iter(verdicts), None)
    differs = fit.low > 0 or fit.high < 0
    return Verdict.UNSETTLED_SIZE if differs else Verdict.UNSETTLED


def _together(found: Pooled, y: Floats, v: Floats, units: dict[str, str]) -> Pooled:
    alpha, trials, margins, reader = found.alpha, found.trials, found.margins, found.reader
    tau2, k = found.main.tau2 or 0.0, len(y)
    plain_se = math.sqrt(float(weighted(y, v, ones(k), tau2).covariance[0, 0]))
    return replace(
        found,
        widened=_with_verdict(_random(y, v, tau2, alpha, WIDENED, least_scale=1.0), margins),
        beside=tuple(_with_verdict(fit, margins) for fit in _beside(trials, y, v, alpha)),
        heterogeneity=_heterogeneity(y, v, tau2, 1 - alpha),
        prediction=_prediction(reader.estimate, reader.se, tau2, k - 1, alpha),
        prediction_beside=_prediction(reader.estimate, plain_se, tau2, k - 2, alpha) if k > 2 else None,
        leave_one_out=tuple(
            _named(out.trial, [t for t in trials if t is not out], alpha, margins) for out in trials
        ),
        modifiers=modifier_slopes(trials, alpha, units, tau2),
        small_study=small_study(y, v),
    )


def _read(
    trials: Sequence[TrialEffect], alpha: float, margins: Sequence[float]
) -> tuple[PooledFit, PooledFit]:
    """The pooled fit, and the one that is read: widened where the first is narrower than the fixed effect's interval."""
    main = _with_verdict(_fit(trials, alpha), margins)
    if len(trials) == 1:
        return main, main
    y, v = _arrays(trials)
    if main.high - main.low >= 2 * float(stats.norm.isf(alpha / 2)) / math.sqrt(float((1 / v).sum())):
        return main, main
    return main, _with_verdict(_random(y, v, main.tau2 or 0.0, alpha, WIDENED, least_scale=1.0), margins)


def _named(name: str, trials: Sequence[TrialEffect], alpha: float, margins: Sequence[float]) -> PooledFit:
    """What would have been read from some of the trials alone."""
    return replace(_read(trials, alpha, margins)[1], name=name)


def _with_verdict(fit: PooledFit, margins: Sequence[float]) -> PooledFit:
    return replace(fit, verdict=read(fit, margins))


def _fit(trials: Sequence[TrialEffect], alpha: float) -> PooledFit:
    """REML with Hartung and Knapp's interval; one trial alone keeps its own interval."""
    if len(trials) == 1:
        return _alone(trials[0], alpha)
    y, v = _arrays(trials)
    return _random(y, v, reml(y, v, ones(len(y))), alpha, MAIN)


def _alone(trial: TrialEffect, alpha: float) -> PooledFit:
    law = stats.norm() if trial.df is None else stats.t(trial.df)
    half = float(law.isf(alpha / 2)) * trial.se
    p = 2 * float(law.sf(abs(trial.estimate) / trial.se))
    low, high = trial.estimate - half, trial.estimate + half
    return PooledFit(_ALONE, 1, trial.estimate, trial.se, trial.df, low, high, p)


def _random(
    y: Floats, v: Floats, tau2: float, alpha: float, name: str, least_scale: float = 0.0
) -> PooledFit:
    """The mean effect at a tau2, with the standard error of Hartung and Knapp."""
    fit = weighted(y, v, ones(len(y)), tau2)
    estimate = float(fit.coefficients[0])
    se = math.sqrt(float(fit.covariance[0, 0]) * max(fit.scale, least_scale))
    half = float(stats.t.isf(alpha / 2, fit.df)) * se
    p = 2 * float(stats.t.sf(abs(estimate) / se, fit.df)) if se > 0 else float(estimate == 0)
    return PooledFit(name, len(y), estimate, se, fit.df, estimate - half, estimate + half, p, tau2)


def _beside(trials: Sequence[TrialEffect], y: Floats, v: Floats, alpha: float) -> tuple[PooledFit, ...]:
    """Other ways: fixed effect, DerSimonian and Laird, Paule and Mandel, and variances made larger for few degrees."""
    x = ones(len(y))
    fixed, laird = weighted(y, v, x, 0.0), weighted(y, v, x, dersimonian_laird(y, v))
    fits = [
        _normal("fixed-effect", fixed, alpha, tau2=None),
        _normal("dersimonian-laird", laird, alpha, tau2=laird.tau2),
        _random(y, v, paule_mandel(y, v, x), alpha, "paule-mandel-hartung-knapp"),
    ]
    df = np.array([math.inf if trial.df is None else trial.df for trial in trials])
    if np.isfinite(df).any() and (df > 2).all():
        larger = v / (1 - 2 / df)  # the variance of t on df degrees of freedom is df / (df - 2)
        fits.append(_random(y, larger, reml(y, larger, x), alpha, "variances-of-t", least_scale=1.0))
    return tuple(fits)


def _normal(name: str, fit: Weighted, alpha: float, *, tau2: float | None) -> PooledFit:
    estimate, se = float(fit.coefficients[0]), math.sqrt(float(fit.covariance[0, 0]))
    half = float(stats.norm.isf(alpha / 2)) * se
    p = 2 * float(stats.norm.sf(abs(estimate) / se))
    return PooledFit(name, fit.df + 1, estimate, se, None, estimate - half, estimate + half, p, tau2)


def _heterogeneity(y: Floats, v: Floats, tau2: float, level: float) -> Heterogeneity:
    x = ones(len(y))
    typical = typical_variance(v)
    low, high = q_profile(y, v, x, level)
    q, df = weighted(y, v, x, 0.0).q, len(y) - 1
    return Heterogeneity(
        tau2=tau2,
        tau2_low=low,
        tau2_high=high,
        i2=tau2 / (tau2 + typical),
        i2_low=low / (low + typical),
        i2_high=high / (high + typical),
        h2=1 + tau2 / typical,
        q=q,
        df=df,
        p=float(stats.chi2.sf(q, df)),
        i2_q=max(0.0, 1 - df / q) if q > 0 else 0.0,
    )


def _prediction(estimate: float, se: float, tau2: float, df: int, alpha: float) -> Prediction:
    half = float(stats.t.isf(alpha / 2, df)) * math.sqrt(tau2 + se**2)
    return Prediction(estimate - half, estimate + half, df)


def _weights(v: Floats, tau2: float) -> tuple[float, ...]:
    w = 1 / (v + tau2)
    return tuple((w / w.sum()).tolist())


def _arrays(trials: Sequence[TrialEffect]) -> tuple[Floats, Floats]:
    y = np.array([trial.estimate for trial in trials], dtype=float)
    v = np.array([trial.se for trial in trials], dtype=float) ** 2
    if not (np.isfinite(y).all() and np.isfinite(v).all() and (v > 0).all()):
        raise AnalysisError("Every trial that is pooled needs an estimate and a standard error above 0.")
    return y, v
