"""What is true in the water of the invented tanks, and what is read of it at each visit."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.observation import draw_bias, observe
from analysis.tank_model import Dosing, run
from analysis.tank_parameters import Floats, TankParameters, feed_wobble, vary
from schemas.chemistry import molar_mass

if TYPE_CHECKING:
    from senders import Assay, Scenario, Site

    from schemas.protocol import Protocol, StopRule

# Assumed, so that denitrifying tanks show some nitrite: the share of reduced nitrogen that is nitrite on its
# way, used up at a rate of 1 a day, over a background in mg/L.
NITRITE_SHARE, NITRITE_BACKGROUND = 0.25, 0.008
NITRITE_PER_N = molar_mass("NO2") / molar_mass("N")
# Assumed: coral growth in % a week, its SD between blocks and between tanks of a block, and a season's swing.
# Carbon has no effect on it at all.
GROWTH, GROWTH_BLOCKS, GROWTH_TANKS, GROWTH_SEASON = 0.9, 0.10, 0.05, 0.05
FEED_SHARED = 0.8
"""Of the variance of the feed's wobble, what a block's tanks share: one hand feeds them."""

Truth = dict[str, Floats]
"""Daily true values by variable, shape (days, tanks)."""


@dataclass(frozen=True)
class Seen:
    """One reading: the number shown, in the site's unit, and its sign."""

    value: float
    sign: str


@dataclass(frozen=True)
class Visit:
    """One tank on one day: when it was due, when it was done, by whom, and what was read."""

    tank: str
    due: dt.date
    day: dt.date
    tester: str
    readings: dict[str, tuple[Seen, ...]]


def all_visits(
    scenario: Scenario, protocol: Protocol, arm_of: dict[str, str]
) -> tuple[dict[str, list[Visit]], dict[str, dt.date]]:
    """Read all tanks of a scenario, doses being halved where readings meet the stop rule on phosphate.

    Returns the visits by file, and the due day on which a tank's dose was halved. Tanks are run and read twice
    with the same draws, so that everything up to a halving stands as it was without it.
    """
    rule = next(rule for rule in protocol.stop_rules if rule.variable == "phosphate")
    seed = int.from_bytes(protocol.trial.id.encode())

    def read(halved: dict[str, dt.date]) -> dict[str, list[Visit]]:
        tanks, *testers = np.random.SeedSequence(seed).spawn(1 + len(scenario.sites))
        true = _truth(scenario, protocol, arm_of, halved, np.random.default_rng(tanks))
        return {
            site.file: _visits(site, protocol, true, np.random.default_rng(each))
            for site, each in zip(scenario.sites, testers, strict=True)
        }

    as_planned = read({})
    halved = {
        tank: day
        for site in scenario.sites
        for tank, day in _first_met(rule, site, as_planned[site.file], _first_dose(protocol)).items()
        if arm_of[tank] != "control"
    }
    return read(halved), halved


def _first_dose(protocol: Protocol) -> dt.date:
    return protocol.phase_days[protocol.schedule.phases[1].id][0]


def _truth(
    scenario: Scenario,
    protocol: Protocol,
    arm_of: dict[str, str],
    halved: dict[str, dt.date],
    rng: np.random.Generator,
) -> Truth:
    """Run the tank model and add nitrite and growth, which it lacks."""
    arms = np.array([arm_of[tank.id] for tank in protocol.tanks]).reshape(-1, 3)
    blocks, days = len(arms), (protocol.last_day - protocol.schedule.start).days + 1
    released = np.reshape(scenario.phosphorus_released, (-1, 1))
    tanks = vary(
        TankParameters(phosphorus_released=released),
        rng,
        arms.shape,
        within=scenario.within,
        spread=scenario.spread,
    )
    shared, own = feed_wobble(rng, days, (blocks, 1)), feed_wobble(rng, days, arms.shape)
    wobble = np.sqrt(FEED_SHARED) * shared + np.sqrt(1 - FEED_SHARED) * own
    nitrite_level = np.exp(0.3 * rng.standard_normal(arms.shape))
    growth_level = GROWTH + GROWTH_BLOCKS * rng.standard_normal((blocks, 1))
    growth_level = growth_level + GROWTH_TANKS * rng.standard_normal(arms.shape)

    baseline, ramp = (phase.days for phase in protocol.schedule.phases[:2])
    whole_until = [
        (halved.get(tank.id, protocol.last_day) - protocol.schedule.start).days for tank in protocol.tanks
    ]
    after = np.arange(days)[:, np.newaxis] > whole_until
    dosing = Dosing(
        np.where(arms == "liquid", scenario.liquid, 0.0),
        np.where(arms == "polymer", scenario.pellets, 0.0),
        ramp_days=ramp,
        share=np.where(after, 0.5, 1.0).reshape(days, *arms.shape),
    )
    course = run(tanks, dosing, days, first_day=-baseline, wobble=wobble)
    season = GROWTH_SEASON * np.sin(2 * np.pi * np.arange(days) / 365)
    nitrite = NITRITE_BACKGROUND + NITRITE_SHARE * NITRITE_PER_N * course.denitrified
    true = {
        "nitrate": course.nitrate,
        "phosphate": course.phosphate,
        "nitrite": nitrite * nitrite_level,
        "growth": growth_level + season[:, np.newaxis, np.newaxis],
    }
    return {name: values.reshape(days, -1) for name, values in true.items()}


