"""Tanks that stall: phosphate at its limit and nitrate not falling for two weeks or more while carbon is dosed.

Growth takes nitrate and phosphate together, so that without phosphate more carbon takes no more nitrate. Whether
nitrate is flat is held against what its kit can show, never against a p-value.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.dosed_tanks import LOW_PHOSPHATE, STALL_WINDOW
from analysis.numerals import count, day_words, quantity
from analysis.watch.carbon_given import carbon_given
from analysis.watch.day_values import dates_in_words, told_apart
from analysis.watch.findings import Finding, Kind, Severity
from analysis.water.husbandry import ramp_share
from analysis.water.stoichiometry import GROWTH_EFFICIENCY, runs_out, uptake_of
from schemas.protocol import RAMP_PHASE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from analysis.watch.day_values import DayValues
    from analysis.watch.watched import Watched
    from schemas.protocol import Tank
    from schemas.variables import Variable

FIELD_LIMIT = 0.05
"""mg/L, the highest limit of a field kit below which "<" still means "at its limit": common practice, no source."""


@dataclass(frozen=True)
class Stall:
    """Nitrate over the days on which phosphate was at its limit.

    Parameters
    ----------
    first, last : date
        The first and last nitrate test of those days.
    nitrate : DayValues
        The tests from the first to the last.
    fall : float
        mg/L by which nitrate fell from the first to the last, along the least-squares line through all of them;
        negative where it rose.
    told_apart : float
        The least fall that the kit can show.
    phosphate : float
        The most that the last phosphate test allows, mg/L.
    """

    first: dt.date
    last: dt.date
    nitrate: DayValues
    fall: float
    told_apart: float
    phosphate: float

    @property
    def days(self) -> int:
        """Days from the first test to the last."""
        return (self.last - self.first).days


def at_limit(phosphate: DayValues, variable: Variable) -> NDArray[np.bool_]:
    """Whether phosphate is at its limit on each day: censored by a field kit, or no more than one can show."""
    lowest = max(LOW_PHOSPHATE, variable.resolution or 0.0)
    censored = phosphate.below & (phosphate.high <= FIELD_LIMIT)
    return censored | (phosphate.high < lowest)


def stall(
    nitrate: DayValues,
    phosphate: DayValues,
    variables: tuple[Variable, Variable],
    repeatability: float | None,
) -> Stall | None:
    """The stall that a tank is in after its last tests; None where it is in none.

    Parameters
    ----------
    nitrate, phosphate : DayValues
        Of the days on which the tank was dosed.
    variables : tuple of Variable
        Nitrate and phosphate.
    repeatability : float or None
        The repeatability limit of nitrate, as a share of it.
    """
    if not len(phosphate) or not len(nitrate):
        return None
    spent = at_limit(phosphate, variables[1])
    if not spent[-1]:
        return None
    others = np.flatnonzero(~spent)
    start = phosphate.day[others[-1] + 1 if len(others) else 0]
    tests = nitrate.part(nitrate.day >= start)
    if _span(phosphate.day[phosphate.day >= start]) < STALL_WINDOW or _span(tests.day) < STALL_WINDOW:
        return None
    if tests.below[-1]:
        return None  # nitrate ran out as well: nothing is left to fall
    days = (tests.day - tests.day[0]).astype(float)
    centred = days - days.mean()
    fall = float(-(centred @ tests.mid) / (centred @ centred) * days[-1])
    width = float(np.median(tests.high - tests.low))
    least = told_apart(variables[0], repeatability, float(tests.mid.mean()), width)
    if fall >= least:
        return None
    return Stall(tests.date(0), tests.date(-1), tests, fall, least, float(phosphate.high[-1]))


def stalls(
    nitrate: DayValues,
    phosphate: DayValues,
    variables: tuple[Variable, Variable],
    repeatability: float | None,
) -> Iterator[Stall]:
    """Every stall of a tank, as :func:`stall` has it on the last day of each run of days without phosphate."""
    spent = at_limit(phosphate, variables[1])
    for last in np.flatnonzero(spent & ~np.append(spent[1:], False)):
        until = phosphate.day[last]
        found = stall(
            nitrate.part(nitrate.day <= until),
            phosphate.part(phosphate.day <= until),
            variables,
            repeatability,
        )
        if found:
            yield found


def _span(days: NDArray[np.datetime64]) -> int:
    """Days from the first test to the last; 0 where there are fewer than two."""
    return int((days[-1] - days[0]).astype(int)) if len(days) else 0


def stall_findings(watched: Watched) -> Iterator[Finding]:
    """Every dosed tank that stalls, with what the carbon would need and what phosphate there is lets it take."""
    variables = (watched.variables["nitrate"], watched.variables["phosphate"])
    for tank in watched.in_trial:
        since = watched.dosed_since(tank.id)
        if since is None:
            continue
        after = watched.today + dt.timedelta(days=1)
        nitrate, phosphate = (watched.days(one.id, tank.id).between(since, after) for one in variables)
        found = stall(nitrate, phosphate, variables, watched.repeatability("nitrate"))
        if found:
            yield _finding(watched, tank, found, phosphate)


def _finding(watched: Watched, tank: Tank, found: Stall, phosphate: DayValues) -> Finding:
    unit = watched.variables["nitrate"].unit
    moved = "rose by" if found.fall < 0 else "fell by only"
    words = (
        f"Tank {tank.id} stalls: for {count(found.days, 'day')}, since {day_words(found.first)}, phosphate has been at its "
        f"limit ({dates_in_words(phosphate, [len(phosphate) - 1], unit)}) while nitrate {moved} "
        f"{quantity(abs(found.fall), 2)} {unit} ({dates_in_words(found.nitrate, [0, len(found.nitrate) - 1], unit)}; its kit "
        f"shows changes of {quantity(found.told_apart, 2)} and more). {_explained(watched, tank, found)} So it is the "
        "phosphate that is short: the stall says nothing of the carbon source."
    )
    todo = (
        "Do not raise the dose: carbon that cannot be used clouds the water and takes oxygen. Test phosphate with a finer "
        "kit, feed as usual, and use less of what removes phosphate, if the protocol allows it. Common practice, no source; "
        "a vet, or whoever is licensed to, decides where animals look ill."
    )
    return Finding(
        Kind.STALL,
        Severity.SOON,
        words,
        todo,
        site=watched.site_of[tank.id],
        tank=tank.id,
        since=found.first,
    )


def _explained(watched: Watched, tank: Tank, found: Stall) -> str:
    """What growth on the carbon would need, and what the phosphate that may be there allows."""
    allowed = runs_out(float(found.nitrate.mid[-1]), found.phosphate)
    left = (
        f"at most {quantity(found.phosphate, 2)} mg/L is there, enough to take {quantity(allowed.taken.nitrate, 2)} mg/L of "
        "nitrate"
    )
    carbon, how = _carbon(watched, tank, found)
    if carbon is None:
        return f"Bacteria take nitrate and phosphate together: {left}."
    need = uptake_of(carbon)
    return (
        f"To grow on the {quantity(carbon, 2)} mg/L of carbon {how} in these days, bacteria would need "
        f"{quantity(need.phosphate, 2)} mg/L of phosphate (with {quantity(need.nitrate, 2)} mg/L of nitrate; carbon, nitrogen "
        f"and phosphorus 50:10:1, {100 * GROWTH_EFFICIENCY:.0f} % of the carbon built in); {left}."
    )


def _carbon(watched: Watched, tank: Tank, found: Stall) -> tuple[float | None, str]:
    """Carbon of the days of a stall in mg per litre: as recorded, else as planned."""
    arm = watched.arm(tank.id)
    if arm is None:
        return None, ""
    own = watched.events_of(tank.id)
    rate = carbon_given(own, arm, found.first, found.last).per_litre(tank.volume_L)
    if rate is not None:
        return rate * found.days, "recorded"
    if arm.id not in watched.planned:
        return None, ""
    return watched.planned[arm.id] * _ramp_days(watched, tank.id, found), "planned"


def _ramp_days(watched: Watched, tank: str, found: Stall) -> float:
    """The days of a stall, each for the share of the full dose that the ramp had reached."""
    since = watched.dosed_since(tank) or found.first
    ramp = next((phase.days for phase in watched.protocol.schedule.phases if phase.id == RAMP_PHASE), 0)
    start = (found.first - since).days
    if not ramp:
        return float(found.days)
    return sum(ramp_share(day, ramp) for day in range(start, start + found.days))
