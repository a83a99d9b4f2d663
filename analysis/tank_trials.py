"""What a trial sees of its tanks: kits, sampling days, what is missed and lost, and the number each tank becomes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from analysis.dosed_tanks import VARIABLES
from analysis.observation import NITRATE_PHOTOMETER, PHOSPHATE_PHOTOMETER, draw_bias, observe
from analysis.simulation import Drawn
from analysis.summaries import Series
from analysis.time_to_target import common_horizon, restricted_times, target_time
from analysis.vectorised import summarise_many
from schemas.chemistry import molar_mass
from schemas.errors import AnalysisError
from schemas.vocabulary import Baseline, Scale, Summary

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from analysis.dosed_tanks import Courses, DosedTanks
    from analysis.observation import KitErrors
    from analysis.precision import Layout
    from analysis.time_to_target import TargetTime

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]

NITRITE_PER_N = molar_mass("NO2") / molar_mass("N")


@dataclass(frozen=True)
class StopLimit:
    """A stop rule on readings: below or above a limit on so many sampling days in a row."""

    variable: str
    below: float | None = None
    above: float | None = None
    consecutive: int = 1


def _usual_kits() -> dict[str, KitErrors]:
    return {"nitrate": NITRATE_PHOTOMETER, "phosphate": PHOSPHATE_PHOTOMETER}


@dataclass(frozen=True)
class ReadingPlan:
    """How tanks are read and what becomes of the readings.

    Parameters
    ----------
    assessed : (int, int)
        First day of the endpoint's phase and the day after its last, counted from the first dose.
    variable : str
        ``nitrate`` or ``phosphate``.
    summary, scale, baseline
        The endpoint's.
    every_days : int
        Between sampling days, counted from the first day of the trial.
    kits : mapping of str to KitErrors
        How each variable is read.
    duplicates : int
        Readings a sampling day, averaged.
    missed, lost : float
        Probability that a sampling day is missed, and that a tank ends without a number.
    nitrite_share : float
        Share of the nitrogen denitrified in a day that stands as nitrite; it disturbs kits that count it.
    stop_limits : tuple of StopLimit
        Counted from the first dose on.
    target, held : float or None, int
        Of days to target: met at or below it (the model's nutrients are better lower) on so many days in a row.
    """

    assessed: tuple[int, int]
    variable: str = "nitrate"
    summary: Summary = Summary.MEAN
    scale: Scale = Scale.RATIO
    baseline: Baseline = Baseline.ADJUST
    every_days: int = 7
    kits: Mapping[str, KitErrors] = field(default_factory=_usual_kits)
    duplicates: int = 1
    missed: float = 0.0
    lost: float = 0.0
    nitrite_share: float = 0.0
    stop_limits: tuple[StopLimit, ...] = ()
    target: float | None = None
    held: int = 1

    def drawn(
        self, layout: Layout, courses: Courses, rng: np.random.Generator, *, null: bool = True
    ) -> Drawn:
        """The trials as they are analysed, with undosed tanks (if asked for) read with the same luck as dosed ones."""
        days = np.arange(courses.first_day, courses.first_day + len(courses.denitrified))
        rows = np.arange(0, len(days), self.every_days)
        day = days[rows].astype(float)
        inside = (day >= self.assessed[0]) & (day < self.assessed[1])
        if not inside.any() or not (day < 0).any():
            raise AnalysisError(
                "The plan has no sampling day in the baseline or in the phase that is assessed."
            )
        seed = int(rng.integers(2**63))
        trials, tanks = courses.denitrified.shape[1:]
        missed = rng.random((len(rows), trials, tanks)) < self.missed
        lost = rng.random((trials, tanks)) < self.lost
        nitrite = self.nitrite_share * NITRITE_PER_N * courses.denitrified[rows]
        seen = {
            name: self._read(layout, name, courses.dosed[name][rows], nitrite, seed, missed)
            for name in {self.variable, *(limit.variable for limit in self.stop_limits)}
        }
        y, x = self._numbers(layout, np.where(lost, np.nan, seen[self.variable]), day, inside)
        null_y = null_x = None
        if null:
            undosed = courses.undosed[self.variable][rows]
            unseen = self._read(layout, self.variable, undosed, np.zeros_like(nitrite), seed, missed)
            null_y, null_x = self._numbers(layout, np.where(lost, np.nan, unseen), day, inside)
        true = courses.dosed if courses.alone is None else courses.alone
        truth, _ = self._numbers(layout, true[self.variable][rows], day, inside)
        undosed, _ = self._numbers(layout, courses.undosed[self.variable][rows], day, inside)
        effects = np.stack(
            [(truth - undosed)[:, layout.arm == arm].mean(axis=1) for arm in range(len(layout.arms))], axis=1
        )
        harms = dict(courses.harms)
        if self.stop_limits:
            harms["stop rule met"] = self._stopped(seen, day).astype(float)
        return Drawn(y, x, effects, null_y, null_x, harms)

    def _read(
        self, layout: Layout, variable: str, true: Floats, nitrite: Floats, seed: int, missed: Bools
    ) -> Floats:
        """Readings of one variable; a tester a block, or a tank in parallel arms, with a lasting bias."""
        kit = self.kits[variable]
        rng = np.random.default_rng([VARIABLES.index(variable), seed])
        tester = layout.block if layout.blocked else np.arange(len(layout.arm))
        bias = draw_bias(kit, rng, (true.shape[1], int(tester.max()) + 1))[:, tester]
        total = np.zeros_like(true)
        for _ in range(self.duplicates):
            seen = observe(true, kit, rng, bias=bias, nitrite=nitrite)
            # A reading below the limit enters at the middle of what it can be, as in the analysis.
            total += np.where(seen.below, seen.value / 2, seen.value)
        return np.where(missed, np.nan, total / self.duplicates)

    def _numbers(
        self, layout: Layout, values: Floats, day: Floats, inside: Bools
    ) -> tuple[Floats, Floats | None]:
        """The number analysed and the baseline covariate of each tank, as the registered analysis has them."""
        if self.summary is Summary.DAYS_TO_TARGET:
            return self._days_to_target(layout, values[inside], day[inside] - self.assessed[0]), None
        y = summarise_many(values[inside], day[inside], self.summary)
        kinds = {Summary.MEDIAN: Summary.MEDIAN, Summary.SLOPE: Summary.SLOPE}
        x = summarise_many(values[day < 0], day[day < 0], kinds.get(self.summary, Summary.MEAN))
        if self.scale is Scale.RATIO:
            with np.errstate(invalid="ignore", divide="ignore"):
                y, x = (np.where(number > 0, np.log(number), np.nan) for number in (y, x))
        if self.baseline is Baseline.CHANGE:
            if self.summary is Summary.AUC and self.scale is Scale.DIFFERENCE:
                read = np.where(np.isnan(values[inside]), np.nan, day[inside, None, None])
                x = x * summarise_many(read, day[inside], Summary.CHANGE)
            return y - x, None
        if self.baseline is Baseline.ADJUST:
            return np.where(np.isnan(x), np.nan, y), x
        return y, None

    def _stopped(self, seen: Mapping[str, Floats], day: Floats) -> Bools:
        """Tanks that meet a stop rule on any sampling day from the first dose on."""
        met = np.zeros(next(iter(seen.values())).shape[1:], dtype=bool)
        for limit in self.stop_limits:
            values = seen[limit.variable][day >= 0]
            run = np.zeros(met.shape, dtype=np.int64)
            for row in values:
                beyond = np.zeros(met.shape, dtype=bool)
                if limit.below is not None:
                    beyond |= row < limit.below
                if limit.above is not None:
                    beyond |= row > limit.above
                # A missed day neither meets the rule nor breaks a run.
                run = np.where(np.isnan(row), run, np.where(beyond, run + 1, 0))
                met |= run >= limit.consecutive
        return met

    def _days_to_target(self, layout: Layout, values: Floats, day: Floats) -> Floats:
        """Restricted days to target, trial by trial as the registered analysis has them; NaN for a tank never read."""
        numbers = np.full(values.shape[1:], np.nan)
        for trial in range(values.shape[1]):
            tanks = values[:, trial].T
            read = np.flatnonzero(np.isfinite(tanks).any(axis=1))
            if not len(read):
                continue
            times = [self._reached(tanks[tank], day) for tank in read]
            at = np.array([time.day for time in times])
            reached = np.array([time.reached for time in times])
            arm = layout.arm[read]
            horizon = common_horizon(at, reached, arm)
            numbers[trial, read] = restricted_times(at, reached, arm, horizon).values
        return numbers

    def _reached(self, values: Floats, day: Floats) -> TargetTime:
        seen = np.isfinite(values)
        own = values[seen]
        series = Series(day[seen], own, own, own, len(own), 0)
        return target_time(series, self.target or 0.0, held=self.held, downwards=True)


@dataclass(frozen=True)
class TankTrials:
    """Trials of dosed tanks, read as planned."""

    tanks: DosedTanks
    reading: ReadingPlan

    def draw(self, rng: np.random.Generator, number: int) -> Drawn:
        """So many trials; tanks and readings have streams of their own."""
        tanks, readings = rng.spawn(2)
        return self.reading.drawn(self.tanks.layout, self.tanks.courses(tanks, number), readings)
