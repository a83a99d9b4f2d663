"""The registered analysis: protocol, allocation and readings in, results of every endpoint out."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.before_after_comparison import SystemSeries, before_after_contrasts
from analysis.comparison import arm_summaries, dunnett_adjusted, full_contrast, rank_tests, spherical
from analysis.count_comparison import arm_rates, count_contrast, counted_numbers, spread_of_counts
from analysis.crossover_tests import period_and_carry_over
from analysis.derived import derived_numbers
from analysis.described import described
from analysis.dose_adherence import dose_adherence
from analysis.followed import Happened, Story
from analysis.kits.correction import kit_corrected
from analysis.linear_model import LinearModel
from analysis.mass_balance import mass_balance
from analysis.measurement import measurement
from analysis.missing_tanks import imputed_contrasts, tipping_tables
from analysis.notes import endpoint_notes, treated_notes, trial_notes
from analysis.question import question_of
from analysis.records import Analysis, ArmFlow, EndpointResult, Ranks
from analysis.sensitivity import (
    allocation_as_treated,
    sensitivities,
    with_as_treated,
    with_kit_corrected,
)
from analysis.shared_error import share_error_rate
from analysis.summaries import count_readings, phase_series, tank_numbers, with_bounds
from analysis.time_comparison import log_rank_tests, restricted_numbers, target_times, time_curves
from schemas.derived_variables import DerivedVariable
from schemas.errors import AnalysisError
from schemas.variables import endpoint_variables
from schemas.vocabulary import DesignKind, Multiplicity, Scale, Summary

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    import pandas as pd

    from analysis.kits.correction import KitCorrection
    from analysis.question import Question
    from analysis.records import Contrast, TankNumber
    from schemas.allocation import Allocation
    from schemas.protocol import Endpoint, Protocol
    from schemas.variables import Variable

NOTHING_HAPPENED = Happened()


def evaluate(
    protocol: Protocol,
    allocation: Allocation,
    readings: pd.DataFrame,
    *,
    protocol_digest: str,
    data_digest: str,
    version: str,
    happened: Happened = NOTHING_HAPPENED,
) -> Analysis:
    """Analyse every endpoint as registered.

    Parameters
    ----------
    readings : DataFrame
        Accepted readings, one row each: ``tank``, ``taken_at``, ``variable``, ``value``, ``sign``.
    protocol_digest, data_digest, version : str
        What the result rests on; carried into it and, with the endpoint, the seed of Monte Carlo draws.
    happened : Happened
        Husbandry events, from which derived variables are worked out; tanks that left the trial; and tanks that were in
        fact treated as another arm: the registered analysis stays with the allocation, and the same analysis as
        treated stands beside it.

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
    variables = endpoint_variables(protocol)
    story = Story(protocol, allocation, readings, happened)
    endpoints = [
        _endpoint(story, endpoint, variables[endpoint.variable], protocol_digest)
        for endpoint in protocol.endpoints
    ]
    treated = allocation_as_treated(allocation, happened.treated_as)
    if treated is not None:
        endpoints = [
            with_as_treated(
                result,
                _endpoint(
                    replace(story, allocation=treated),
                    endpoint,
                    variables[endpoint.variable],
                    protocol_digest,
                ),
            )
            for result, endpoint in zip(endpoints, protocol.endpoints, strict=True)
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
        endpoints=tuple(share_error_rate(endpoints, protocol.analysis.multiplicity)),
        readings=count_readings(protocol, readings),
        notes=(*trial_notes(protocol, allocation), *treated_notes(allocation, happened.treated_as)),
        measurement=measurement(readings, 1 - protocol.analysis.alpha),
        doses=None if happened.hidden else dose_adherence(story),
        balance=None if happened.hidden else mass_balance(story),
    )


