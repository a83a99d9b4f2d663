"""What a protocol's trial could show, by formula: power, interval width, and the smallest p within reach.

The effect and the standard deviation are assumptions of the protocol's ``[planning]``; where it has none, they are
assumed here and said so. Nothing of this is evidence.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.power import (
    Bar,
    bar,
    detectable,
    equivalence_power,
    half_width,
    noninferiority_power,
    power,
    smallest_randomisation_p,
    verdict_chances,
)
from analysis.precision import before_after, blocks, crossover, parallel, precision
from schemas.errors import AnalysisError, UsageError
from schemas.protocol import BASELINE_PHASE
from schemas.protocol_warnings import smallest_p
from schemas.vocabulary import Baseline, Better, DesignKind, EndpointRole, Scale, Summary
from trials.allocation.outlook import mirrored
from trials.allocation.ranking import rehearsed

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analysis.precision import Layout, Precision
    from schemas.protocol import Endpoint, Protocol
    from schemas.vocabulary import Verdict

SD_OF_LOGS = 0.35
"""Between tanks of one block, of the logarithm: assumed for planning, about what screened tanks of keepers show."""
MEMORY = 0.97
"""Correlation of two systems' difference from one day to the next, about 0.8 a week: assumed for planning."""
_COUNTED = "a count of events is compared exactly, and its power is not worked out here"


@dataclass(frozen=True)
class Assumed:
    """What is taken to be true of an endpoint, on the working scale (logarithms of ratios).

    Parameters
    ----------
    effect, sd : float or None
        The difference of test and reference, and the standard deviation between tanks of one block (of all tanks
        in parallel arms, between periods of a tank in a crossover); None where nothing can be assumed.
    correlation : float
        Of baseline and outcome.
    baseline : Baseline
        How the baseline enters the formula.
    effect_given, sd_given : bool
        True where the protocol says so, false where it is assumed here.
    notes : tuple of str
        Sentences.
    """

    effect: float | None
    sd: float | None
    correlation: float
    baseline: Baseline
    effect_given: bool
    sd_given: bool
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Chances:
    """What a comparison would show of a true difference.

    Parameters
    ----------
    readings : dict of Verdict to float
        Chance of each reading of the interval.
    equivalence, noninferiority : float
        Chance that both one-sided tests at alpha show the difference to be smaller than the worthwhile one, and that
        one shows the test arm to be no worse by as much.
    """

    readings: Mapping[Verdict, float]
    equivalence: float
    noninferiority: float


@dataclass(frozen=True)
class PlannedContrast:
    """What one comparison could show.

    Parameters
    ----------
    test, reference : str
    effect : float or None
        Assumed, on the endpoint's scale.
    power : float or None
        For that effect, at the first step of sharing the error rate; ``power_alone`` at alpha itself.
    power_worthwhile : float or None
        As ``power``, for the worthwhile difference.
    half_width, detectable : float or None
        Expected half width of the interval, and the smallest effect found with the wished power: working scale.
    smallest_p : float
        That the randomisation test can ever give.
    df : float or None
        Degrees of freedom of the error.
    if_effect, if_none : Chances or None
        What would be read where the effect is as assumed, and where there is none; None without a worthwhile
        difference.
    why_not : str
        Why there is no power, where there is none.
    """

    test: str
    reference: str
    effect: float | None
    smallest_p: float
    power: float | None = None
    power_alone: float | None = None
    power_worthwhile: float | None = None
    half_width: float | None = None
    detectable: float | None = None
    df: float | None = None
    if_effect: Chances | None = None
    if_none: Chances | None = None
    why_not: str = ""


@dataclass(frozen=True)
class PlannedEndpoint:
    """An endpoint with its assumptions and comparisons."""

    endpoint: Endpoint
    assumed: Assumed
    contrasts: tuple[PlannedContrast, ...]


def plan(
    protocol: Protocol, *, wanted: float = 0.8, correlation: float | None = None
) -> tuple[PlannedEndpoint, ...]:
    """Every comparison of every endpoint by formula.

    Parameters
    ----------
    protocol : Protocol
    wanted : float
        The power that ``detectable`` is for.
    correlation : float, optional
        Of baseline and outcome between tanks; the standard deviation is then that of the raw tank numbers. Left
        out, the standard deviation is what the baseline leaves.
    """
    if not protocol.analysis.alpha < wanted < 1:
        raise UsageError(
            f"a power of {wanted:g} cannot be wished for; give one above alpha and below 1, e.g. 0.8."
        )
    if correlation is not None and not -1 < correlation < 1:
        raise UsageError(f"a correlation of {correlation:g} is not between -1 and 1.")
    layout = layout_of(protocol)
    planned = []
    for endpoint in protocol.endpoints:
        assumed = assumptions(protocol, endpoint, correlation)
        contrasts = tuple(
            _contrast(protocol, endpoint, layout, assumed, pair, wanted) for pair in protocol.contrasts
        )
        planned.append(PlannedEndpoint(endpoint, assumed, contrasts))
    return tuple(planned)


