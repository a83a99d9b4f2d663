"""The registered analysis: protocol, allocation and readings in, results of every endpoint out."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis import conclusions
from analysis.linear_model import LinearModel, TankData
from analysis.multiplicity import adjust
from analysis.notes import endpoint_notes, trial_notes
from analysis.own_error import own_error
from analysis.randomisation import randomisation_test
from analysis.ranks import complete_blocks, rank_contrast, rank_omnibus
from analysis.records import (
    Analysis,
    ArmFlow,
    ArmSummary,
    Censoring,
    Contrast,
    EndpointResult,
    Ranks,
    Sensitivity,
    TankNumber,
)
from analysis.sphericity import sphericity
from analysis.summaries import count_readings, tank_numbers
from schemas.errors import AnalysisError
from schemas.variables import variables_for
from schemas.vocabulary import (
    Baseline,
    DesignKind,
    EndpointRole,
    Multiplicity,
    Scale,
    Summary,
    Variance,
    Verdict,
)

if TYPE_CHECKING:
    import pandas as pd

    from analysis.records import Fit, Omnibus, RankContrast, Sphericity
    from schemas.allocation import Allocation
    from schemas.protocol import Endpoint, Protocol
    from schemas.variables import Variable


def evaluate(
    protocol: Protocol,
    allocation: Allocation,
    readings: pd.DataFrame,
    *,
    protocol_digest: str,
    data_digest: str,
    version: str,
) -> Analysis:
    """Analyse every endpoint as registered.

    Parameters
    ----------
    readings : DataFrame
        Accepted readings, one row each: ``tank``, ``taken_at``, ``variable``, ``value``, ``sign``.
    protocol_digest, data_digest, version : str
        What the result rests on; carried into it and, with the endpoint, the seed of Monte Carlo draws.

    Raises
    ------
    AnalysisError
        Where no endpoint has a single tank with a number.
    """
    if readings.empty:
        raise AnalysisError(
            f"{protocol.trial.id} has no accepted readings yet, so there is nothing to analyse; "
            "take readings in with `fairtank intake`."
        )
    variables = variables_for(protocol)
    endpoints = [
        _endpoint(protocol, endpoint, allocation, readings, variables[endpoint.variable], protocol_digest)
        for endpoint in protocol.endpoints
    ]
    if not any(result.n_tanks for result in endpoints):
        reasons = sorted({tank.why_missing for result in endpoints for tank in result.tanks})
        raise AnalysisError(
            f"{protocol.trial.id} has {len(readings)} accepted readings but no tank has a number to compare yet: "
            + "; ".join(reasons)
            + "."
        )
    return Analysis(
        trial=protocol.trial.id,
        protocol_digest=protocol_digest,
        data_digest=data_digest,
        fairtank=version,
        endpoints=tuple(_share_error_rate(endpoints, protocol.analysis.multiplicity)),
        readings=count_readings(protocol, readings),
        notes=tuple(trial_notes(protocol, allocation)),
    )


def endpoint_unit(endpoint: Endpoint, unit: str) -> str:
    """Unit of an endpoint's difference: a slope is per day, an area times day, a ratio has none."""
    if endpoint.scale is Scale.RATIO:
        return "1"
    if endpoint.summary is Summary.SLOPE:
        return f"{unit}/d" if unit != "1" else "1/d"
    if endpoint.summary is Summary.AUC:
        return f"{unit}.d" if unit != "1" else "d"
    return unit


@dataclass(frozen=True)
class _Question:
    """One endpoint with what every step of its analysis needs."""

    endpoint: Endpoint
    data: TankData
    low: TankData
    high: TankData
    kept: tuple[TankNumber, ...]
    level: float
    variance: Variance
    distance: float | None
    chance: bool
    seed: str

    def reported(self, value: float | None) -> float | None:
        """A working-scale number on the reported scale."""
        if value is None or math.isnan(value):
            return None
        if self.endpoint.scale is Scale.RATIO:
            value = math.exp(value) if value < 700 else math.inf
        return value if math.isfinite(value) else None

    def fit(self, data: TankData, variance: Variance, test: int, reference: int) -> Fit | None:
        """One contrast with the error taken from where it is asked."""
        if variance is Variance.OWN:
            return own_error(data, test, reference, self.level)
        return LinearModel(data).contrast(test, reference, self.level)


