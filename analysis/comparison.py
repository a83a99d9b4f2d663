"""Arms compared by the one linear model: parallel arms, complete and incomplete blocks, crossovers."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis import conclusions
from analysis.censored_ranks import censored_rank_contrast
from analysis.dunnett import adjusted_p
from analysis.linear_model import LinearModel
from analysis.question import WHOLE_MODEL
from analysis.randomisation import randomisation_test
from analysis.ranks import complete_blocks, rank_contrast, rank_omnibus
from analysis.records import ArmSummary, Censoring, Ranks
from analysis.sphericity import sphericity
from schemas.vocabulary import Baseline, DesignKind, Scale, Verdict

if TYPE_CHECKING:
    from analysis.question import Question
    from analysis.records import Contrast, Fit, Omnibus, Randomisation, RankContrast, Sphericity


def full_contrast(question: Question, test: int, reference: int) -> Contrast:
    """A registered contrast with all that stands beside it."""
    fit = question.fit(question.data, question.variance, test, reference) if question.kept else None
    plain = question.contrast(fit, test, reference)
    if fit is None:
        return plain
    return replace(
        plain,
        effect_size=conclusions.standardised(fit, question.level),
        randomisation=_randomisation(question, fit, test, reference),
        censoring=_censoring(question, fit, test, reference),
        equivalence=conclusions.equivalence(fit, question.distance),
    )


def dunnett_adjusted(
    question: Question, contrasts: tuple[Contrast, ...], pairs: list[tuple[int, int]]
) -> tuple[Contrast, ...]:
    """The contrasts with p adjusted by Dunnett's rule for the comparisons of this endpoint.

    The correlation is that of the model with a common error; with each contrast's own error and degrees of
    freedom it is an approximation. Contrasts without a test keep none.
    """
    usable = [i for i, contrast in enumerate(contrasts) if contrast.p is not None]
    if not usable:
        return contrasts
    t = np.array([_t(question, contrasts[i]) for i in usable])
    df = np.array([contrasts[i].df for i in usable], dtype=float)
    matrix = LinearModel(question.data).correlation([pairs[i] for i in usable])
    adjusted = dict(zip(usable, adjusted_p(t, matrix, df).tolist(), strict=True))
    return tuple(replace(c, p_adjusted=adjusted.get(i)) for i, c in enumerate(contrasts))


def _t(question: Question, contrast: Contrast) -> float:
    """The statistic of a reported contrast, on the working scale."""
    estimate = contrast.estimate or 0.0
    if question.endpoint.scale is Scale.RATIO:
        estimate = math.log(estimate)
    return estimate / (contrast.se or math.inf)


def _randomisation(question: Question, fit: Fit, test: int, reference: int) -> Randomisation | None:
    if not question.allocation.random:
        return None
    result = randomisation_test(
        question.data,
        test,
        reference,
        level=question.level,
        seed=question.draw_seed(test, reference),
        start=fit.high - fit.estimate if fit.high is not None else None,
        whole_model=question.design in WHOLE_MODEL,
        admissible=question.admissible(test, reference),
    )
    if result is None:
        return None
    return replace(result, low=question.reported(result.low), high=question.reported(result.high))


def _censoring(question: Question, fit: Fit, test: int, reference: int) -> Censoring:
    """Fit again at the two extremes that the censored readings of this contrast's tanks allow.

    The estimate is linear in the numbers and rises with those of the test arm: the extremes are all test
    tanks at their highest with all reference tanks at their lowest, and the reverse. A baseline covariate
    stays at its own number.
    """
    data = question.data
    concerned = np.isin(data.arm, (test, reference))
    censored = sum(tank.censored for tank, mine in zip(question.kept, concerned, strict=True) if mine)
    if not censored:
        estimate = question.reported(fit.estimate)
        verdict = conclusions.verdict(fit.low, fit.high, question.distance)
        return Censoring(0, estimate, estimate, (verdict, verdict))
    ends: list[float | None] = []
    verdicts: list[Verdict | None] = []
    for mine, others, unbounded in (
        (question.low, question.high, 0.0),
        (question.high, question.low, None),
    ):
        y = np.where(data.arm == test, mine.y, np.where(data.arm == reference, others.y, data.y))
        if not np.isfinite(y).all():
            # A summary that could be 0 has no logarithm: on that side the ratio has no bound.
            ends.append(unbounded)
            verdicts.append(None)
            continue
        extreme = question.fit(data.with_y(y), question.variance, test, reference)
        ends.append(question.reported(extreme.estimate) if extreme else None)
        verdicts.append(
            conclusions.verdict(extreme.low, extreme.high, question.distance) if extreme else None
        )
    return Censoring(censored, ends[0], ends[1], (verdicts[0], verdicts[1]))


def arm_summaries(question: Question, model: LinearModel | None) -> tuple[ArmSummary, ...]:
    """Mean and sd of the tanks' numbers, one row an arm."""
    ratio = question.endpoint.scale is Scale.RATIO
    change = question.endpoint.baseline is Baseline.CHANGE
    adjusted = model.adjusted_means() if model and question.data.x is not None else None
    result = []
    for code, arm in enumerate(question.data.arms):
        working = question.data.y[question.data.arm == code]
        if change:
            values = np.exp(working) if ratio else working
        else:
            values = np.array([tank.value for tank in question.kept if tank.arm == arm], dtype=float)
        n = len(values)
        result.append(
            ArmSummary(
                arm=arm,
                n=n,
                mean=float(values.mean()) if n else None,
                sd=float(values.std(ddof=1)) if n > 1 else None,
                geometric_mean=math.exp(working.mean()) if n and ratio else None,
                adjusted_mean=question.reported(adjusted[code]) if adjusted and n else None,
            )
        )
    return tuple(result)


def rank_tests(question: Question, pairs: list[tuple[int, int]]) -> Ranks:
    """Rank tests of all contrasts; where readings are censored, the test on intervals after each."""
    if not question.kept or question.design is DesignKind.CROSSOVER:
        return Ranks(None, ())
    censored = any(tank.y_lowest != tank.y_highest for tank in question.kept)
    found: list[RankContrast | None] = []
    for test, reference in pairs:
        found.append(rank_contrast(question.data, test, reference, question.level))
        if censored:
            found.append(censored_rank_contrast(question.low, question.high, test, reference))
    reported = (
        replace(
            rank,
            estimate=question.reported(rank.estimate),
            low=question.reported(rank.low),
            high=question.reported(rank.high),
        )
        for rank in found
        if rank is not None
    )
    omnibus = rank_omnibus(question.data) if question.design is not DesignKind.INCOMPLETE_BLOCKS else None
    return Ranks(omnibus, tuple(reported))


def spherical(question: Question, omnibus: Omnibus | None) -> Sphericity | None:
    """Only where the omnibus F is that of complete blocks, one tank an arm, without a covariate."""
    data = question.data
    if question.design is not DesignKind.BLOCKS or data.x is not None or omnibus is None:
        return None
    table = complete_blocks(data)
    return sphericity(table, omnibus) if table.size == len(data.y) else None
