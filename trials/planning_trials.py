"""A protocol's trial by simulation: on a plain effect, and on tanks of the model with the arms' own doses."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from analysis.arm_doses import arm_doses
from analysis.dosed_tanks import VARIABLES, DosedTanks
from analysis.plain_trials import PlainTrials
from analysis.series_trials import SeriesTrials
from analysis.simulation import ContrastOutlook, Outlook, Question, Simulated, simulate
from analysis.tank_trials import ReadingPlan, StopLimit, TankTrials
from schemas.errors import AnalysisError, UsageError
from schemas.protocol import BASELINE_PHASE, RAMP_PHASE
from schemas.vocabulary import Better, DesignKind, EndpointRole, Multiplicity, Summary
from trials.planning import (
    MEMORY,
    assumptions,
    family_of,
    layout_of,
    series_days,
    working,
    worthwhile_of,
)
from trials.planning_kits import coarsest, described_kits

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from analysis.simulation import SpreadOut
    from schemas.protocol import Endpoint, Protocol
    from trials.planning import Assumed

PLAIN_CHUNK, TANK_CHUNK = 500, 25
"""Trials in a chunk: part of what the numbers depend on, so they are fixed here and not by the workers."""
EFFECT_SHARE, SD_CV = 0.25, 0.2
"""How unsure an assumed effect is, as a share of it on the working scale, and the coefficient of variation of an assumed
standard deviation: assumed for planning, no source."""


@dataclass(frozen=True)
class Belief:
    """How unsure the assumptions are, for power averaged over them (assurance); 0 both leaves it out.

    Parameters
    ----------
    effect_sd : float or None
        Standard deviation of the true effect, working scale (logarithms of ratios); None takes ``EFFECT_SHARE`` of the
        assumed effect.
    sd_cv : float
        Coefficient of variation of the true standard deviation between tanks.
    """

    effect_sd: float | None = None
    sd_cv: float = SD_CV

    @property
    def unsure(self) -> bool:
        """Whether anything is left to average over."""
        return self.effect_sd != 0 or self.sd_cv != 0

    def effect_spread(self, effect: float) -> float:
        """Standard deviation of the true effect around an assumed one, working scale."""
        return EFFECT_SHARE * abs(effect) if self.effect_sd is None else self.effect_sd


CERTAIN = Belief(0.0, 0.0)


@dataclass(frozen=True)
class PlannedOutlook:
    """The registered analysis of many drawn trials.

    Parameters
    ----------
    counts : tuple of int
        Trials drawn for each comparison; fewer than asked for where they stopped early.
    contrasts : tuple of ContrastOutlook
        In the protocol's order; plain ones each under its own effect.
    assurance : tuple of Simulated
        Power of each comparison averaged over what is believed; empty where nothing is unsure.
    outlook : Outlook or None
        The whole simulation of the tank model.
    """

    counts: tuple[int, ...]
    contrasts: tuple[ContrastOutlook, ...]
    assurance: tuple[Simulated, ...] = ()
    outlook: Outlook | None = None

    @property
    def errors(self) -> tuple[float, ...]:
        """Monte Carlo standard errors of every power, averaged ones too."""
        return tuple(one.se for one in (*(contrast.power for contrast in self.contrasts), *self.assurance))


def question_of(protocol: Protocol, endpoint: Endpoint) -> Question:
    """What is asked of simulated trials of an endpoint."""
    worthwhile = worthwhile_of(endpoint)
    margin = None if worthwhile is None else abs(working(endpoint, worthwhile))
    primary = endpoint.role is EndpointRole.PRIMARY
    return Question(
        layout_of(protocol),
        protocol.contrasts,
        protocol.variance,
        protocol.analysis.alpha,
        protocol.analysis.multiplicity if primary else Multiplicity.NONE,
        margin,
        family_of(protocol, endpoint) if primary else None,
    )


def arm_effects(
    protocol: Protocol, effect: float
) -> list[tuple[tuple[float, ...], tuple[tuple[str, str], ...]]]:
    """Effects of the arms, and the comparisons that are read from trials with them.

    Every arm that is only ever compared with has none. Arms compared with such a one have the effect; two arms that
    are compared with each other are tried by themselves, or they would not differ.
    """
    tests = {test for test, _ in protocol.contrasts}
    plain = tuple(pair for pair in protocol.contrasts if pair[1] not in tests)
    dosed = {test for test, _ in plain}
    worlds = []
    if plain:
        worlds.append((tuple(effect if arm.id in dosed else 0.0 for arm in protocol.arms), plain))
    worlds += [
        (tuple(effect if arm.id == pair[0] else 0.0 for arm in protocol.arms), (pair,))
        for pair in protocol.contrasts
        if pair not in plain
    ]
    return worlds


def simulate_plain(  # noqa: PLR0913 - one simulation's settings, all keyword-only
    protocol: Protocol,
    endpoint: Endpoint,
    *,
    trials: int,
    seed: int,
    correlation: float | None = None,
    lost: float = 0.0,
    error: float = 0.0,
    belief: Belief = CERTAIN,
    spread_out: SpreadOut = map,
    progress: Callable[[int], None] | None = None,
) -> PlannedOutlook:
    """Whole trials on the assumed effect and standard deviation, each analysed as registered.

    ``error`` is the Monte Carlo standard error of power at which drawing stops; 0 draws all ``trials``.

    Raises
    ------
    AnalysisError
        The design or the summary is not simulated, or effect or standard deviation are unknown.
    """
    if endpoint.summary is Summary.COUNT:
        raise AnalysisError(f"{endpoint.id}: a count of events has no simulation on a plain effect.")
    assumed = assumptions(protocol, endpoint, correlation)
    if assumed.effect is None or assumed.sd is None:
        raise AnalysisError(f"{endpoint.id}: write effect and sd under [planning] to simulate it.")
    found: dict[tuple[str, str], tuple[int, ContrastOutlook]] = {}
    averaged: dict[tuple[str, str], Simulated] = {}
    done = 0
    effect_sd = belief.effect_spread(assumed.effect)
    for question, source, pairs in _sources(protocol, endpoint, assumed, lost):
        believed = replace(source, effect_sd=effect_sd, sd_cv=belief.sd_cv)
        for trial in (source, believed) if belief.unsure else (source,):
            result = simulate(
                question,
                trial,
                seed=seed,
                most=trials,
                error=error,
                chunk=PLAIN_CHUNK,
                spread_out=spread_out,
                progress=None if progress is None else _shifted(progress, done),
            )
            done += trials
            for one in result.contrasts:
                pair = (one.test, one.reference)
                if pair in pairs and trial is source:
                    found[pair] = (result.trials, one)
                elif pair in pairs:
                    averaged[pair] = one.power
    return PlannedOutlook(
        tuple(found[pair][0] for pair in protocol.contrasts),
        tuple(found[pair][1] for pair in protocol.contrasts),
        tuple(averaged[pair] for pair in protocol.contrasts) if averaged else (),
    )


def _sources(
    protocol: Protocol, endpoint: Endpoint, assumed: Assumed, lost: float
) -> Iterator[tuple[Question, PlainTrials | SeriesTrials, tuple[tuple[str, str], ...]]]:
    """What is drawn for which comparisons, and the question asked of it."""
    question = question_of(protocol, endpoint)
    effect, sd = assumed.effect or 0.0, assumed.sd or 0.0
    if protocol.design.kind is DesignKind.BEFORE_AFTER:
        if lost:
            raise UsageError(
                "--lost counts tanks, and a before-after series stands on every one of its systems."
            )
        before, after = series_days(protocol, endpoint)
        for pair in protocol.contrasts:
            series = SeriesTrials(before, after, effect, sd, MEMORY)
            asked = replace(question, layout=series.layout(*pair), contrasts=(pair,), days=(*before, *after))
            yield asked, series, (pair,)
        return
    for effects, pairs in arm_effects(protocol, effect):
        tanks = PlainTrials(
            question.layout, effects, (sd,) * len(effects), assumed.baseline, assumed.correlation, lost
        )
        yield question, tanks, pairs


def worlds(protocol: Protocol, belief: Belief = CERTAIN) -> int:
    """How often :func:`simulate_plain` draws its trials."""
    drawn = (
        protocol.contrasts if protocol.design.kind is DesignKind.BEFORE_AFTER else arm_effects(protocol, 1.0)
    )
    return len(drawn) * (2 if belief.unsure else 1)


def simulate_tanks(  # noqa: PLR0913 - one simulation's settings, all keyword-only
    protocol: Protocol,
    endpoint: Endpoint,
    *,
    trials: int,
    seed: int,
    lost: float = 0.0,
    error: float = 0.0,
    belief: Belief = CERTAIN,
    spread_out: SpreadOut = map,
    progress: Callable[[int], None] | None = None,
) -> PlannedOutlook:
    """Whole trials of tanks of the model with the doses of the arms; effects are then what the model makes of them.

    Where anything is believed to be unsure, power is also averaged over the model's least known parameters.

    Raises
    ------
    AnalysisError
        The model does not hold such a trial; the sentence says why.
    """
    tanks, reading = tank_material(protocol, endpoint, lost=lost)
    result, *believed = (
        simulate(
            question_of(protocol, endpoint),
            TankTrials(drawn, reading),
            seed=seed,
            most=trials,
            error=error,
            chunk=TANK_CHUNK,
            spread_out=spread_out,
            progress=None if progress is None else _shifted(progress, turn * trials),
        )
        for turn, drawn in enumerate((tanks, replace(tanks, believe=True))[: 1 + belief.unsure])
    )
    return PlannedOutlook(
        (result.trials,) * len(result.contrasts),
        result.contrasts,
        tuple(one.power for averaged in believed for one in averaged.contrasts),
        result,
    )


def tank_material(
    protocol: Protocol, endpoint: Endpoint, *, lost: float = 0.0
) -> tuple[DosedTanks, ReadingPlan]:
    """The tanks of a protocol's trial under the model, and how they are read.

    Raises
    ------
    AnalysisError
        The model does not hold such a trial.
    """
    if protocol.design.kind is DesignKind.BEFORE_AFTER:
        raise AnalysisError("The tank model runs tanks that are compared with others, not a series of one.")
    if endpoint.variable not in VARIABLES or endpoint.summary is Summary.COUNT:
        raise AnalysisError(
            f"The tank model knows nitrate and phosphate as summaries of days, not {endpoint.id}."
        )
    if endpoint.summary is Summary.DAYS_TO_TARGET and endpoint.better is Better.HIGHER:
        raise AnalysisError(
            f"{endpoint.id}: carbon lowers nutrients, so the tank model reaches no target from below."
        )
    if BASELINE_PHASE not in protocol.phase_days:
        raise AnalysisError("The tank model needs a baseline phase before the first dose.")
    doses, unread = arm_doses(protocol)
    if unread:
        raise AnalysisError(" ".join(unread))
    if not any(dose.carbon for dose in doses):
        raise AnalysisError("No arm doses carbon, so the tank model has nothing to say.")
    baseline, dosed = protocol.phase_days[BASELINE_PHASE]
    assessed = tuple((day - dosed).days for day in protocol.phase_days[endpoint.phase])
    ramp = next((phase.days for phase in protocol.schedule.phases if phase.id == RAMP_PHASE), 28)
    tanks = DosedTanks(
        layout_of(protocol),
        liquid=tuple(dose.liquid for dose in doses),
        pellets=tuple(dose.model_pellets for dose in doses),
        baseline_days=(dosed - baseline).days,
        days=max(assessed[1], 1),
        nitrogen_per_carbon=tuple(dose.nitrogen_per_carbon for dose in doses),
        ramp_days=float(ramp),
        washout_days=protocol.design.washout_days or 0,
    )
    every = next((s.every_days for s in protocol.schedule.sampling if s.variable == endpoint.variable), 7)
    reading = ReadingPlan(
        assessed=(assessed[0], assessed[1]),
        variable=endpoint.variable,
        summary=endpoint.summary,
        scale=endpoint.scale,
        baseline=endpoint.baseline,
        every_days=every,
        kits={name: coarsest(described_kits(protocol, name), name) for name in VARIABLES},
        lost=lost,
        target=endpoint.target,
        held=endpoint.held,
        stop_limits=tuple(
            StopLimit(rule.variable, rule.below, rule.above, rule.consecutive)
            for rule in protocol.stop_rules
            if rule.variable in VARIABLES
        ),
    )
    return tanks, reading


def unmodelled_rules(protocol: Protocol) -> list[str]:
    """Variables of stop rules that the tank model does not know."""
    return sorted({rule.variable for rule in protocol.stop_rules} - set(VARIABLES))


def _shifted(progress: Callable[[int], None], done: int) -> Callable[[int], None]:
    return lambda trials: progress(done + trials)
