"""What could spoil a trial before it starts: each a sentence for the lead, from chemistry and the tank model.

The levels that tanks start from are assumed (they can be given), as is all that the model says: for planning, never
evidence. What the protocol's own warnings say is not said again here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from analysis.arm_doses import arm_doses
from analysis.dosed_tanks import LOW_PHOSPHATE
from analysis.numerals import quantity
from analysis.tank_model import NITRATE_PER_N, PHOSPHATE_PER_P, Dosing, run
from analysis.tank_parameters import TankParameters
from analysis.watch.carbon import CARBON_TOLERANCE
from analysis.water.carbon import BIOMASS
from analysis.water.oxygen import saturation
from analysis.water.stoichiometry import GROWTH_EFFICIENCY, runs_out
from schemas.errors import UnitError
from schemas.plain_words import listed
from schemas.protocol import BASELINE_PHASE, RAMP_PHASE
from schemas.units import to_canonical
from schemas.variables import endpoint_variables
from schemas.vocabulary import EndpointRole, Scale
from trials.planning import assumptions, shown

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analysis.arm_doses import ArmDose
    from analysis.tank_model import Course
    from schemas.protocol import Endpoint, Protocol

OXYGEN_SHARE = 0.25
"""Of the oxygen in saturated water that a dose may use at once before it is said: our own line, no source."""
FEED_UNEVEN = 0.25
"""By how much hand feeding wanders from tank to tank and week to week: assumed for planning."""
SAFE_NITRATE = 2.0
"""mg/L below which a reactor may begin to reduce sulfate: common practice, no source."""


@dataclass(frozen=True)
class Start:
    """Nitrate and phosphate that tanks start from, mg/L; the defaults are the tank model's at rest."""

    nitrate: float = float(TankParameters().nitrogen_at_rest) * NITRATE_PER_N
    phosphate: float = float(TankParameters().phosphorus_at_rest) * PHOSPHATE_PER_P

    def level(self, variable: str) -> float | None:
        """The level of a variable; None for any other."""
        return {"nitrate": self.nitrate, "phosphate": self.phosphate}.get(variable)

    def tank(self) -> TankParameters:
        """The model's tank, scaled to start from these levels and to rest there while undosed."""
        usual = TankParameters()
        at_rest = Start()
        # Less of the element is held back or more, so that the tank would stay where it starts.
        return replace(
            usual,
            nitrogen_released=float(usual.nitrogen_released) * self.nitrate / at_rest.nitrate,
            phosphorus_released=float(usual.phosphorus_released) * self.phosphate / at_rest.phosphate,
        )


def planning_warnings(protocol: Protocol, start: Start | None = None) -> tuple[str, ...]:
    """Each warning as a sentence; none of them stops anything."""
    at = start or Start()
    doses, unread = arm_doses(protocol)
    return (
        *_kit_steps(protocol, at),
        *_phosphate_first(protocol, at, doses),
        *unread,
        *_unequal(doses),
        *_drowned(protocol, at),
        *_oxygen(protocol, doses),
        *_sulfide(protocol, at, doses),
    )


def _compared(protocol: Protocol) -> Iterator[Endpoint]:
    """Endpoints whose effect is to be shown, in order."""
    return (endpoint for endpoint in protocol.endpoints if endpoint.role is not EndpointRole.SAFETY)


def _change(protocol: Protocol, endpoint: Endpoint, start: Start) -> tuple[float, float] | None:
    """The assumed effect as a change in the variable's unit, and the level it starts from."""
    effect, level = assumptions(protocol, endpoint).effect, start.level(endpoint.variable)
    if effect is None or level is None or endpoint.summary not in {"mean", "median", "last"}:
        return None
    there = level * shown(endpoint, effect) if endpoint.scale is Scale.RATIO else level + effect
    return there - level, level


def _kit_steps(protocol: Protocol, start: Start) -> Iterator[str]:
    known = endpoint_variables(protocol)
    for endpoint in _compared(protocol):
        variable, change = known[endpoint.variable], _change(protocol, endpoint, start)
        if change is None:
            continue
        size, there = abs(change[0]), sum(change)
        if variable.resolution is not None and size < 2 * variable.resolution:
            yield (
                f"{endpoint.id}: the effect is {quantity(size)} {variable.unit} from {quantity(change[1])}, and kits "
                f"count in steps of {quantity(variable.resolution)}: within two steps, a single reading cannot show it."
            )
        for kit in protocol.kits:
            if kit.variable != endpoint.variable:
                continue
            try:
                limit = to_canonical(kit.limit, kit.unit or variable.unit, variable)
            except UnitError:
                continue  # the protocol's rules have said so
            if there < limit:
                yield (
                    f"{endpoint.id}: the effect would bring {endpoint.variable} to {quantity(max(there, 0.0))} "
                    f"{variable.unit}, below the limit of the kit {kit.id} ({quantity(limit)}), which could not show it."
                )


def _courses(
    protocol: Protocol, start: Start, doses: tuple[ArmDose, ...]
) -> Iterator[tuple[ArmDose, Course]]:
    """One steady tank of the model for each arm with carbon, over the days from the first dose to the end."""
    dosed = protocol.phase_days.get(BASELINE_PHASE, (None, protocol.schedule.start))[1]
    end = protocol.periods()[0][1]
    ramp = next((phase.days for phase in protocol.schedule.phases if phase.id == RAMP_PHASE), 28)
    for dose in doses:
        if dose.carbon:
            given = Dosing(
                dose.liquid,
                dose.model_pellets,
                float(ramp),
                nitrogen_per_carbon=dose.nitrogen_per_carbon,
            )
            yield dose, run(start.tank(), given, (end - dosed).days)


