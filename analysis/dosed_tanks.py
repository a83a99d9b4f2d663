"""Many trials' tanks under the tank model, each run with its carbon and again without, all else alike.

So the true effect of an arm is what the carbon did to its own tanks, and the undosed runs show what an analysis
makes of a trial in which nothing works. For planning, never evidence: the model's parameters are assumed.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from analysis.tank_model import Dosing, run
from analysis.tank_parameters import TankParameters, feed_wobble, vary

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from analysis.precision import Layout
    from analysis.tank_model import Course

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]

VARIABLES = ("nitrate", "phosphate")
LOW_PHOSPHATE = 0.03
"""mg/L, below which a dose is held: common practice, no source."""
STALL_WINDOW, STALL_FALL = 14, 0.5
"""A tank stalls while carbon is dosed, phosphate is low, and nitrate fell by less than this (mg/L) over so many days:
assumed, about what a kit can tell."""


@dataclass(frozen=True)
class Courses:
    """True concentrations; arrays of shape (days, trials, tanks), row 0 being day ``first_day``; day 0 is the first dose.

    Parameters
    ----------
    first_day : int
    dosed, undosed : mapping of str to float array
        By variable, mg/L of the ion: as the arms have it, and the same tanks without carbon.
    denitrified, unused_carbon : float array
        mg N/L and mg C/L in the day.
    treated : bool array, (tanks,)
        Tanks whose arm is given carbon.
    alone : mapping of str to float array, optional
        In a crossover, as ``dosed`` had the tank had no carbon in any other period: nothing is carried over.
    """

    first_day: int
    dosed: Mapping[str, Floats]
    undosed: Mapping[str, Floats]
    denitrified: Floats
    unused_carbon: Floats
    treated: Bools
    alone: Mapping[str, Floats] | None = None

    def only(self, tanks: Ints, days: int) -> Courses:
        """Some of the tanks, and the first so many rows."""
        leading = np.array_equal(tanks, np.arange(len(tanks)))
        chosen = slice(len(tanks)) if leading else tanks
        return Courses(
            self.first_day,
            {name: values[:days, :, chosen] for name, values in self.dosed.items()},
            {name: values[:days, :, chosen] for name, values in self.undosed.items()},
            self.denitrified[:days, :, chosen],
            self.unused_carbon[:days, :, chosen],
            self.treated[chosen],
        )

    @cached_property
    def harms(self) -> Mapping[str, Floats]:
        """Days a tank with low phosphate and with a stall, and carbon left unused (mg C/L), from the first dose on."""
        start = -self.first_day
        low = self.dosed["phosphate"][start:] < LOW_PHOSPHATE
        nitrate = self.dosed["nitrate"]
        fallen = np.full(low.shape, np.inf)
        fallen[STALL_WINDOW:] = nitrate[start:-STALL_WINDOW] - nitrate[start + STALL_WINDOW :]
        stalled = low & (fallen < STALL_FALL) & self.treated
        return {
            "days of low phosphate": low.sum(axis=0).astype(float),
            "stall days": stalled.sum(axis=0).astype(float),
            "unused carbon": self.unused_carbon[start:].sum(axis=0),
        }


@dataclass(frozen=True)
class DosedTanks:
    """The tanks of a trial of carbon dosing, in parallel arms, blocks or a crossover.

    Parameters
    ----------
    layout : Layout
    liquid, pellets : tuple of float
        Full dose of each arm: mg C/L/d, and mg/L standing.
    baseline_days, days : int
        Before the first dose, and from it to the end; of each period of a crossover.
    tank : TankParameters
        The tank around which tanks vary.
    nitrogen_per_carbon : tuple of float, optional
        Of each arm, g N/g C, in place of the tank's own.
    within, spread : float
        As in ``tank_parameters.vary``. Tanks of parallel arms are unrelated.
    feed_shared : float
        Share of the variance of the feed's wobble that the tanks of a block have in common: one hand feeds them.
    believe : bool
        Draw the model's least known parameters anew for each trial, see :func:`believed`.
    ramp_days : float
        From a third of the full dose to all of it.
    washout_days : int
        Between two periods of a crossover, without carbon as the baseline days are.
    steps_per_day : int
        Of the model; four are within 0.03 mg/L nitrate of many.
    """

    layout: Layout
    liquid: tuple[float, ...]
    pellets: tuple[float, ...]
    baseline_days: int
    days: int
    tank: TankParameters = field(default_factory=TankParameters)
    nitrogen_per_carbon: tuple[float, ...] | None = None
    within: float = 0.5
    spread: float = 1.0
    feed_shared: float = 0.8
    believe: bool = False
    ramp_days: float = 30.0
    washout_days: int = 0
    steps_per_day: int = 4

    def courses(self, rng: np.random.Generator, trials: int) -> Courses:
        """Run the tanks of so many trials.

        In a crossover the columns are those of the layout, a tank under each of its arms, and the days count from
        the first dose of that period; periods follow each other with the washout between.
        """
        block, place = self._places()
        shape = (trials, int(block.max()) + 1, int(place.max()) + 1)
        base = believed(self.tank, rng, trials) if self.believe else self.tank
        varied = vary(base, rng, shape, within=self.within, spread=self.spread)
        tank = replace(
            varied,
            **{
                name: np.broadcast_to(value, shape)[:, block, place]
                for name, value in vars(varied).items()
                if np.ndim(value)
            },
        )
        days = self.period_days * self.periods + self.washout_days * (self.periods - 1)
        shared = feed_wobble(rng, days, (trials, shape[1]))
        own = feed_wobble(rng, days, (trials, len(block)))
        wobble = np.maximum(
            np.sqrt(self.feed_shared) * shared[:, :, block] + np.sqrt(1 - self.feed_shared) * own, -1.0
        )
        undosed = self._run(tank, (), days, wobble)
        if self.layout.period is None:
            dosed = self._run(tank, [(0, self._dosing(self.layout.arm))], days, wobble)
            alone = None
        else:
            given = [self._in_period(period) for period in range(self.periods)]
            dosed = self._run(tank, [change for period in given for change in period], days, wobble)
            apart = [self._run(tank, period, days, wobble) for period in given]
            alone = {name: self._columns([getattr(one, name) for one in apart]) for name in VARIABLES}
        return Courses(
            first_day=-self.baseline_days,
            dosed={name: self._columns([getattr(dosed, name)]) for name in VARIABLES},
            undosed={name: self._columns([getattr(undosed, name)]) for name in VARIABLES},
            denitrified=self._columns([dosed.denitrified]),
            unused_carbon=self._columns([dosed.unused_carbon]),
            treated=(np.asarray(self.liquid) > 0)[self.layout.arm]
            | (np.asarray(self.pellets) > 0)[self.layout.arm],
            alone=alone,
        )

    @property
    def periods(self) -> int:
        """Periods of a crossover; 1 in other designs."""
        return 1 if self.layout.period is None else int(self._turns.max()) + 1

    @property
    def _turns(self) -> Ints:
        """Which of its tank's periods each column of a crossover is, whatever cohort the tank belongs to."""
        return _places(self.layout.block)

    @property
    def period_days(self) -> int:
        """Days of a period, or of a trial that has no more."""
        return self.baseline_days + self.days

    def _places(self) -> tuple[Ints, Ints]:
        """Block of each tank and its place in it; tanks of parallel arms and of a crossover are blocks of their own."""
        layout = self.layout
        if layout.period is not None:
            block = np.arange(int(layout.block.max()) + 1)
        else:
            block = layout.block if layout.blocked else np.arange(len(layout.arm))
        return block, _places(block)

    def _dosing(self, arm: Ints) -> Dosing:
        """The full doses of tanks whose arms are given."""
        own = self.nitrogen_per_carbon
        return Dosing(
            np.asarray(self.liquid)[arm],
            np.asarray(self.pellets)[arm],
            self.ramp_days,
            nitrogen_per_carbon=None if own is None else np.asarray(own)[arm],
        )

    def _in_period(self, period: int) -> list[tuple[int, Dosing]]:
        """The doses of a period from its first day of dosing, and none from its end."""
        layout = self.layout
        begins = period * (self.period_days + self.washout_days)
        rows = np.flatnonzero(self._turns == period)
        given = self._dosing(layout.arm[rows])
        tanks = np.zeros(int(layout.block.max()) + 1)
        liquid, pellets, nitrogen = (
            tanks.copy(),
            tanks.copy(),
            tanks + np.asarray(self.tank.nitrogen_per_carbon),
        )
        liquid[layout.block[rows]], pellets[layout.block[rows]] = given.liquid, given.pellets
        if given.nitrogen_per_carbon is not None:
            nitrogen[layout.block[rows]] = given.nitrogen_per_carbon
        dosing = replace(given, liquid=liquid, pellets=pellets, nitrogen_per_carbon=nitrogen)
        return [(begins, dosing), (begins + self.days, Dosing())]

    def _columns(self, runs: list[Floats]) -> Floats:
        """Courses by the layout's columns; of a crossover each column from the run of its own period, if there are several."""
        layout = self.layout
        if layout.period is None:
            return runs[0]
        step = self.period_days + self.washout_days
        columns = [
            runs[period if len(runs) > 1 else 0][period * step : period * step + self.period_days, :, tank]
            for period, tank in zip(self._turns.tolist(), layout.block.tolist(), strict=True)
        ]
        return np.stack(columns, axis=2)

    def _run(
        self, tank: TankParameters, changes: Sequence[tuple[int, Dosing]], days: int, wobble: Floats
    ) -> Course:
        return run(
            tank,
            Dosing(),
            days,
            first_day=-self.baseline_days,
            changes=changes,
            wobble=wobble,
            steps_per_day=self.steps_per_day,
        )


