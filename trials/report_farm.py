"""What a farm decides by: for each comparison its effect, materials, work, losses and stalls, and what is not known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.arm_husbandry import arm_husbandry
from analysis.numerals import count, plain, quantity
from analysis.water.carbon import product
from analysis.water.doses import parse_dose
from analysis.wording import arm_title, estimate_words, first_primary, interval_words
from schemas.errors import WaterError
from schemas.plain_words import listed
from schemas.protocol import Planning
from trials.report_club import next_steps
from trials.report_results import pair
from trials.report_tables import Table, table

if TYPE_CHECKING:
    from collections.abc import Callable

    from analysis.arm_husbandry import ArmHusbandry
    from analysis.records import Contrast, EndpointResult
    from schemas.protocol import Protocol
    from trials.report_material import ReportMaterial

MONTH = 365.25 / 12
"""Days."""
SIDE_BY_SIDE = 3
"""Comparisons in one table; more go into further tables."""


@dataclass(frozen=True)
class Decision:
    """The farm's page: what follows, the tables, and what would have to be known as well."""

    steps: tuple[str, ...]
    tables: tuple[Table, ...]
    missing: tuple[str, ...]


@dataclass(frozen=True)
class _Facts:
    """What the cells are written from."""

    m: ReportMaterial
    arms: dict[str, ArmHusbandry]
    planning: Planning
    litres: float | None

    @property
    def protocol(self) -> Protocol:
        return self.m.protocol


def decision(m: ReportMaterial) -> Decision:
    """Put together what the comparisons of the first primary endpoint mean for a farm."""
    first = first_primary(m.analysis)
    if first is None:
        return Decision((), (), ("The protocol registers no endpoint.",))
    until = m.made_at.date()
    husbandry = arm_husbandry(m.protocol, m.allocation, m.readings, m.events, until)
    volumes = [tank.volume_L for tank in m.protocol.tanks if tank.volume_L is not None]
    facts = _Facts(
        m,
        {one.arm: one for one in husbandry},
        m.protocol.planning or Planning(),
        sum(volumes) / len(volumes) if volumes else None,
    )
    pairs = first.contrasts
    groups = [pairs[i : i + SIDE_BY_SIDE] for i in range(0, len(pairs), SIDE_BY_SIDE)]
    return Decision(
        tuple(next_steps(first, m.protocol)),
        tuple(_table(facts, list(group)) for group in groups),
        tuple(_missing(facts)),
    )


def _table(facts: _Facts, contrasts: list[Contrast]) -> Table:
    """A row for each thing to weigh, a column for each comparison."""
    rows = [
        (plain(endpoint.title, 80), *(_effect(endpoint, contrast) for contrast in contrasts))
        for endpoint in facts.m.analysis.endpoints
    ]
    for title, cell in (
        ("Materials a month, one tank", _materials),
        ("Work a month, one tank", _work),
        ("Animals lost", _lost),
        ("Equipment faults", _faults),
        ("Tanks that met a stop rule", _stopped),
        ("Stall days", _stalls),
    ):
        rows.append((title, *(_sides(facts, contrast, cell) for contrast in contrasts)))
    names = (pair(facts.protocol, contrast) for contrast in contrasts)
    return table("What each choice brings, takes and risks", ("To weigh", *names), rows)


def _effect(endpoint: EndpointResult, named: Contrast) -> str:
    """What an endpoint showed of the same comparison, with its reading."""
    found = next(
        (c for c in endpoint.contrasts if (c.test, c.reference) == (named.test, named.reference)), None
    )
    if found is None or found.estimate is None:
        return "could not be compared"
    allowed = interval_words(endpoint, found)
    return f"{estimate_words(endpoint, found)}{f' ({allowed})' if allowed else ''}: {found.verdict or 'no reading'}"


def _sides(facts: _Facts, contrast: Contrast, cell: Callable[[_Facts, ArmHusbandry], str]) -> str:
    """What a cell says of the two arms, in the order of the comparison's name; once where it is the same."""
    test, reference = (cell(facts, facts.arms[arm]) for arm in (contrast.test, contrast.reference))
    return f"{test} in both" if test == reference else f"{test} v {reference}"


def _materials(facts: _Facts, arm: ArmHusbandry) -> str:
    carbon = facts.protocol.arm(arm.arm).carbon
    if carbon is None:
        return "none"
    recorded = [
        f"{quantity(amount * MONTH / arm.tank_days)} {unit}"
        for (_, unit), amount in arm.given.items()
        if arm.tank_days and amount
    ]
    if recorded:
        return f"{listed(recorded, last='and')} as recorded{_price(facts, arm)}"
    return f"{_planned(facts, arm)} (as planned)"


