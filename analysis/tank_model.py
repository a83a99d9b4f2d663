"""Nitrate and phosphate of a tank under liquid or solid carbon, day by day: for planning, never as evidence.

A mass balance with a few assumed rates: feed in; water changes, background sinks, bacterial growth and
denitrification out; phosphate held back and given off by rock. Growth on the dosed carbon takes nitrogen and
phosphorus together (Monod, Liebig's minimum); the anoxic share of the carbon takes nitrate alone.

Per litre and day: N is mg nitrate-nitrogen/L, P mg phosphate-phosphorus/L, pellets M mg/L, carbon mg C/L/d.

* dN/dt = F (1+x) pN 0.16 fN - (kw + kbN) N - uN - D
* dP/dt = F (1+x) pP fP - (kw + kbP) P - uP - X, and of the rock dR/dt = X = kex (Kd P - R)
* carbon: liquid C = dose r(t) A(t); solid C = M km A(t) c, dM/dt = -M km A(t)
* ramp r(t) = min(1, 1/3 + 2/3 t / ramp days); colonisation A(t) = 1 / (1 + exp(-(t - lag) / spread))
* growth B = y C (1 - fd) min(N / (N + KN), P / (P + KP)); uN and uP follow from C:N and C:P of the cells
* denitrification D = C fd cn N / (N + KN); carbon used by neither is counted as unused

The model and its reference run are fairtank's own, assumed for planning and not measured: the background sinks
and the anoxic share were tuned, so it can say what a trial might show and not what a treatment does.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from analysis.tank_parameters import NITROGEN_IN_PROTEIN, Floats, Number, TankParameters
from analysis.water.husbandry import ramp_share
from schemas.chemistry import molar_mass

if TYPE_CHECKING:
    from collections.abc import Sequence

_CARBON, _NITROGEN, _PHOSPHORUS = (molar_mass(element) for element in "CNP")
NITRATE_PER_N = molar_mass("NO3") / _NITROGEN
PHOSPHATE_PER_P = molar_mass("PO4") / _PHOSPHORUS


@dataclass(frozen=True)
class Dosing:
    """Carbon given to each tank; an undosed tank has zero of both. Day 0 is the first day of the ramp.

    Parameters
    ----------
    liquid : float or array
        Full liquid dose, mg C/L/d.
    pellets : float or array
        Full dose of pellets standing in the reactor, mg/L.
    ramp_days : float
        From a third of the full dose on day 0 to all of it (common practice, no source).
    top_up_days : int
        Once the ramp is over, pellets are filled up each so many days, counted from day 0.
    share : array, optional
        Of shape (days of the run, *tanks): what is given of the dose otherwise due, where a stop rule lowered
        it. Pellets beyond that share are taken out.
    nitrogen_per_carbon : float or array, optional
        Of this carbon, g N/g C, in place of the tank's own.
    """

    liquid: Number = 0.0
    pellets: Number = 0.0
    ramp_days: float = 30.0
    top_up_days: int = 60
    share: Floats | None = None
    nitrogen_per_carbon: Number | None = None

    def ramp(self, day: int) -> float:
        """Share of the full dose on a day."""
        return ramp_share(day, self.ramp_days)

    def fills_up(self, day: int) -> bool:
        """Whether pellets are added at the start of a day: daily in the ramp, then at each top-up."""
        return 0 <= day <= self.ramp_days or (day > 0 and day % self.top_up_days == 0)


@dataclass(frozen=True)
class Ledger:
    """Where one element went over a whole run, mg/L: started + fed = out of the water and rock + ended."""

    started: Floats
    fed: Floats
    changed: Floats
    """Left with water changes."""
    sunk: Floats
    """Left by the background sinks."""
    assimilated: Floats
    denitrified: Floats
    ended: Floats
    """In the water and, for phosphorus, on the rock."""


@dataclass(frozen=True)
class Course:
    """A run: arrays of shape (days, *tanks), at the end of each day; ``first_day`` is the day of row 0."""

    first_day: int
    nitrate: Floats
    """mg/L as the ion."""
    phosphate: Floats
    """mg/L as the ion."""
    denitrified: Floats
    """mg N/L in the day."""
    unused_carbon: Floats
    """mg C/L in the day that neither growth nor denitrification took: feeds blooms."""
    nitrogen: Ledger
    phosphorus: Ledger


class _Stores(NamedTuple):
    """What a tank holds between two steps, mg/L of N, P, P on the rock, and pellets."""

    nitrogen: Floats
    phosphorus: Floats
    rock: Floats
    pellets: Floats


class _Flows(NamedTuple):
    """What moved in a step, mg/L of the element."""

    n_fed: Floats
    n_changed: Floats
    n_sunk: Floats
    n_assimilated: Floats
    n_denitrified: Floats
    p_fed: Floats
    p_changed: Floats
    p_sunk: Floats
    p_assimilated: Floats
    unused_carbon: Floats


def run(
    tank: TankParameters,
    dosing: Dosing,
    days: int,
    *,
    first_day: int = 0,
    changes: Sequence[tuple[int, Dosing]] = (),
    wobble: Floats | None = None,
    steps_per_day: int = 10,
) -> Course:
    """Run tanks forward by explicit Euler steps, all at once.

    Parameters
    ----------
    tank, dosing
        Fields broadcast to one shape of tanks.
    days : int
        Days to run.
    first_day : int
        Day of the first row; negative for days before carbon starts on day 0.
    changes : sequence of (int, Dosing)
        Dosings that take over on later days, in their order, each with that day as its own day 0: surfaces are
        settled anew, and what the tank holds stays.
    wobble : array, optional
        x of shape (days, *tanks); none means steady feeding.
    steps_per_day : int
        Ramp and colonisation change once a day, the stores at each step.

    Returns
    -------
    Course

    Notes
    -----
    Pellets are filled up at the start of a day. They wear down before their carbon is spent in a
    step (the backward form, M k/(1 + k) with k = km A per step), so that the carbon released is exactly the
    carbon lost. A step never takes more than is in the water: where growth or denitrification would, they are
    cut to what is there and the carbon counts as unused. So nitrogen, phosphorus and carbon are conserved.
    """
    wobble = np.zeros(days) if wobble is None else wobble
    shape = np.broadcast_shapes(
        *(np.shape(value) for value in (*vars(tank).values(), dosing.liquid, dosing.pellets)),
        wobble.shape[1:],
    )
    step = 1.0 / steps_per_day
    clock = [(0, dosing), *changes]
    stores = first = _stores_at_rest(tank, shape)
    total = _Flows(*(np.zeros(shape) for _ in _Flows._fields))
    nitrate, phosphate, denitrified, unused = (np.empty((days, *shape)) for _ in range(4))
    for row in range(days):
        day = first_day + row
        begun, dosing = next((change for change in reversed(clock) if change[0] <= day), clock[0])
        day -= begun
        own = tank
        if dosing.nitrogen_per_carbon is not None:
            own = replace(tank, nitrogen_per_carbon=dosing.nitrogen_per_carbon)
        share = dosing.ramp(day) if dosing.share is None else dosing.ramp(day) * dosing.share[row]
        pellets = np.minimum(stores.pellets, dosing.pellets * share)
        if dosing.fills_up(day):
            pellets = np.broadcast_to(dosing.pellets * share, shape)
        stores = stores._replace(pellets=pellets)
        liquid = dosing.liquid * share * _colonised(day, tank.liquid_lag, tank.liquid_spread)
        wear = tank.pellet_rate * _colonised(day, tank.solid_lag, tank.solid_spread)
        feed = tank.feed * (1.0 + wobble[row])
        before = total
        for _ in range(steps_per_day):
            stores, flows = _advance(stores, own, feed, liquid, wear, step)
            total = _Flows(*(sum_ + flow for sum_, flow in zip(total, flows, strict=True)))
        nitrate[row], phosphate[row] = stores.nitrogen * NITRATE_PER_N, stores.phosphorus * PHOSPHATE_PER_P
        denitrified[row] = total.n_denitrified - before.n_denitrified
        unused[row] = total.unused_carbon - before.unused_carbon
    return Course(
        first_day=first_day,
        nitrate=nitrate,
        phosphate=phosphate,
        denitrified=denitrified,
        unused_carbon=unused,
        nitrogen=Ledger(
            started=first.nitrogen,
            fed=total.n_fed,
            changed=total.n_changed,
            sunk=total.n_sunk,
            assimilated=total.n_assimilated,
            denitrified=total.n_denitrified,
            ended=stores.nitrogen,
        ),
        phosphorus=Ledger(
            started=first.phosphorus + first.rock,
            fed=total.p_fed,
            changed=total.p_changed,
            sunk=total.p_sunk,
            assimilated=total.p_assimilated,
            denitrified=np.zeros(shape),
            ended=stores.phosphorus + stores.rock,
        ),
    )


def _stores_at_rest(tank: TankParameters, shape: tuple[int, ...]) -> _Stores:
    nitrogen = np.broadcast_to(tank.nitrogen_at_rest * tank.nitrogen_start, shape)
    phosphorus = np.broadcast_to(tank.phosphorus_at_rest * tank.phosphorus_start, shape)
    return _Stores(nitrogen, phosphorus, tank.rock_affinity * phosphorus, np.zeros(shape))


def _colonised(day: int, lag: Number, spread: Number) -> Number:
    """Share of the surface that bacteria work on a day."""
    return 1.0 / (1.0 + np.exp(-(day - lag) / spread))


def _advance(
    stores: _Stores, tank: TankParameters, feed: Number, liquid: Number, wear: Number, step: float
) -> tuple[_Stores, _Flows]:
    """Advance by one step of ``step`` days; ``liquid`` in mg C/L/d and ``wear`` of the pellets per day."""
    nitrogen, phosphorus, rock, pellets = stores
    worn = pellets * wear * step / (1 + wear * step)
    solid, liquid = worn * tank.pellet_carbon, liquid * step
    oxic = liquid * (1 - tank.liquid_anoxic) + solid * (1 - tank.solid_anoxic)
    anoxic = liquid * tank.liquid_anoxic + solid * tank.solid_anoxic

    n_fed = feed * tank.protein * NITROGEN_IN_PROTEIN * tank.nitrogen_released * step
    p_fed = feed * tank.feed_phosphorus * tank.phosphorus_released * step
    n_changed, n_sunk = tank.water_change * nitrogen * step, tank.nitrogen_sink * nitrogen * step
    p_changed, p_sunk = tank.water_change * phosphorus * step, tank.phosphorus_sink * phosphorus * step
    exchange = tank.rock_exchange * (tank.rock_affinity * phosphorus - rock) * step
    n_free, p_free = nitrogen - n_changed - n_sunk, phosphorus - p_changed - p_sunk - exchange

    n_limit = nitrogen / (nitrogen + tank.half_nitrogen)
    p_limit = phosphorus / (phosphorus + tank.half_phosphorus)
    n_per_growth = _NITROGEN / (_CARBON * tank.cell_c_to_n)
    p_per_growth = _PHOSPHORUS / (_CARBON * tank.cell_c_to_p)
    growth = tank.growth_yield * oxic * np.minimum(n_limit, p_limit)
    growth = np.minimum(growth, np.minimum(n_free / n_per_growth, p_free / p_per_growth))
    n_grown, p_grown = growth * n_per_growth, growth * p_per_growth
    denitrified = np.minimum(anoxic * tank.nitrogen_per_carbon * n_limit, n_free - n_grown)
    unused = oxic + anoxic - growth / tank.growth_yield - denitrified / tank.nitrogen_per_carbon

    after = _Stores(
        n_free + n_fed - n_grown - denitrified, p_free + p_fed - p_grown, rock + exchange, pellets - worn
    )
    nitrogen_flows = (np.asarray(n_fed), n_changed, n_sunk, n_grown, denitrified)
    phosphorus_flows = (np.asarray(p_fed), p_changed, p_sunk, p_grown)
    return after, _Flows(*nitrogen_flows, *phosphorus_flows, unused)
