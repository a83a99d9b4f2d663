"""Arms that drift apart in the carbon that they are given, though they were planned to be compared at a known dose.

Only days at full dose count, after the ramp: before, bacteria settle on a polymer and little of it wears off. Where
arms end up with unequal carbon, a difference between them may be the dose and not the source.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.numerals import count, day_words, quantity
from analysis.watch.carbon_given import carbon_given
from analysis.watch.findings import Finding, Kind, Severity
from analysis.water.carbon import product
from schemas.plain_words import listed
from schemas.protocol import RAMP_PHASE

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from analysis.watch.watched import Watched
    from schemas.protocol import Arm, Tank

CARBON_TOLERANCE = 0.20
"""Carbon within a fifth of what was planned, and arms within a fifth of each other, count as equal: our own line, no
source."""
WINDOW = 56
"""Days looked back over: pellets are weighed about once a month, so that two weighings fall into them."""
SHORTEST = 14
"""Days at full dose before anything is said."""


@dataclass(frozen=True)
class TankCarbon:
    """Carbon of a tank at full dose, mg per litre and day, from the day ``first`` on.

    ``given`` is None where it cannot be told, and ``why_not`` then says why.
    """

    tank: str
    arm: str
    first: dt.date
    given: float | None
    planned: float | None
    why_not: str = ""

    @property
    def share(self) -> float | None:
        """What was given, of what was planned; None where either is not known."""
        return self.given / self.planned if self.given is not None and self.planned else None


def tank_carbon(watched: Watched) -> list[TankCarbon]:
    """The carbon of every tank that has been at full dose for two weeks or more."""
    found = []
    for tank in watched.in_trial:
        arm, since = watched.arm(tank.id), full_dose_since(watched, tank.id)
        if arm is None or since is None:
            continue
        after = watched.today + dt.timedelta(days=1)
        first = max(since, after - dt.timedelta(days=WINDOW))
        if (after - first).days >= SHORTEST:
            found.append(_of_tank(watched, tank, arm, first, after))
    return found


def full_dose_since(watched: Watched, tank: str) -> dt.date | None:
    """The first day of full dose in the period of today; None where carbon is not given, or the ramp is not over."""
    since = watched.dosed_since(tank)
    if since is None:
        return None
    ramp = next((phase.days for phase in watched.protocol.schedule.phases if phase.id == RAMP_PHASE), 0)
    full = since + dt.timedelta(days=ramp)
    return full if full <= watched.today else None


def _of_tank(watched: Watched, tank: Tank, arm: Arm, first: dt.date, after: dt.date) -> TankCarbon:
    found = carbon_given(watched.events_of(tank.id), arm, first, after)
    given = found.per_litre(tank.volume_L)
    why_not = found.why_not or ("" if tank.volume_L else "its volume_L is not in the protocol")
    return TankCarbon(tank.id, arm.id, first, given, watched.planned.get(arm.id), why_not)


def carbon_findings(watched: Watched) -> Iterator[Finding]:
    """Tanks far from their planned carbon, arms far from each other, and tanks of which nothing can be told."""
    tanks = tank_carbon(watched)
    if not tanks:
        return
    if watched.events.empty:
        yield Finding(
            Kind.CARBON,
            Severity.INFORMATION,
            "No husbandry events are in, so whether the arms are given the carbon that was planned cannot be told.",
            to_record="Take in the events files, with doses, and pellets added and weighed: fairtank intake FILE...",
        )
        return
    yield from _unknown(watched, tanks)
    yield from _off_plan(watched, tanks)
    yield from _arms_apart(watched, tanks)


def _unknown(watched: Watched, tanks: Sequence[TankCarbon]) -> Iterator[Finding]:
    """One finding for each site and reason."""
    groups: dict[tuple[str | None, str], list[TankCarbon]] = {}
    for one in tanks:
        if one.given is None:
            groups.setdefault((watched.site_of[one.tank], one.why_not), []).append(one)
    for (site, why), own in groups.items():
        first = min(one.first for one in own)
        yield Finding(
            Kind.CARBON,
            Severity.SOON,
            f"The carbon given to {listed([one.tank for one in own], 'and')} since {day_words(first)} cannot be told: {why}.",
            "Send what was written down; where a dose was left out, write it down as 0.",
            site=site,
            since=first,
        )


def _off_plan(watched: Watched, tanks: Sequence[TankCarbon]) -> Iterator[Finding]:
    """One finding a site; for information where somebody said why for every tank, or where only pellets are concerned.

    What wears off pellets is the bacteria's doing; what is dosed is a person's.
    """
    by_site: dict[str | None, list[TankCarbon]] = {}
    for one in tanks:
        if one.share is not None and abs(one.share - 1) > CARBON_TOLERANCE:
            by_site.setdefault(watched.site_of[one.tank], []).append(one)
    for site, own in by_site.items():
        said = {one.tank: watched.acted_since(one.tank, one.first) for one in own}
        open_ones = [one for one in own if not said[one.tank] and not _solid(watched, one.arm)]
        each = ", ".join(
            f"{one.tank} {100 * (one.share or 0.0):.0f} % ({quantity(one.given)} of {quantity(one.planned)})"
            for one in own
        )
        first = min(one.first for one in own)
        asks = (
            (
                "Look for doses left out, doubled or not written down, and for pellets weighed wet or not topped up. Never make "
                "up for a missed dose with a double one. A dose changed for the animals' sake is right: tell the lead."
            ),
            'Record a changed dose: fairtank amend --tank TANK --rescue "what was done" --at DATE --why ... --by ...',
        )
        yield Finding(
            Kind.CARBON,
            Severity.SOON if open_ones else Severity.INFORMATION,
            f"Carbon given since {day_words(first)} by the events, as a share of the plan: {each}, in mg per litre and day."
            + "".join(said[one.tank] for one in own),
            *(asks if open_ones else ()),
            site=site,
            since=first,
        )


def _solid(watched: Watched, arm: str) -> bool:
    """Whether the arm's carbon is a polymer."""
    carbon = watched.protocol.arm(arm).carbon
    return carbon is not None and product(carbon.source).source.solid