def _endpoint(
    protocol: Protocol,
    endpoint: Endpoint,
    allocation: Allocation,
    readings: pd.DataFrame,
    variable: Variable,
    protocol_digest: str,
) -> EndpointResult:
    tanks = tank_numbers(protocol, endpoint, allocation, readings, variable)
    question = _question(protocol, endpoint, allocation, tanks, f"{protocol_digest}|{endpoint.id}")
    pairs = [
        (question.data.arms.index(test), question.data.arms.index(reference))
        for test, reference in protocol.contrasts
    ]
    contrasts = tuple(_contrast(question, *pair) for pair in pairs)
    model = LinearModel(question.data) if question.kept else None
    omnibus = model.omnibus() if model else None
    other = Variance.POOLED if question.variance is Variance.OWN else Variance.OWN
    result = EndpointResult(
        id=endpoint.id,
        title=endpoint.title or endpoint.id,
        role=endpoint.role,
        variable=endpoint.variable,
        summary=endpoint.summary,
        phase=endpoint.phase,
        baseline=endpoint.baseline,
        scale=endpoint.scale,
        better=endpoint.better,
        worthwhile=endpoint.worthwhile,
        unit=endpoint_unit(endpoint, variable.unit),
        alpha=protocol.analysis.alpha,
        variance=question.variance,
        multiplicity=protocol.analysis.multiplicity,
        tanks=tuple(tanks),
        n_blocks=len(np.unique(question.data.block)) if question.data.blocked else 0,
        arms=_arm_summaries(question, model),
        omnibus=omnibus,
        contrasts=contrasts,
        ranks=_ranks(question, pairs),
        sphericity=_sphericity(question, omnibus),
        sensitivity=(
            Sensitivity(
                f"{other}-variance", tuple(_plain_contrast(question, other, *pair) for pair in pairs)
            ),
        ),
        flow=_flow(protocol, tanks),
    )
    return replace(result, notes=tuple(endpoint_notes(result, variable)))


def _question(
    protocol: Protocol, endpoint: Endpoint, allocation: Allocation, tanks: list[TankNumber], seed: str
) -> _Question:
    kept = tuple(tank for tank in tanks if tank.y is not None)
    arms = tuple(arm.id for arm in protocol.arms)
    blocked = protocol.design.kind is DesignKind.BLOCKS
    names = {name: code for code, name in enumerate(dict.fromkeys(tank.block for tank in kept))}
    block = np.array([names[tank.block] if blocked else 0 for tank in kept], dtype=np.int64)
    x = None
    if endpoint.baseline is Baseline.ADJUST:
        x = np.array([tank.baseline for tank in kept], dtype=float)
        x = np.log(x) if endpoint.scale is Scale.RATIO else x
    data = TankData(
        y=np.array([tank.y for tank in kept], dtype=float),
        arm=np.array([arms.index(tank.arm) for tank in kept], dtype=np.int64),
        block=block,
        arms=arms,
        x=x,
        blocked=blocked,
    )
    return _Question(
        endpoint=endpoint,
        data=data,
        low=data.with_y(np.array([tank.y_lowest for tank in kept], dtype=float)),
        high=data.with_y(np.array([tank.y_highest for tank in kept], dtype=float)),
        kept=kept,
        level=1 - protocol.analysis.alpha,
        variance=protocol.variance,
        distance=conclusions.margin(endpoint.worthwhile, endpoint.scale),
        chance=allocation.random,
        seed=seed,
    )


def _plain_contrast(question: _Question, variance: Variance, test: int, reference: int) -> Contrast:
    """A contrast with its interval and test alone, as sensitivity analyses show it."""
    arms = question.data.arms
    fit = question.fit(question.data, variance, test, reference) if question.kept else None
    if fit is None:
        return Contrast(arms[test], arms[reference], 0, None, None, None, None, None, None)
    return Contrast(
        test=arms[test],
        reference=arms[reference],
        n=fit.n,
        estimate=question.reported(fit.estimate),
        se=fit.se,
        df=fit.df,
        low=question.reported(fit.low),
        high=question.reported(fit.high),
        p=fit.p,
        verdict=conclusions.verdict(fit.low, fit.high, question.distance),
        favours=conclusions.favours(fit.estimate, arms[test], arms[reference], question.endpoint.better),
    )


def _contrast(question: _Question, test: int, reference: int) -> Contrast:
    plain = _plain_contrast(question, question.variance, test, reference)
    fit = question.fit(question.data, question.variance, test, reference) if question.kept else None
    if fit is None:
        return plain
    randomisation = None
    if question.chance:
        label = f"{question.seed}|{plain.test}|{plain.reference}".encode()
        randomisation = randomisation_test(
            question.data,
            test,
            reference,
            level=question.level,
            seed=int.from_bytes(hashlib.sha256(label).digest()[:8]),
            start=fit.high - fit.estimate if fit.high is not None else None,
        )
    if randomisation is not None:
        randomisation = replace(
            randomisation,
            low=question.reported(randomisation.low),
            high=question.reported(randomisation.high),
        )
    return replace(
        plain,
        effect_size=conclusions.standardised(fit, question.level),
        randomisation=randomisation,
        censoring=_censoring(question, fit, test, reference),
        equivalence=conclusions.equivalence(fit, question.distance),
    )