def believed(tank: TankParameters, rng: np.random.Generator, trials: int) -> TankParameters:
    """A tank for each trial, its least known parameters drawn from what may be believed of them.

    Growth efficiency 0.1 to 0.5 (mode 0.3), C:P of cells 45 to 106 (mode 50), wear of pellets 0.0005 to 0.006 a day
    (mode 0.0035), all triangular; the share of carbon spent without oxygen, the key unknown, within a factor of
    about two (lognormal, CV 0.4). Assumed for planning; the ranges are those of published values and common practice.
    Fields have shape (trials, 1, 1).
    """
    shape = (trials, 1, 1)
    sd = np.sqrt(np.log1p(0.4**2))
    anoxic = np.exp(sd * rng.standard_normal(shape) - sd**2 / 2)
    return replace(
        tank,
        growth_yield=rng.triangular(0.1, 0.3, 0.5, shape),
        cell_c_to_p=rng.triangular(45.0, 50.0, 106.0, shape),
        pellet_rate=rng.triangular(0.0005, 0.0035, 0.006, shape),
        liquid_anoxic=np.minimum(tank.liquid_anoxic * anoxic, 1.0),
        solid_anoxic=np.minimum(tank.solid_anoxic * anoxic, 1.0),
    )


def _places(block: Ints) -> Ints:
    """Number of each tank within its block, from 0, in the order of the layout."""
    seen: dict[int, int] = {}
    places = []
    for code in block.tolist():
        places.append(seen.get(code, 0))
        seen[code] = places[-1] + 1
    return np.array(places)