def _arms_apart(watched: Watched, tanks: Sequence[TankCarbon]) -> Iterator[Finding]:
    """Means of arms, each against its own plan; without a plan, against each other as they are."""
    means: dict[str, tuple[float, float | None, int]] = {}
    for arm in dict.fromkeys(one.arm for one in tanks):
        given = [one.given for one in tanks if one.arm == arm and one.given is not None]
        if given:
            means[arm] = (sum(given) / len(given), watched.planned.get(arm), len(given))
    if len(means) < 2:
        return
    planned = all(plan for _, plan, _ in means.values())
    held = {arm: mean / plan if planned and plan else mean for arm, (mean, plan, _) in means.items()}
    least, most = min(held.values()), max(held.values())
    if most <= least * (1 + CARBON_TOLERANCE):
        return
    each = [
        f"{watched.name(arm)} {_rate(mean)}"
        + (f" ({100 * mean / plan:.0f} % of the plan)" if plan else "")
        + f" in {count(number, 'tank')}"
        for arm, (mean, plan, number) in sorted(means.items(), key=lambda item: watched.name(item[0]))
    ]
    first = min(one.first for one in tanks)
    yield Finding(
        Kind.CARBON,
        Severity.SOON,
        f"The arms drift apart in carbon since {day_words(first)}: {'; '.join(each)}. A difference between them could then be the dose and not the source.",
        "Bring the doses back to what was planned, slowly and never for the sake of the comparison where a stop rule holds; "
        "the analysis stays as allocated.",
        since=first,
    )


def _rate(value: float | None) -> str:
    return f"{quantity(value)} mg of carbon per litre and day"