def beside_kit_corrections(
    analysis: Analysis,
    protocol: Protocol,
    allocation: Allocation,
    readings: pd.DataFrame,
    corrections: Sequence[KitCorrection],
    *,
    happened: Happened = NOTHING_HAPPENED,
) -> Analysis:
    """The registered analysis with the same of readings as corrections of their kits have them beside it.

    The registered results stay with the readings as they were read; endpoints of which no reading is concerned have
    nothing beside them.

    Parameters
    ----------
    analysis : Analysis
        What :func:`evaluate` made of the same protocol, allocation and readings.
    readings : DataFrame
        As :func:`evaluate` takes them, with ``kit``.
    corrections : sequence of KitCorrection
        In the order of recording.
    happened : Happened
        As :func:`evaluate` takes it.
    """
    corrected = kit_corrected(readings, protocol, corrections)
    if corrected is None:
        return analysis
    variables = endpoint_variables(protocol)
    story = Story(protocol, allocation, corrected.readings, happened)
    endpoints = [
        with_kit_corrected(
            result, _endpoint(story, endpoint, variables[endpoint.variable], analysis.protocol_digest)
        )
        if _rests_on(variables[endpoint.variable], corrected.variables)
        else result
        for result, endpoint in zip(analysis.endpoints, protocol.endpoints, strict=True)
    ]
    return replace(analysis, endpoints=tuple(endpoints), notes=(*analysis.notes, *corrected.notes))


def _rests_on(variable: Variable, names: Collection[str]) -> bool:
    """Whether an endpoint's variable is one of those, or worked out from readings of one."""
    rests = variable.reads if isinstance(variable, DerivedVariable) else (variable.id,)
    return any(name in names for name in rests)


def endpoint_unit(endpoint: Endpoint, unit: str) -> str:
    """Unit of an endpoint's difference: a slope is per day, an area times day, a ratio has none."""
    if endpoint.scale is Scale.RATIO:
        return "1"
    if endpoint.summary is Summary.DAYS_TO_TARGET:
        return "d"
    if endpoint.summary is Summary.SLOPE:
        return f"{unit}/d" if unit != "1" else "1/d"
    if endpoint.summary is Summary.AUC:
        return f"{unit}.d" if unit != "1" else "d"
    return unit


def _endpoint(story: Story, endpoint: Endpoint, variable: Variable, protocol_digest: str) -> EndpointResult:
    protocol, allocation, readings = story.protocol, story.allocation, story.readings
    seed = f"{protocol_digest}|{endpoint.id}"
    derived = isinstance(variable, DerivedVariable)
    tanks = (
        derived_numbers(story, endpoint, variable)
        if isinstance(variable, DerivedVariable)
        else tank_numbers(protocol, endpoint, allocation, readings, variable)
    )
    own = with_bounds(readings[readings["variable"] == endpoint.variable], variable, protocol.kits)
    if endpoint.summary is Summary.DAYS_TO_TARGET:
        return _times(protocol, endpoint, allocation, tanks, own, variable, seed)
    if endpoint.summary is Summary.COUNT and not derived:
        tanks = counted_numbers(protocol, endpoint, tanks, own, story.happened.left)
    question = question_of(protocol, endpoint, allocation, tanks, seed)
    plain = _plain(protocol, question, tanks, own, variable)
    pairs = _pairs(protocol, question)
    if endpoint.summary is Summary.COUNT:
        return _counts(protocol, question, plain, pairs, variable)
    if protocol.design.kind is DesignKind.BEFORE_AFTER:
        return _before_after(protocol, question, plain, pairs, own, variable)
    model = LinearModel(question.data) if question.kept else None
    omnibus = model.omnibus() if model else None
    period, carry = None, None
    if protocol.design.kind is DesignKind.CROSSOVER:
        period, carry = period_and_carry_over(protocol, question)
    imputed = imputed_contrasts(protocol, question, pairs, own)
    result = replace(
        plain,
        omnibus=omnibus,
        arms=arm_summaries(question, model),
        contrasts=_contrasts(protocol, question, pairs),
        ranks=rank_tests(question, pairs),
        sphericity=spherical(question, omnibus),
        period=period,
        carry_over=carry,
        sensitivity=(*sensitivities(question, pairs), *([imputed] if imputed else ())),
        tipping=tuple(tipping_tables(question, tanks, pairs)),
    )
    noted = _noted(result, variable)
    return replace(noted, notes=(*noted.notes, *_not_redrawn(allocation, noted.contrasts)))


