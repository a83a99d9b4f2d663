"""The cheapest trial that would show what it should: designs, what each costs, and the power of each.

Power comes from the formula (with the variance split into what more tanks, more days and more readings each can
lessen) or from the tank model. There the largest design is run once and every smaller one is read off the same
tanks, so that two hundred designs cost little more than one, and differ by design and not by luck.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from analysis.power import bar, detectable, half_width, power
from analysis.precision import complete_blocks, parallel, precision
from analysis.simulation import Simulated, Tally, outlook, tally
from schemas.errors import AnalysisError
from schemas.vocabulary import Baseline

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from analysis.dosed_tanks import DosedTanks
    from analysis.observation import KitErrors
    from analysis.precision import Layout
    from analysis.simulation import Outlook, Question
    from analysis.tank_trials import ReadingPlan

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Tallies = tuple[Tally, ...]
    SpreadOut = Callable[[Callable[[int], Tallies], Iterable[int]], Iterable[Tallies]]


@dataclass(frozen=True, order=True)
class Size:
    """One design of a search.

    Parameters
    ----------
    blocks : int
        Blocks; in parallel arms the tanks of an arm.
    each : int
        Tanks of an arm in a block; 1 in parallel arms.
    weeks : int
        Of the phase that is assessed.
    every_days : int
        Between sampling days.
    kit : str
        Name of a kit.
    duplicates : int
        Readings a sampling day.
    """

    blocks: int
    each: int = 1
    weeks: int = 12
    every_days: int = 7
    kit: str = ""
    duplicates: int = 1


@dataclass(frozen=True)
class Calendar:
    """Days before the first dose, and from it to the phase that is assessed (ramp and colonisation).

    In a crossover they come again in each of the ``periods``, with ``washout_days`` between two.
    """

    baseline_days: int
    waiting_days: int
    periods: int = 1
    washout_days: int = 0

    def days(self, weeks: int) -> int:
        """Days of a whole trial."""
        return self.periods * self.period_days(weeks) + (self.periods - 1) * self.washout_days

    def period_days(self, weeks: int) -> int:
        """Days of one period, or of a trial that has no more."""
        return self.baseline_days + self.waiting_days + 7 * weeks

    def sampled(self, size: Size) -> tuple[Floats, Floats]:
        """Sampling days in the baseline and in the phase assessed, counted from the first dose."""
        day = np.arange(-self.baseline_days, self.waiting_days + 7 * size.weeks, size.every_days, dtype=float)
        return day[day < 0], day[day >= self.waiting_days]


@dataclass(frozen=True)
class Prices:
    """What a trial costs, in any one currency.

    Parameters
    ----------
    tank, tank_week : float
        To set up a tank, and to keep it for a week.
    reading : mapping of str to float
        Of each kit; kits left out cost nothing.
    minutes : float
        A person's time for a reading.
    hour : float
        Of that time.
    variables : int
        Variables read on a sampling day.
    """

    tank: float = 0.0
    tank_week: float = 0.0
    reading: Mapping[str, float] = field(default_factory=dict)
    minutes: float = 10.0
    hour: float = 0.0
    variables: int = 1


@dataclass(frozen=True)
class Cost:
    """What one design takes."""

    tanks: int
    weeks: float
    readings: int
    hours: float
    total: float


@dataclass(frozen=True)
class Space:
    """What is searched: every combination of these, on one calendar and at one list of prices."""

    calendar: Calendar
    blocks: tuple[int, ...]
    each: tuple[int, ...] = (1,)
    weeks: tuple[int, ...] = (12,)
    every_days: tuple[int, ...] = (7,)
    kits: tuple[str, ...] = ("",)
    duplicates: tuple[int, ...] = (1,)
    prices: Prices = field(default_factory=Prices)

    def sizes(self) -> tuple[Size, ...]:
        """All designs, the smallest first."""
        if not all((self.blocks, self.each, self.weeks, self.every_days, self.kits, self.duplicates)):
            raise AnalysisError("A search needs at least one value of everything it varies.")
        return tuple(
            Size(*values)
            for values in product(
                self.blocks, self.each, self.weeks, self.every_days, self.kits, self.duplicates
            )
        )

    def cost(self, size: Size, tanks: int) -> Cost:
        """What a design of so many tanks takes: each is read on every sampling day, a washout left out."""
        days = self.calendar.days(size.weeks)
        visits = self.calendar.periods * len(range(0, self.calendar.period_days(size.weeks), size.every_days))
        prices = self.prices
        readings = tanks * visits * size.duplicates * prices.variables
        hours = readings * prices.minutes / 60
        total = (
            tanks * (prices.tank + prices.tank_week * days / 7)
            + readings * prices.reading.get(size.kit, 0.0)
            + hours * prices.hour
        )
        return Cost(tanks, days / 7, readings, hours, total)


@dataclass(frozen=True)
class Found:
    """One design with its cost and what it would show.

    Parameters
    ----------
    power : Simulated
        Of the contrast with the least; the error is 0 by the formula.
    half_width : float
        Of that contrast's interval, expected, working scale.
    detectable : float or None
        The smallest difference that contrast would show with the wished power; None under the tank model, where a
        smaller effect is another dose with another spread.
    outlook : Outlook or None
        The whole simulation.
    """

    size: Size
    cost: Cost
    power: Simulated
    half_width: float
    detectable: float | None
    outlook: Outlook | None = None


@dataclass(frozen=True)
class Components:
    """Where the variance between tank numbers comes from, standard deviations on the working scale.

    Parameters
    ----------
    tank : float
        Lasting differences between tanks of one block: more tanks alone lessen them.
    wander : float
        Of a tank around its own level from day to day, with a correlation of ``memory`` one day apart: more days,
        spread wide, lessen it.
    reading : mapping of str to float
        Of a single reading by each kit: days and duplicates lessen it.
    memory : float
    lasting : float
        Correlation of a tank's level in the baseline with its level when assessed.
    """

    tank: float
    wander: float = 0.0
    reading: Mapping[str, float] = field(default_factory=dict)
    memory: float = 0.9
    lasting: float = 0.0

    def mean_variance(self, day: Floats, kit: str, duplicates: int) -> float:
        """Variance of a tank's mean over sampling days."""
        apart = np.abs(day[:, None] - day)
        wandering = self.wander**2 * float(np.mean(self.memory**apart))
        return self.tank**2 + wandering + self.reading.get(kit, 0.0) ** 2 / (len(day) * duplicates)

    def spread(self, calendar: Calendar, size: Size, baseline: Baseline) -> tuple[float, float, Baseline]:
        """Standard deviation of what is analysed, its correlation with the baseline, and how that enters the formula."""
        before, after = calendar.sampled(size)
        if not len(after) or (baseline is not Baseline.NONE and not len(before)):
            raise AnalysisError(
                f"Sampling every {size.every_days} days leaves a phase without a sampling day."
            )
        y = self.mean_variance(after, size.kit, size.duplicates)
        if baseline is Baseline.NONE:
            return math.sqrt(y), 0.0, baseline
        x = self.mean_variance(before, size.kit, size.duplicates)
        apart = np.abs(after[:, None] - before)
        shared = self.lasting * self.tank**2 + self.wander**2 * float(np.mean(self.memory**apart))
        if baseline is Baseline.CHANGE:
            return math.sqrt(y + x - 2 * shared), 0.0, Baseline.NONE
        return math.sqrt(y), shared / math.sqrt(x * y), baseline