def layout_of(protocol: Protocol) -> Layout:
    """Arms over tanks as the draw will give them: how many go where, not which."""
    arms = tuple(arm.id for arm in protocol.arms)
    kind = protocol.design.kind
    if kind is DesignKind.CROSSOVER:
        tanks = rehearsed(protocol).tanks
        layout = crossover(arms, [tank.arms for tank in tanks])
        if protocol.schedule.starts and layout.period is not None:
            cohorts = list(dict.fromkeys(tank.block for tank in tanks))
            shift = np.repeat([cohorts.index(tank.block) for tank in tanks], protocol.n_periods)
            layout = replace(layout, period=layout.period + protocol.n_periods * shift)
        return layout
    if kind is DesignKind.INCOMPLETE_BLOCKS:
        members: dict[str, list[str]] = {}
        for ranked in rehearsed(protocol).tanks:
            members.setdefault(ranked.block, []).append(ranked.arms[0])
        return blocks(arms, list(members.values()))
    if kind is DesignKind.BLOCKS:
        sizes: dict[str | None, int] = {}
        for tank in protocol.tanks:
            sizes[tank.block] = sizes.get(tank.block, 0) + 1
        return blocks(arms, [[arms[at % len(arms)] for at in range(size)] for size in sizes.values()])
    each, over = divmod(len(protocol.tanks), len(arms))
    return parallel(arms, [each + (at < over) for at in range(len(arms))])


def assumptions(protocol: Protocol, endpoint: Endpoint, correlation: float | None = None) -> Assumed:
    """What is assumed of an endpoint: the protocol's planning for its first primary endpoint, else defaults."""
    first = next((e for e in protocol.endpoints if e.role is EndpointRole.PRIMARY), protocol.endpoints[0])
    stated = protocol.planning if endpoint == first else None
    notes = []
    effect = stated.effect if stated else None
    if effect is None:
        effect = worthwhile_of(endpoint)
        notes.append(
            f"{endpoint.id}: no effect is written in [planning]"
            + (
                ", and no worthwhile difference either: no power can be worked out."
                if effect is None
                else f"; assumed here is the worthwhile difference, {effect:g}."
            )
        )
    sd = stated.sd if stated else None
    if sd is None and endpoint.scale is Scale.RATIO:
        sd = SD_OF_LOGS
        notes.append(
            f"{endpoint.id}: no sd is written in [planning]; assumed here is {sd:g} on logarithms, a guess that the "
            "answer hangs on."
        )
    elif sd is None:
        notes.append(f"{endpoint.id}: no sd is written in [planning] and none can be guessed in its unit.")
    baseline = endpoint.baseline
    if protocol.design.kind is DesignKind.BEFORE_AFTER:
        baseline = Baseline.NONE
    elif baseline is not Baseline.NONE and correlation is None and sd is not None:
        notes.append(
            f"{endpoint.id}: the sd is taken as what the baseline leaves; with --correlation it is that of the raw "
            "numbers and the gain is worked out."
        )
        baseline = Baseline.NONE if baseline is Baseline.CHANGE else baseline
    return Assumed(
        effect=None if effect is None else working(endpoint, effect),
        sd=sd,
        correlation=correlation or 0.0,
        baseline=baseline,
        effect_given=bool(stated and stated.effect is not None),
        sd_given=bool(stated and stated.sd is not None),
        notes=tuple(notes),
    )


def worthwhile_of(endpoint: Endpoint) -> float | None:
    """The worthwhile difference in the better direction, on the endpoint's scale."""
    if endpoint.worthwhile is None or endpoint.scale is Scale.RATIO:
        return endpoint.worthwhile
    size = abs(endpoint.worthwhile)
    return -size if better_of(endpoint) is Better.LOWER else size


def better_of(endpoint: Endpoint) -> Better:
    """Which direction of the number compared is an improvement: a target is better met sooner."""
    return Better.LOWER if endpoint.summary is Summary.DAYS_TO_TARGET else endpoint.better


def working(endpoint: Endpoint, effect: float) -> float:
    """An effect on the working scale."""
    if endpoint.scale is not Scale.RATIO:
        return effect
    if effect <= 0:
        raise AnalysisError(f"planning.effect: {effect:g} is no ratio for {endpoint.id}; write one above 0.")
    return math.log(effect)