def _plain(
    protocol: Protocol,
    question: Question,
    tanks: list[TankNumber],
    readings: pd.DataFrame,
    variable: Variable,
) -> EndpointResult:
    """What every kind of endpoint has: the question as registered, the tanks, and their flow."""
    endpoint = question.endpoint
    return EndpointResult(
        id=endpoint.id,
        title=endpoint.title or endpoint.id,
        role=endpoint.role,
        variable=endpoint.variable,
        summary=endpoint.summary,
        phase=endpoint.phase,
        baseline=endpoint.baseline,
        scale=endpoint.scale,
        better=question.better,
        worthwhile=endpoint.worthwhile,
        unit=endpoint_unit(endpoint, variable.unit),
        alpha=protocol.analysis.alpha,
        variance=question.variance,
        multiplicity=protocol.analysis.multiplicity,
        tanks=tuple(tanks),
        n_blocks=len(np.unique(question.data.block)) if question.data.blocked else 0,
        arms=arm_summaries(question, None),
        omnibus=None,
        contrasts=(),
        ranks=Ranks(None, ()),
        sphericity=None,
        sensitivity=(),
        flow=_flow(protocol, tanks),
        described=()
        if isinstance(variable, DerivedVariable)
        else described(protocol, endpoint, question.allocation, readings),
    )


def _times(
    protocol: Protocol,
    endpoint: Endpoint,
    allocation: Allocation,
    tanks: list[TankNumber],
    readings: pd.DataFrame,
    variable: Variable,
    seed: str,
) -> EndpointResult:
    times = target_times(endpoint, phase_series(readings, protocol, endpoint.phase))
    timed, horizon = restricted_numbers(tanks, times)
    question = question_of(protocol, endpoint, allocation, timed, seed)
    pairs = _pairs(protocol, question)
    result = replace(
        _plain(protocol, question, timed, readings, variable),
        contrasts=_contrasts(protocol, question, pairs),
        ranks=log_rank_tests(question, times, pairs),
        sensitivity=tuple(s for s in sensitivities(question, pairs) if s.name.endswith("-variance")),
        curves=() if horizon is None else time_curves(question, times, horizon),
        horizon=horizon,
    )
    return _unfilled(protocol, _noted(result, variable))


def _counts(
    protocol: Protocol,
    question: Question,
    plain: EndpointResult,
    pairs: list[tuple[int, int]],
    variable: Variable,
) -> EndpointResult:
    result = replace(
        plain,
        contrasts=tuple(count_contrast(question, *pair) for pair in pairs),
        rates=arm_rates(question),
        overdispersion=spread_of_counts(question),
    )
    return _unfilled(protocol, _noted(result, variable))


def _before_after(
    protocol: Protocol,
    question: Question,
    plain: EndpointResult,
    pairs: list[tuple[int, int]],
    readings: pd.DataFrame,
    variable: Variable,
) -> EndpointResult:
    series = SystemSeries(question, protocol, readings)
    contrasts, sensitivity, notes, phi = before_after_contrasts(question, series, pairs)
    result = replace(plain, contrasts=contrasts, sensitivity=sensitivity, serial_correlation=phi)
    noted = _noted(result, variable)
    return replace(noted, notes=(*notes, *noted.notes))


def _contrasts(protocol: Protocol, question: Question, pairs: list[tuple[int, int]]) -> tuple[Contrast, ...]:
    contrasts = tuple(full_contrast(question, *pair) for pair in pairs)
    if protocol.analysis.multiplicity is Multiplicity.DUNNETT:
        return dunnett_adjusted(question, contrasts, pairs)
    return contrasts


def _not_redrawn(allocation: Allocation, contrasts: tuple[Contrast, ...]) -> list[str]:
    """Comparisons that chance made but that no redraw of their two arms alone can test."""
    return [
        f"{c.test} against {c.reference}: the draw could not have turned these two arms alone, so there is no "
        "randomisation test."
        for c in contrasts
        if allocation.random and c.estimate is not None and c.randomisation is None
    ]


def _unfilled(protocol: Protocol, result: EndpointResult) -> EndpointResult:
    """With a note where the protocol asks for missing numbers to be filled in, and this kind has no way to."""
    if protocol.analysis.imputations is None:
        return result
    note = f"Nothing is filled in for {result.summary}: the analysis with missing days filled in is for other summaries."
    return replace(result, notes=(*result.notes, note))


def _noted(result: EndpointResult, variable: Variable) -> EndpointResult:
    return replace(result, notes=tuple(endpoint_notes(result, variable)))


def _pairs(protocol: Protocol, question: Question) -> list[tuple[int, int]]:
    arms = question.data.arms
    return [(arms.index(test), arms.index(reference)) for test, reference in protocol.contrasts]


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
