"""Where nitrate and phosphate of each arm's tanks came from and went, and how the one fell with the other.

Described by arm over one phase, never tested and no proof of a cause: what is removed is what no record accounts for.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import fmean, stdev
from typing import TYPE_CHECKING

from analysis.carbon_by_day import carbon_in
from analysis.removal import FEWEST_DAYS, both_measured, removed_in
from analysis.water.stoichiometry import DEFAULT_CELLS, KNOWN_CELLS
from schemas.vocabulary import ArmRole, EndpointRole

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.followed import Followed, Story

SUBSTANCES = ("nitrate", "phosphate")
GROWTH = (DEFAULT_CELLS.nitrate_per_phosphate, KNOWN_CELLS["106:16:1"].nitrate_per_phosphate)
"""Mg of nitrate by mg of phosphate along which both fall when growth alone takes them: bacteria, and plankton."""
MEANING = (
    "Removed is what no record accounts for, taken by bacteria, algae, animals, rock and skimmer together; growth alone takes "
    f"{GROWTH[0]:.1f} to {GROWTH[1]:.1f} mg of nitrate with a mg of phosphate, and a steeper fall is what denitrification "
    "would look like, or phosphate given off by rock: it describes, and proves no cause."
)


@dataclass(frozen=True)
class ArmBalance:
    """A substance in an arm's tanks, means of the tanks of which it can be told, mg/L/d.

    Parameters
    ----------
    arm, variable : str
    tanks, known : int
        Tanks (and periods), and those with a balance.
    fed, changed, fell : float or None
        Brought in by feed, taken out by water changes, and the fall from the first reading to the last.
    removed, sd : float or None
        Removed, and the standard deviation between tanks.
    lowest, highest : float or None
        Of the mean removed, over all values that readings beyond a kit's limit allow.
    beyond_control : float or None
        Removed less what was removed in the first control arm.
    carbon : float or None
        Mg C/L/d given over the same days, in tanks where both are known.
    per_gram, beyond_per_gram : float or None
        Mg removed by gram of carbon, of all that was removed and of what is beyond control.
    """

    arm: str
    variable: str
    tanks: int
    known: int
    fed: float | None
    changed: float | None
    fell: float | None
    removed: float | None
    sd: float | None
    lowest: float | None
    highest: float | None
    beyond_control: float | None
    carbon: float | None
    per_gram: float | None
    beyond_per_gram: float | None


@dataclass(frozen=True)
class ArmSlope:
    """Nitrate on phosphate inside an arm's tanks: one least-squares slope for all, each tank about its own means.

    ``slope`` is None where fewer than three days of a tank hold both, or phosphate never changed.
    """

    arm: str
    tanks: int
    days: int
    slope: float | None


@dataclass(frozen=True)
class MassBalance:
    """The balances and slopes of a phase, beside what growth alone would give, mg of nitrate by mg of phosphate.

    A substance of which no tank has a balance, for want of recorded feed or readings, is not in ``balances``.
    """

    phase: str
    balances: tuple[ArmBalance, ...]
    slopes: tuple[ArmSlope, ...]
    growth_least: float = GROWTH[0]
    growth_most: float = GROWTH[1]
    meaning: str = MEANING


@dataclass(frozen=True)
class _Tank:
    """One tank's balance, mg/L/d."""

    fed: float
    changed: float
    fell: float
    removed: float
    lowest: float
    highest: float
    carbon: float | None


def mass_balance(story: Story) -> MassBalance | None:
    """Balances and slopes by arm in the phase of the first primary endpoint; None where neither substance is measured."""
    read = [name for name in SUBSTANCES if (story.readings["variable"] == name).any()]
    if not read:
        return None
    endpoints = story.protocol.endpoints
    phase = next((e.phase for e in endpoints if e.role is EndpointRole.PRIMARY), endpoints[0].phase)
    tanks = {
        arm.id: [story.tanks[a.tank, a.period or 1] for a in story.allocation.assignments if a.arm == arm.id]
        for arm in story.protocol.arms
    }
    control = next((arm.id for arm in story.protocol.arms if arm.role is ArmRole.CONTROL), None)
    balances = []
    for name in read:
        found = {arm: [_balance(tank, phase, name) for tank in mine] for arm, mine in tanks.items()}
        known = {arm: [one for one in mine if one] for arm, mine in found.items()}
        if not any(known.values()):
            continue
        level = fmean(one.removed for one in known[control]) if control and known[control] else None
        balances += [
            _arm(arm, name, len(found[arm]), known[arm], level if arm != control else None) for arm in tanks
        ]
    slopes = tuple(_slope(arm, mine, phase) for arm, mine in tanks.items()) if len(read) == 2 else ()
    return MassBalance(phase, tuple(balances), slopes)


def _balance(tank: Followed, phase: str, variable: str) -> _Tank | None:
    found = removed_in(tank, tank.phases[phase], variable)
    if found.balance is None or found.window is None:
        return None
    own = found.balance
    parts = (own.fed, own.changed_out, own.started - own.ended, own.removed, found.lowest, found.highest)
    fed, changed, fell, removed, lowest, highest = map(found.per_litre_and_day, parts)
    given = carbon_in(tank, found.window).per_litre(tank.litres)
    return _Tank(fed, changed, fell, removed, lowest, highest, given)


def _arm(arm: str, variable: str, tanks: int, known: Sequence[_Tank], control: float | None) -> ArmBalance:
    if not known:
        return ArmBalance(arm, variable, tanks, 0, *[None] * 11)
    removed = fmean(one.removed for one in known)
    beyond = None if control is None else removed - control
    dosed = [(one.removed, one.carbon) for one in known if one.carbon]
    carbon = fmean(rate for _, rate in dosed) if dosed else None
    of_dosed = fmean(taken for taken, _ in dosed) if dosed else None
    return ArmBalance(
        arm=arm,
        variable=variable,
        tanks=tanks,
        known=len(known),
        fed=fmean(one.fed for one in known),
        changed=fmean(one.changed for one in known),
        fell=fmean(one.fell for one in known),
        removed=removed,
        sd=stdev(one.removed for one in known) if len(known) > 1 else None,
        lowest=fmean(one.lowest for one in known),
        highest=fmean(one.highest for one in known),
        beyond_control=beyond,
        carbon=carbon,
        per_gram=1000 * of_dosed / carbon if carbon and of_dosed is not None else None,
        beyond_per_gram=1000 * (of_dosed - control) / carbon
        if carbon and of_dosed is not None and control is not None
        else None,
    )


def _slope(arm: str, tanks: Sequence[Followed], phase: str) -> ArmSlope:
    used = days = 0
    across = along = 0.0
    for tank in tanks:
        phosphate, nitrate = both_measured(tank, tank.phases[phase])
        if len(phosphate) < FEWEST_DAYS or phosphate.max() == phosphate.min():
            continue
        used, days = used + 1, days + len(phosphate)
        centred = phosphate - phosphate.mean()
        across += float(centred @ centred)
        along += float(centred @ nitrate)
    return ArmSlope(arm, used, days, along / across if across else None)