def shown(endpoint: Endpoint, effect: float) -> float:
    """An effect of the working scale on the endpoint's scale."""
    return math.exp(effect) if endpoint.scale is Scale.RATIO else effect


def family_of(protocol: Protocol, endpoint: Endpoint) -> int:
    """Comparisons that share the error rate with those of an endpoint, its own included."""
    if endpoint.role is not EndpointRole.PRIMARY:
        return 1
    primaries = sum(e.role is EndpointRole.PRIMARY for e in protocol.endpoints)
    return primaries * len(protocol.contrasts)


def _contrast(
    protocol: Protocol,
    endpoint: Endpoint,
    layout: Layout,
    assumed: Assumed,
    pair: tuple[str, str],
    wanted: float,
) -> PlannedContrast:
    effect = None if assumed.effect is None else shown(endpoint, assumed.effect)
    bare = PlannedContrast(*pair, effect, _smallest(protocol, layout, pair))
    if endpoint.summary is Summary.COUNT:
        return replace(bare, why_not=_COUNTED)
    if assumed.sd is None:
        return replace(bare, why_not="no standard deviation is known")
    try:
        known = precision_of(protocol, endpoint, layout, assumed, pair)
    except AnalysisError as error:
        return replace(bare, power=0.0, power_alone=0.0, why_not=str(error))
    alpha = protocol.analysis.alpha
    over = bar_of(protocol, endpoint, layout, known)

    def at(difference: float | None, limit: Bar) -> float | None:
        return None if difference is None else power(difference, known, limit.alpha, critical=limit.critical)

    worthwhile = worthwhile_of(endpoint)
    aim = None if worthwhile is None else working(endpoint, worthwhile)
    planned = replace(
        bare,
        power=at(assumed.effect, over),
        power_alone=at(assumed.effect, Bar(alpha)),
        power_worthwhile=at(aim, over),
        half_width=half_width(known, alpha),
        detectable=detectable(wanted, known, over.alpha, critical=over.critical),
        df=known.df,
    )
    if aim is None or assumed.effect is None:
        return planned

    def chances(difference: float) -> Chances:
        gain = -difference if better_of(endpoint) is Better.LOWER else difference
        return Chances(
            verdict_chances(difference, abs(aim), known, alpha),
            equivalence_power(difference, abs(aim), known, alpha),
            noninferiority_power(gain, abs(aim), known, alpha),
        )

    return replace(planned, if_effect=chances(assumed.effect), if_none=chances(0.0))


def bar_of(protocol: Protocol, endpoint: Endpoint, layout: Layout, known: Precision) -> Bar:
    """What a comparison of the endpoint must pass first."""
    if endpoint.role is not EndpointRole.PRIMARY:
        return Bar(protocol.analysis.alpha)
    return bar(
        protocol.analysis.alpha,
        protocol.analysis.multiplicity,
        layout,
        protocol.contrasts,
        known.df,
        family=family_of(protocol, endpoint),
    )


def precision_of(
    protocol: Protocol, endpoint: Endpoint, layout: Layout, assumed: Assumed, pair: tuple[str, str]
) -> Precision:
    """How precisely the layout estimates a comparison at the assumed standard deviation.

    Raises
    ------
    AnalysisError
        The layout cannot, or no degrees of freedom are left.
    """
    if protocol.design.kind is DesignKind.BEFORE_AFTER:
        return before_after(*series_days(protocol, endpoint), assumed.sd or 0.0, MEMORY)
    return precision(
        layout,
        *pair,
        assumed.sd or 0.0,
        variance=protocol.variance,
        baseline=assumed.baseline,
        correlation=assumed.correlation,
    )


def series_days(protocol: Protocol, endpoint: Endpoint) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Sampling days of a before-after series, before and after, from the first day of the schedule."""
    due = protocol.due_days(endpoint.variable)
    start = protocol.schedule.start
    before, after = (
        tuple(float((day - start).days) for day in due if first <= day < end)
        for first, end in (protocol.phase_days[BASELINE_PHASE], protocol.phase_days[endpoint.phase])
    )
    return before, after


def _smallest(protocol: Protocol, layout: Layout, pair: tuple[str, str]) -> float:
    if protocol.design.kind is not DesignKind.CROSSOVER:
        return smallest_randomisation_p(layout, *pair)
    cohorts: dict[str, list[tuple[str, ...]]] = {}
    for tank in rehearsed(protocol).tanks:
        cohorts.setdefault(tank.block, []).append(tank.arms)
    sizes = [size for cohort in cohorts.values() for size in mirrored(cohort, *pair)]
    return min(1.0, smallest_p(sizes))
