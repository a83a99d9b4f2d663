"""The designs around a protocol: more or fewer blocks, weeks, days and duplicates, with what each costs and shows."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.numerals import count, quantity
from analysis.search import (
    Calendar,
    Components,
    Prices,
    Space,
    cheapest,
    search_by_formula,
    search_by_tank_model,
)
from schemas.errors import AnalysisError, UsageError
from schemas.plain_words import listed, quoted
from schemas.protocol import BASELINE_PHASE, Planning
from schemas.vocabulary import DesignKind, Scale, Summary
from trials.planning import assumptions, layout_of
from trials.planning_kits import UNNAMED, costs_of_tests, described_kits, kit_names, reading_errors
from trials.planning_trials import arm_effects, question_of, tank_material
from trials.planning_words import percent

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from analysis.search import Found, SpreadOut
    from analysis.simulation import Question
    from schemas.protocol import Endpoint, Protocol

WANDER_SHARE, READING_SHARE = 0.08 / 0.35, 0.12 / 0.35
"""Of the standard deviation between tank numbers: a tank's wandering around its level, and one reading's error. For
nitrate on logarithms 0.08 and 0.12 beside 0.35: assumed for planning, no source."""
DAILY_MEMORY = 0.97
"""Correlation of a tank's wandering from one day to the next: assumed for planning."""
UNITS = {
    DesignKind.PARALLEL: "tanks an arm",
    DesignKind.BLOCKS: "blocks",
    DesignKind.INCOMPLETE_BLOCKS: "blocks",
    DesignKind.CROSSOVER: "tanks",
}
"""What the size of a design counts."""
USUAL_MINUTES = 10.0
"""Of a person's time for a reading: common practice, no source."""


@dataclass(frozen=True)
class Wishes:
    """What a search varies, and prices in any one currency.

    ``blocks`` counts tanks an arm in parallel arms; left empty, sizes around the protocol's own are tried. ``each`` counts
    tanks of an arm in a block; ``kits`` are those of the protocol for the endpoint's variable, all of them if left empty. A price of
    None is the protocol's own, or nothing where it has none; ``minutes`` is a person's time for one tank on one
    sampling day with one reading of each variable, and ten a reading where neither says.
    """

    blocks: tuple[int, ...] = ()
    weeks: tuple[int, ...] = (8, 12, 16)
    every_days: tuple[int, ...] = (7, 14)
    duplicates: tuple[int, ...] = (1, 2)
    each: tuple[int, ...] = (1,)
    kits: tuple[str, ...] = ()
    cost_kit: float | None = None
    cost_tank: float | None = None
    cost_tank_week: float | None = None
    cost_hour: float | None = None
    minutes: float | None = None


def prices_of(protocol: Protocol, endpoint: Endpoint, wishes: Wishes) -> Prices:
    """What is paid for: as wished, else as the protocol says of a kit and under ``[planning]``, else nothing."""
    own = protocol.planning or Planning()
    tests = costs_of_tests(protocol, endpoint.variable, own.cost_kit_test or 0.0)
    variables = max(1, len(protocol.schedule.sampling))
    minutes = _given(wishes.minutes, own.minutes_per_sampling, USUAL_MINUTES * variables)
    return Prices(
        tank=_given(wishes.cost_tank),
        tank_week=_given(wishes.cost_tank_week, own.cost_tank_week),
        reading={name: _given(wishes.cost_kit, cost) for name, cost in tests.items()},
        minutes=minutes / variables,
        hour=_given(wishes.cost_hour, own.cost_hour),
        variables=variables,
    )


def _given(wished: float | None, own: float | None = None, otherwise: float = 0.0) -> float:
    return wished if wished is not None else own if own is not None else otherwise