def _planned(facts: _Facts, arm: ArmHusbandry) -> str:
    """The registered full dose of a tank of the mean volume, over a month where it is given daily."""
    carbon = facts.protocol.arm(arm.arm).carbon
    try:
        dose = parse_dose(carbon.full_dose if carbon and carbon.full_dose else "")
    except WaterError:
        return "full dose not known"
    if dose.litres is not None and facts.litres is None:
        return f"{dose}"
    amount = dose.amount if dose.litres is None else dose.for_litres(facts.litres or 0.0).amount
    if dose.daily:
        return f"{quantity(amount * MONTH)} {dose.unit}"
    return f"{quantity(amount)} {dose.unit} standing"


def _price(facts: _Facts, arm: ArmHusbandry) -> str:
    """What the recorded amounts cost, where the protocol gives a price and they are counted as it is."""
    carbon = facts.protocol.arm(arm.arm).carbon
    if carbon is None or carbon.cost is None or not arm.tank_days:
        return ""
    unit = _priced_by(carbon.source)
    amounts = {given for _, given in arm.given}
    if unit is None or amounts != {unit}:
        return ""
    total = sum(arm.given.values()) / 1000 * carbon.cost
    return f", at a cost of {quantity(total * MONTH / arm.tank_days)}"


def _priced_by(source: str) -> str | None:
    """Grams for what is sold by the kilogram, millilitres for what is sold by the litre."""
    try:
        return "g" if product(source).source.solid else "mL"
    except WaterError:
        return None


def _work(facts: _Facts, arm: ArmHusbandry) -> str:
    said = []
    days = len({day for s in facts.protocol.schedule.sampling for day in facts.protocol.due_days(s.variable)})
    span = (facts.protocol.last_day - facts.protocol.schedule.start).days + 1
    tests = days * MONTH / span
    minutes = facts.planning.minutes_per_sampling
    hours = f", {quantity(tests * minutes / 60, 2)} h" if minutes else ""
    cost = (
        f", at a cost of {quantity(tests * minutes / 60 * facts.planning.cost_hour)}"
        if minutes and facts.planning.cost_hour
        else ""
    )
    said.append(f"tests on {quantity(tests, 2)} days{hours}{cost}")
    if arm.doses and arm.tank_days:
        said.append(f"{quantity(arm.doses * MONTH / arm.tank_days, 2)} doses")
    return listed(said, last="and")


def _lost(facts: _Facts, arm: ArmHusbandry) -> str:
    return f"{quantity(arm.lost)} in {_exposure(arm)}" if len(facts.m.events) else "not recorded"


def _faults(facts: _Facts, arm: ArmHusbandry) -> str:
    return f"{arm.faults} in {_exposure(arm)}" if len(facts.m.events) else "not recorded"


def _stopped(_: _Facts, arm: ArmHusbandry) -> str:
    named = f" ({listed(arm.stopped, last='and')})" if 0 < len(arm.stopped) <= 4 else ""
    return f"{len(arm.stopped)} of {arm.tanks}{named}"


def _stalls(_: _Facts, arm: ArmHusbandry) -> str:
    return "none, not dosed" if arm.stall_days is None else f"{arm.stall_days} in {_exposure(arm)}"


def _exposure(arm: ArmHusbandry) -> str:
    return count(round(arm.tank_days / 7), "tank-week")


def _missing(facts: _Facts) -> list[str]:
    """What a decision needs and neither protocol nor register holds, each with where it would be written."""
    said = []
    if not len(facts.m.events):
        said.append(
            "No husbandry event was taken in: doses, animals lost and faults are not known. “fairtank intake” takes them."
        )
    unpriced = [
        arm_title(facts.protocol, arm.id)
        for arm in facts.protocol.arms
        if arm.carbon is not None and arm.carbon.cost is None
    ]
    if unpriced:
        said.append(
            f"No price for the carbon of {listed(unpriced, last='and')}: “cost” beside “source” in the protocol, of a "
            "kilogram or a litre."
        )
    if facts.planning.minutes_per_sampling is None:
        said.append("No minutes for a sampling: “minutes_per_sampling” under [planning].")
    if facts.planning.cost_hour is None:
        said.append("No cost of an hour of work: “cost_hour” under [planning].")
    standing = [
        arm_title(facts.protocol, arm.id)
        for arm in facts.protocol.arms
        if arm.carbon is not None and _priced_by(arm.carbon.source) == "g" and not facts.arms[arm.id].given
    ]
    if standing:
        said.append(
            f"How much of {listed(standing, last='and')} is used up in a month: only what stands in a reactor is known, since "
            "no pellets added are recorded."
        )
    said.append(
        "The time that a dose, a cleaning or a topping up takes is not recorded anywhere; time a few."
    )
    said.append("Reactor, pump and electricity are not counted: they depend on the site.")
    return said