def layout_of(like: Layout, size: Size) -> Layout:
    """The layout of a design of the make of another: its incomplete blocks and sequences are taken in turn."""
    if not like.blocked:
        return parallel(like.arms, [size.blocks * size.each] * len(like.arms))
    if like.period is None and like.counts().all():
        return complete_blocks(like.arms, size.blocks, size.each)
    return like.cycled(size.blocks)


def tanks_of(layout: Layout) -> int:
    """How many tanks a layout has: in a crossover a tank gives a number in each period."""
    return len(layout.arm) if layout.period is None else len(np.unique(layout.block))


def search_by_formula(
    space: Space,
    question: Question,
    effects: Sequence[float],
    components: Components,
    *,
    baseline: Baseline = Baseline.NONE,
    wanted: float = 0.8,
) -> tuple[Found, ...]:
    """Every design of a space by the formula, cheapest first.

    Parameters
    ----------
    question : Question
        Its layout gives the arms and how they are blocked; its size does not matter.
    effects : sequence of float
        True effect of each arm, working scale.
    components : Components
    baseline : Baseline
    wanted : float
        The power that ``detectable`` is for.

    Returns
    -------
    tuple of Found
        Designs too small for any error to be judged have power 0.
    """
    arms = question.layout.arms
    found = []
    for size in space.sizes():
        layout = layout_of(question.layout, size)
        cost = space.cost(size, tanks_of(layout))
        sd, correlation, enters = components.spread(space.calendar, size, baseline)
        try:
            known = [
                precision(
                    layout, *pair, sd, variance=question.variance, baseline=enters, correlation=correlation
                )
                for pair in question.contrasts
            ]
        except AnalysisError:
            found.append(Found(size, cost, Simulated(0.0, 0.0), math.inf, None))
            continue
        bars = [
            bar(
                question.alpha,
                question.multiplicity,
                layout,
                question.contrasts,
                one.df,
                family=question.family or 0,
            )
            for one in known
        ]
        chances = [
            power(
                effects[arms.index(test)] - effects[arms.index(reference)],
                one,
                over.alpha,
                critical=over.critical,
            )
            for (test, reference), one, over in zip(question.contrasts, known, bars, strict=True)
        ]
        at = int(np.argmin(chances))
        shown = detectable(wanted, known[at], bars[at].alpha, critical=bars[at].critical)
        width = half_width(known[at], question.alpha)
        found.append(Found(size, cost, Simulated(chances[at], 0.0), width, shown))
    return tuple(sorted(found, key=_cheapest_first))