def space_of(protocol: Protocol, endpoint: Endpoint, wishes: Wishes) -> Space:
    """The designs to try, on the protocol's own baseline and waiting time.

    Raises
    ------
    AnalysisError
        The design is a before-after series, or has no baseline phase.
    UsageError
        A size below 1, or a sampling interval longer than a phase.
    """
    if protocol.design.kind is DesignKind.BEFORE_AFTER:
        raise AnalysisError("A before-after series is planned by itself; there are no designs to search.")
    if BASELINE_PHASE not in protocol.phase_days:
        raise AnalysisError("A search needs a baseline phase, from whose end the first dose is counted.")
    for name, values in (
        ("blocks", wishes.blocks or (1,)),
        ("weeks", wishes.weeks),
        ("sampling days", wishes.every_days),
        ("duplicates", wishes.duplicates),
        ("tanks of an arm in a block", wishes.each),
    ):
        if not values or min(values) < 1:
            raise UsageError(f"a search needs {name} of 1 or more.")
    if protocol.design.kind is not DesignKind.BLOCKS and wishes.each != (1,):
        raise UsageError(
            "--each counts tanks of an arm in complete blocks, which this design has not; vary --blocks."
        )
    kits = kit_names(protocol, endpoint.variable)
    strange = [name for name in wishes.kits if name not in kits]
    if strange:
        raise UsageError(
            f"{quoted(strange[0])} is no kit that the protocol has for {endpoint.variable}; it has {listed(kits, 'and')}."
        )
    baseline, dosed = protocol.phase_days[BASELINE_PHASE]
    waiting = (protocol.phase_days[endpoint.phase][0] - dosed).days
    if waiting < 0:
        raise AnalysisError(
            f"The phase {endpoint.phase} lies before the first dose; nothing can be searched."
        )
    layout = layout_of(protocol)
    own = len(layout.counts()) if layout.blocked else max(1, len(protocol.tanks) // len(protocol.arms))
    around = tuple(sorted({max(3, round(own * share)) for share in (0.5, 0.67, 0.83, 1, 1.25, 1.5, 2, 3)}))
    return Space(
        Calendar((dosed - baseline).days, waiting, protocol.n_periods, protocol.design.washout_days or 0),
        blocks=wishes.blocks or around,
        weeks=wishes.weeks,
        every_days=wishes.every_days,
        each=wishes.each,
        kits=wishes.kits or kits,
        duplicates=wishes.duplicates,
        prices=prices_of(protocol, endpoint, wishes),
    )


def search(
    protocol: Protocol,
    endpoint: Endpoint,
    wishes: Wishes,
    *,
    wanted: float = 0.8,
    correlation: float | None = None,
) -> tuple[Found, ...]:
    """Every design by formula, cheapest first, with the variance split as assumed above."""
    if endpoint.summary not in (Summary.MEAN, Summary.MEDIAN):
        raise AnalysisError(
            f"{endpoint.id}: a search by formula knows means over days only; search with --simulate."
        )
    assumed = assumptions(protocol, endpoint, correlation)
    if assumed.effect is None or assumed.sd is None:
        raise AnalysisError(f"{endpoint.id}: write effect and sd under [planning] to search designs.")
    space, question = space_of(protocol, endpoint, wishes), question_of(protocol, endpoint)
    own = next((s.every_days for s in protocol.schedule.sampling if s.variable == endpoint.variable), 7)
    first, after = protocol.phase_days[endpoint.phase]
    wander = WANDER_SHARE * assumed.sd
    reading = reading_errors(protocol, endpoint.variable, READING_SHARE * assumed.sd)
    worst = max(reading, key=lambda name: reading[name])
    days = max(1, (after - first).days)
    # What the protocol's own sampling leaves of wandering and reading errors; the rest lasts, tank by tank.
    passing = Components(0.0, wander, reading, DAILY_MEMORY).mean_variance(
        np.arange(0, days, own, dtype=float), worst, 1
    )
    components = Components(
        math.sqrt(max(assumed.sd**2 - passing, 0.0)),
        wander,
        reading,
        DAILY_MEMORY,
        lasting=assumed.correlation,
    )
    best = [
        search_by_formula(
            space,
            _only(question, pairs),
            effects,
            components,
            baseline=assumed.baseline,
            wanted=wanted,
        )
        for effects, pairs in arm_effects(protocol, assumed.effect)
    ]
    return _weakest(best)


def search_tanks(
    protocol: Protocol,
    endpoint: Endpoint,
    wishes: Wishes,
    *,
    seed: int,
    trials: int,
    spread_out: SpreadOut = map,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[Found, ...]:
    """Every design under the tank model with the arms' own doses, cheapest first; comparisons with a control only."""
    if protocol.design.kind is DesignKind.CROSSOVER:
        raise AnalysisError(
            "The periods of a crossover follow each other, so it is searched by formula; leave --simulate out."
        )
    space = space_of(protocol, endpoint, wishes)
    tanks, reading = tank_material(protocol, endpoint)
    pairs = arm_effects(protocol, 1.0)[0][1]
    return search_by_tank_model(
        space,
        _only(question_of(protocol, endpoint), pairs),
        tanks,
        reading,
        described_kits(protocol, endpoint.variable),
        seed=seed,
        trials=trials,
        spread_out=spread_out,
        progress=progress,
    )


def recommendation(
    protocol: Protocol, endpoint: Endpoint, found: Sequence[Found], wanted: float
) -> list[str]:
    """Which design to take, and what it could not show."""
    best = cheapest(found, wanted)
    unit = UNITS[protocol.design.kind]
    if best is None:
        most = max(found, key=lambda one: one.power.value)
        return [
            (
                f"None of the {count(len(found), 'design')} tried reaches {percent(wanted)} power; the best, "
                f"{design_words(most, unit)}, has {percent(most.power.value)}."
            )
        ]
    price = (
        f" for {quantity(best.cost.total, 4)}" if best.cost.total else " with the fewest tanks and readings"
    )
    lines = [
        (
            f"Cheapest design that reaches {percent(wanted)} power: {design_words(best, unit)}{price}: "
            f"{count(best.cost.tanks, 'tank')}, {quantity(best.cost.weeks)} weeks in all, "
            f"{count(best.cost.readings, 'reading')}, {quantity(best.cost.hours)} hours of reading."
        )
    ]
    if best.detectable is not None:
        size = (
            f"a ratio nearer to 1 than {quantity(math.exp(-best.detectable))}"
            if endpoint.scale is Scale.RATIO
            else f"a difference smaller than {quantity(best.detectable)}"
        )
        lines.append(f"What it could not show with that power: {size}.")
    else:
        lines.append(
            "What it could not show: an effect smaller than the one the tank model gives to these doses; another dose "
            "has another effect and another spread."
        )
    return lines


def design_words(found: Found, unit: str) -> str:
    """A design in words; ``unit`` names what its size counts."""
    size = found.size
    each = f" with {size.each} tanks of each arm" if size.each > 1 else ""
    kit = f" with {size.kit}" if size.kit != UNNAMED else ""
    return (
        f"{size.blocks} {unit}{each}, {size.weeks} weeks assessed, every "
        f"{size.every_days} days, {count(size.duplicates, 'reading')} a day{kit}"
    )


def _only(question: Question, pairs: tuple[tuple[str, str], ...]) -> Question:
    """The question of some comparisons, sharing the error rate with as many as before."""
    shared = max(question.family or 0, len(question.contrasts))
    return replace(question, contrasts=pairs, family=question.family and shared)


def _weakest(searches: Sequence[Sequence[Found]]) -> tuple[Found, ...]:
    """Of every design the comparison with the least power, in the order of the first search."""
    by_size = [{one.size: one for one in found} for found in searches]
    return tuple(
        min((found[one.size] for found in by_size), key=lambda found: found.power.value)
        for one in searches[0]
    )
