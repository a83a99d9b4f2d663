"""What each tank is given, in the words of its arm: shown only to the people who must do it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.numerals import day_words, plain, quantity
from analysis.water.carbon import product
from analysis.water.doses import parse_dose
from analysis.water.husbandry import ramp_table
from schemas.errors import WaterError
from schemas.protocol import BASELINE_PHASE, RAMP_PHASE

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from analysis.masking import Mask
    from analysis.water.doses import Dose
    from analysis.water.husbandry import RampStep
    from schemas.allocation import Allocation
    from schemas.protocol import Arm, Protocol, Tank


@dataclass(frozen=True)
class TankDose:
    """What one tank is given in one period.

    Parameters
    ----------
    tank, volume : str
        The tank, and the water in it as far as the protocol says.
    period : str
        The days of it; empty where the trial has one period.
    arm : str
        The arm's title.
    given : str
        Source and full dose as the protocol writes them, or that nothing is dosed.
    full : str
        The full dose of this tank; empty where it cannot be worked out.
    steps : tuple of (str, str)
        How it is usually raised: a day, and the dose from then on.
    first : str
        The first day of treatment, where a baseline comes before.
    """

    tank: str
    volume: str
    period: str
    arm: str
    given: str
    full: str = ""
    steps: tuple[tuple[str, str], ...] = ()
    first: str = ""

    @property
    def line(self) -> str:
        """All but the steps in one sentence."""
        when = f", {self.period}" if self.period else ""
        water = f" ({self.volume})" if self.volume else ""
        given = f" {self.given}." if self.given else ""
        full = f" For this tank: {self.full} at full dose." if self.full else ""
        first = f" Nothing before {self.first}." if self.first and self.full else ""
        return f"{self.tank}{water}{when}: {self.arm}.{given}{full}{first}"


def tank_doses(protocol: Protocol, tanks: Sequence[Tank], allocation: Allocation) -> tuple[TankDose, ...]:
    """What these tanks are given, in the order of the tanks, then of the periods.

    The ramp is common practice (a third of the full dose, raised in a straight line over the phase named ramp) and
    stands only where the protocol has such a phase.
    """
    sequences = allocation.sequence_of()
    return tuple(
        _dose(protocol, tank, protocol.arm(arm), period)
        for tank in tanks
        for period, arm in enumerate(sequences.get(tank.id, ()))
    )


def masked_arms(tanks: Sequence[Tank], allocation: Allocation, mask: Mask) -> tuple[TankDose, ...]:
    """The letters of the tanks' arms and nothing else, for people who score without knowing."""
    sequences = allocation.sequence_of()
    return tuple(
        TankDose(tank.id, "", "", f"arm {', then '.join(mask.letters[a] for a in sequences[tank.id])}", "")
        for tank in tanks
        if tank.id in sequences
    )


def _dose(protocol: Protocol, tank: Tank, arm: Arm, period: int) -> TankDose:
    volume = f"{quantity(tank.volume_L)} L" if tank.volume_L else ""
    first, after = protocol.periods(tank.id)[period]
    days = (
        f"{day_words(first)} to {day_words(after - dt.timedelta(days=1))}" if protocol.n_periods > 1 else ""
    )
    title = plain(arm.title, 200)
    if arm.carbon is None:
        return TankDose(tank.id, volume, days, title, "No carbon is dosed")
    source, written = plain(arm.carbon.source, 100), arm.carbon.full_dose
    if written is None:
        return TankDose(tank.id, volume, days, title, f"{source}: the dose is the lead's to say")
    given = f"{source}, full dose {plain(written, 100)}"
    before = protocol.phase_days.get(BASELINE_PHASE)
    starts = ""
    if before is not None:
        starts = day_words(protocol.windows(BASELINE_PHASE, tank.id)[period][1])
    try:
        dose = _for_tank(parse_dose(written), tank)
    except WaterError:
        dose = None
    if dose is None:
        return TankDose(tank.id, volume, days, title, given, first=starts)
    amount = _in_words(arm.carbon.source)
    steps = _steps(protocol, tank, dose, period)
    return TankDose(
        tank.id,
        volume,
        days,
        title,
        given,
        amount(dose),
        tuple((day_words(step.date), amount(step.dose)) for step in steps if step.date is not None),
        starts,
    )


def _for_tank(dose: Dose, tank: Tank) -> Dose | None:
    """The dose of the whole tank; None where its volume would be needed and is not written."""
    if dose.litres is None:
        return dose
    return dose.for_litres(tank.volume_L) if tank.volume_L else None


def _in_words(source: str) -> Callable[[Dose], str]:
    """How a dose of this source is said: a polymer's is what stands in the reactor."""
    try:
        solid = product(source).source.solid
    except WaterError:
        solid = False

    def amount(dose: Dose) -> str:
        often = " a day" if dose.daily else " in the reactor" if solid else ""
        return f"{quantity(dose.amount)} {dose.unit}{often}"

    return amount


def _steps(protocol: Protocol, tank: Tank, dose: Dose, period: int) -> tuple[RampStep, ...]:
    if RAMP_PHASE not in protocol.phase_days:
        return ()
    first, after = protocol.windows(RAMP_PHASE, tank.id)[period]
    return ramp_table(dose, days=(after - first).days, first=first)