def _censoring(question: _Question, fit: Fit, test: int, reference: int) -> Censoring:
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
    for mine, others in ((question.low, question.high), (question.high, question.low)):
        y = np.where(data.arm == test, mine.y, np.where(data.arm == reference, others.y, data.y))
        if not np.isfinite(y).all():
            # A summary that could be 0 has no logarithm: on that side the ratio has no bound.
            unbounded = -math.inf if mine is question.low else math.inf
            ends.append(0.0 if unbounded < 0 else None)
            verdicts.append(None)
            continue
        extreme = question.fit(data.with_y(y), question.variance, test, reference)
        ends.append(question.reported(extreme.estimate) if extreme else None)
        verdicts.append(
            conclusions.verdict(extreme.low, extreme.high, question.distance) if extreme else None
        )
    return Censoring(censored, ends[0], ends[1], (verdicts[0], verdicts[1]))


def _arm_summaries(question: _Question, model: LinearModel | None) -> tuple[ArmSummary, ...]:
    ratio = question.endpoint.scale is Scale.RATIO
    change = question.endpoint.baseline is Baseline.CHANGE
    adjusted = model.adjusted_means() if model and question.data.x is not None else None
    result = []
    for code, arm in enumerate(question.data.arms):
        mine = question.data.arm == code
        working = question.data.y[mine]
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
                geometric_mean=float(np.exp(working.mean())) if n and ratio else None,
                adjusted_mean=question.reported(adjusted[code]) if adjusted and n else None,
            )
        )
    return tuple(result)


def _ranks(question: _Question, pairs: list[tuple[int, int]]) -> Ranks:
    if not question.kept:
        return Ranks(None, ())
    found = (rank_contrast(question.data, test, reference, question.level) for test, reference in pairs)
    return Ranks(
        rank_omnibus(question.data),
        tuple(_reported_ranks(question, rank) for rank in found if rank is not None),
    )


def _reported_ranks(question: _Question, rank: RankContrast) -> RankContrast:
    estimate, low, high = (question.reported(value) for value in (rank.estimate, rank.low, rank.high))
    return replace(rank, estimate=estimate, low=low, high=high)


def _sphericity(question: _Question, omnibus: Omnibus | None) -> Sphericity | None:
    """Only where the omnibus F is that of complete blocks, one tank an arm, without a covariate."""
    data = question.data
    if not data.blocked or data.x is not None or omnibus is None:
        return None
    table = complete_blocks(data)
    return sphericity(table, omnibus) if table.size == len(data.y) else None


def _flow(protocol: Protocol, tanks: list[TankNumber]) -> tuple[ArmFlow, ...]:
    result = []
    for arm in protocol.arms:
        mine = [tank for tank in tanks if tank.arm == arm.id]
        result.append(
            ArmFlow(
                arm=arm.id,
                allocated=len(mine),
                followed=sum(tank.days > 0 for tank in mine),
                analysed=sum(tank.y is not None for tank in mine),
                days_due=sum(tank.days_due for tank in mine),
                days=sum(tank.days for tank in mine),
            )
        )
    return tuple(result)


def _share_error_rate(results: list[EndpointResult], rule: Multiplicity) -> list[EndpointResult]:
    """Adjusted p: all comparisons of all primary endpoints are one family, any other endpoint is its own."""
    primaries = [result for result in results if result.role is EndpointRole.PRIMARY]
    family = iter(adjust([c.p for result in primaries for c in result.contrasts], rule))
    adjusted = []
    for result in results:
        if result.role is EndpointRole.PRIMARY:
            values = [next(family) for _ in result.contrasts]
        else:
            values = adjust([c.p for c in result.contrasts], rule)
        contrasts = tuple(replace(c, p_adjusted=p) for c, p in zip(result.contrasts, values, strict=True))
        adjusted.append(replace(result, contrasts=contrasts))
    return [replace(result, notes=(*result.notes, *_disagreements(result, rule))) for result in adjusted]


def _disagreements(result: EndpointResult, rule: Multiplicity) -> list[str]:
    """Comparisons whose own interval excludes "no difference" while the shared error rate does not."""
    return [
        f"{c.test} against {c.reference}: p is below {result.alpha:g} alone but not after the error rate is shared "
        f"({rule}), so the interval is not proof of a difference."
        for c in result.contrasts
        if c.p is not None and c.p_adjusted is not None and c.p < result.alpha <= c.p_adjusted
    ]