def _phosphate_first(protocol: Protocol, start: Start, doses: tuple[ArmDose, ...]) -> Iterator[str]:
    endpoint = next((e for e in _compared(protocol) if e.variable == "nitrate"), None)
    change = _change(protocol, endpoint, start) if endpoint else None
    if change is None or change[0] >= 0:
        return
    closed = runs_out(start.nitrate, start.phosphate)
    for dose, course in _courses(protocol, start, doses):
        low = course.phosphate < LOW_PHOSPHATE
        if not low.any():
            continue
        day = int(low.argmax())
        fallen = start.nitrate - float(course.nitrate[day])
        if fallen < abs(change[0]) / 2:
            yield (
                f"Phosphate runs out before nitrate moves in the arm {dose.arm}: in the tank model it is below "
                f"{LOW_PHOSPHATE:g} mg/L {day} days after the first dose, when nitrate has fallen by {quantity(fallen)} of "
                f"the {quantity(abs(change[0]))} mg/L looked for. Growth in closed water could take only "
                f"{quantity(closed.taken.nitrate)} mg/L of nitrate with the {quantity(start.phosphate)} mg/L of phosphate "
                "there; a stall then says nothing of the carbon source."
            )


def _unequal(doses: tuple[ArmDose, ...]) -> Iterator[str]:
    given = [dose for dose in doses if dose.carbon]
    if len(given) < 2:
        return
    least, most = (chosen(given, key=lambda dose: dose.carbon) for chosen in (min, max))
    if most.carbon > least.carbon * (1 + CARBON_TOLERANCE):
        each = listed([f"{dose.arm} {quantity(dose.carbon)}" for dose in given], "and")
        yield (
            f"The arms are not equal in carbon: {each} mg C per litre and day at full dose (pellets at an assumed wear of "
            f"{100 * float(TankParameters.pellet_rate):g} % a day); a difference between them could be the dose and not "
            "the source."
        )


def _drowned(protocol: Protocol, start: Start) -> Iterator[str]:
    tank = start.tank()
    for endpoint in _compared(protocol):
        change = _change(protocol, endpoint, start)
        if endpoint.variable != "nitrate" or change is None or change[0] <= -change[1]:
            continue
        share = abs(change[0]) / change[1]
        if share > FEED_UNEVEN:
            continue
        ratio = 1 - share
        lost = float(tank.water_change)
        needed = (lost + float(tank.nitrogen_sink)) / ratio - float(tank.nitrogen_sink)
        weekly, then = (100 * (1 - math.exp(-7 * rate)) for rate in (lost, needed))
        yield (
            f"{endpoint.id}: feed and water changes can drown an effect of {100 * share:.0f} %: in the tank model feeding "
            f"{100 * share:.0f} % less, or changing {then:.0f} % of the water a week in place of {weekly:.0f} %, does as "
            "much; weigh the feed and keep water changes alike in all arms."
        )


def _oxygen(protocol: Protocol, doses: tuple[ArmDose, ...]) -> Iterator[str]:
    full = saturation(35, 25)
    for dose in doses:
        if dose.source is None or dose.pellets:
            continue
        kept = GROWTH_EFFICIENCY * BIOMASS.oxygen_per_carbon / dose.source.oxygen_per_carbon
        used = dose.oxygen * (1 - kept)
        if used >= OXYGEN_SHARE * full:
            yield (
                f"Oxygen: the full daily dose of the arm {dose.arm} takes {quantity(used)} mg/L of oxygen as it is eaten, "
                f"{100 * used / full:.0f} % of what warm sea water holds; split it or drip it by day, never give it at "
                "night, and keep the skimmer running."
            )
    rules = [rule for rule in protocol.stop_rules if rule.variable in ("oxygen", "oxygen-saturation")]
    if any(dose.carbon for dose in doses) and not any(rule.below is not None for rule in rules):
        yield (
            "Oxygen: carbon is dosed and no stop rule watches oxygen; bacteria use most of it at night, so measure before "
            "the lights come on and stop the carbon below some 4.5 mg/L (common practice)."
        )


def _sulfide(protocol: Protocol, start: Start, doses: tuple[ArmDose, ...]) -> Iterator[str]:
    solid = tuple(dose for dose in doses if dose.pellets)
    if not solid:
        return
    if not any(rule.variable == "nitrate" and rule.below is not None for rule in protocol.stop_rules):
        yield (
            f"Hydrogen sulfide: {listed([dose.arm for dose in solid], 'and')} holds pellets and no stop rule watches "
            f"nitrate from below; a reactor whose nitrate runs out can make hydrogen sulfide, which kills: act below 1 to "
            f"{SAFE_NITRATE:g} mg/L (common practice), and never lean in to smell."
        )
    for dose, course in _courses(protocol, start, solid):
        low = course.nitrate < SAFE_NITRATE
        if low.any():
            yield (
                f"Hydrogen sulfide: in the tank model nitrate of the arm {dose.arm} is below {SAFE_NITRATE:g} mg/L "
                f"{int(low.argmax())} days after the first dose; a clogged reactor could then make hydrogen sulfide. Dose "
                "less, check its flow each week, and run black water to waste."
            )