def _visits(site: Site, protocol: Protocol, true: Truth, rng: np.random.Generator) -> list[Visit]:
    """Read a site's tanks on their due days, or the day after; now and then not at all.

    The same draws are made whatever is true and whatever is missed.
    """
    where = [[tank.id for tank in protocol.tanks].index(tank) for tank in site.tanks]
    bias = {assay.variable: draw_bias(assay.errors, rng, (len(site.testers),)) for assay in site.assays}
    told = {(slip.tank, slip.due) for slip in site.slips} | set(site.notes)
    made: list[Visit] = []
    for due in sorted({day for assay in site.assays for day in protocol.due_days(assay.variable)}):
        tester = int(rng.integers(len(site.testers)))
        late = rng.random() < 0.05 and due < protocol.last_day
        skipped = rng.random(len(where)) < 0.02
        day = due + dt.timedelta(days=1) if late else due
        now = {name: values[(day - protocol.schedule.start).days, where] for name, values in true.items()}
        seen = {
            assay.variable: _read(assay, now, float(bias[assay.variable][tester]), rng)
            for assay in site.assays
        }
        for place, tank in enumerate(site.tanks):
            key = (tank, due.isoformat())
            gone = key[1] in site.missed or key[1] > site.ended.get(tank, key[1])
            if gone or (skipped[place] and key not in told):
                continue
            readings = {
                variable: each[place] for variable, each in seen.items() if due in protocol.due_days(variable)
            }
            made.append(Visit(tank, due, day, site.testers[tester], readings))
    return made


def _read(assay: Assay, now: Truth, bias: float, rng: np.random.Generator) -> list[tuple[Seen, ...]]:
    """Read one variable in each tank, as often as the site repeats it."""
    true = np.tile(now[assay.variable] * assay.factor, (assay.replicates, 1))
    seen = observe(true, assay.errors, rng, bias=bias, nitrite=now["nitrite"])
    signs = np.where(seen.below, "<", np.where(seen.above, ">", ""))
    return [
        tuple(Seen(float(value), str(sign)) for value, sign in zip(values, marks, strict=True))
        for values, marks in zip(seen.value.T, signs.T, strict=True)
    ]


def _first_met(rule: StopRule, site: Site, made: list[Visit], start: dt.date) -> dict[str, dt.date]:
    """Find the due day on which each tank first meets a rule of the kind "below", from ``start`` on."""
    assay = next(assay for assay in site.assays if assay.variable == rule.variable)
    met: dict[str, dt.date] = {}
    in_a_row = dict.fromkeys(site.tanks, 0)
    for visit in made:
        if visit.due < start or rule.variable not in visit.readings:
            continue
        seen = visit.readings[rule.variable][0]
        value = round(seen.value / assay.factor, 6)
        # "<0.03" shows that it is below 0.03; a measured 0.03 does not.
        low = rule.below is not None and (value < rule.below or (value == rule.below and seen.sign == "<"))
        in_a_row[visit.tank] = in_a_row[visit.tank] + 1 if low else 0
        if in_a_row[visit.tank] == rule.consecutive:
            met.setdefault(visit.tank, visit.due)
    return met