def search_by_tank_model(  # noqa: PLR0913 - one search's settings, all keyword-only
    space: Space,
    question: Question,
    tanks: DosedTanks,
    reading: ReadingPlan,
    kits: Mapping[str, KitErrors],
    *,
    seed: int,
    trials: int = 1000,
    chunk: int = 50,
    spread_out: SpreadOut = map,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[Found, ...]:
    """Every design of a space by simulation under the tank model, cheapest first.

    Parameters
    ----------
    question, tanks, reading
        Arms, doses, endpoint and analysis; their layout, days, kit and sampling are those of each design in turn.
    kits : mapping of str to KitErrors
        How the endpoint's variable is read, by the names in the space.
    seed, trials, chunk, spread_out
        As in ``simulation.simulate``; every design is tried on the same trials.
    progress : callable, optional
        Told the trials done and the trials in all.
    """
    sizes = space.sizes()
    missing = sorted({size.kit for size in sizes} - set(kits))
    if missing:
        raise AnalysisError(
            f"No kit is described by the name {missing[0]}; described: {', '.join(kits) or 'none'}."
        )
    largest = Size(max(space.blocks), max(space.each), max(space.weeks))
    big = replace(
        tanks,
        layout=layout_of(question.layout, largest),
        baseline_days=space.calendar.baseline_days,
        days=space.calendar.waiting_days + 7 * largest.weeks,
    )
    plans = tuple(
        _Planned(
            replace(question, layout=layout_of(question.layout, size)),
            replace(
                reading,
                assessed=(space.calendar.waiting_days, space.calendar.waiting_days + 7 * size.weeks),
                every_days=size.every_days,
                duplicates=size.duplicates,
                kits={**reading.kits, reading.variable: kits[size.kit]},
            ),
            _part(big.layout, size),
            space.calendar.days(size.weeks),
        )
        for size in sizes
    )
    counts = [min(chunk, trials - start) for start in range(0, trials, chunk)]
    sums: Tallies | None = None
    done = 0
    for part in spread_out(partial(_search_chunk, big, plans, seed, tuple(counts)), range(len(counts))):
        sums = part if sums is None else tuple(a + b for a, b in zip(sums, part, strict=True))
        done += part[0].trials
        if progress is not None:
            progress(done, trials)
    if sums is None:
        raise AnalysisError("A search by simulation needs at least one trial.")
    found = [
        _simulated(size, space.cost(size, tanks_of(plan.question.layout)), outlook(plan.question, part))
        for size, plan, part in zip(sizes, plans, sums, strict=True)
    ]
    return tuple(sorted(found, key=_cheapest_first))


def cheapest(found: Sequence[Found], wanted: float) -> Found | None:
    """The cheapest design whose power, less two Monte Carlo errors, reaches what is wished; None if none does."""
    reaching = [one for one in found if one.power.value - 2 * one.power.se >= wanted]
    return min(reaching, key=_cheapest_first, default=None)


def grid(
    found: Sequence[Found], rows: str, columns: str
) -> tuple[tuple[int | str, ...], tuple[int | str, ...], Floats]:
    """Best power over all else, for a heat map: values of two of a size's fields, and a table of (rows, columns)."""
    down, across = (tuple(sorted({getattr(one.size, name) for one in found})) for name in (rows, columns))
    table = np.full((len(down), len(across)), np.nan)
    for one in found:
        place = down.index(getattr(one.size, rows)), across.index(getattr(one.size, columns))
        table[place] = np.fmax(table[place], one.power.value)
    return down, across, table


@dataclass(frozen=True)
class _Planned:
    question: Question
    reading: ReadingPlan
    tanks: Ints
    days: int


def _part(layout: Layout, size: Size) -> Ints:
    """Places of a smaller design's tanks among those of the largest, in the order of its own layout."""
    copy = np.zeros(len(layout.arm), dtype=np.int64)
    seen: dict[tuple[int, int], int] = {}
    for place, key in enumerate(zip(layout.block.tolist(), layout.arm.tolist(), strict=True)):
        copy[place] = seen.get(key, 0)
        seen[key] = int(copy[place]) + 1
    if layout.blocked:
        return np.flatnonzero((layout.block < size.blocks) & (copy < size.each))
    return np.flatnonzero(copy < size.blocks * size.each)


def _search_chunk(
    tanks: DosedTanks, plans: tuple[_Planned, ...], seed: int, counts: tuple[int, ...], number: int
) -> Tallies:
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(number,)))
    first, *streams = rng.spawn(1 + len(plans))
    courses = tanks.courses(first, counts[number])
    tallies = []
    part, held = courses, b""
    for plan, stream in zip(plans, streams, strict=True):
        key = plan.tanks.tobytes() + plan.days.to_bytes(4)
        if key != held:
            part, held = courses.only(plan.tanks, plan.days), key
        seen = plan.reading.drawn(plan.question.layout, part, stream, null=False)
        tallies.append(tally(plan.question, seen))
    return tuple(tallies)


def _simulated(size: Size, cost: Cost, result: Outlook) -> Found:
    weakest = min(result.contrasts, key=lambda contrast: contrast.power.value)
    width = weakest.half_width.value
    return Found(size, cost, weakest.power, width if math.isfinite(width) else math.inf, None, result)


def _cheapest_first(found: Found) -> tuple[float, int, int, float, Size]:
    """By cost; where prices do not tell, by tanks, readings and power."""
    return (found.cost.total, found.cost.tanks, found.cost.readings, -found.power.value, found.size)
