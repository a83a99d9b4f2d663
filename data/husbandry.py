"""What an invented farm writes down of its tanks beside readings: doses, pellets, feed, water changes, mishaps."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

import numpy as np

from analysis.tank_parameters import TankParameters
from analysis.water.doses import parse_dose
from analysis.water.husbandry import ramp_share, top_ups
from schemas.protocol import BASELINE_PHASE

if TYPE_CHECKING:
    from collections.abc import Mapping

    from schemas.protocol import Arm, Protocol, Tank

DAY = dt.timedelta(days=1)
FORGOTTEN = 0.02
"""Of the doses: nobody gave them, so nobody wrote them down."""
CHANGED = "10"
"""Per cent of the water a week, as the tank model has it."""
MISHAPS = (
    ("R4-B", "2025-03-05", "pump failure", "", "", "seal of the return pump, off for two hours"),
    ("R2-C", "2025-04-11", "dead fish", "1", "", "wrasse, jumped"),
    ("R5-B", "2025-05-20", "power cut", "", "", "breaker fell, forty minutes"),
)

Row = dict[str, str]


def husbandry(protocol: Protocol, arm_of: Mapping[str, str], halved: Mapping[str, dt.date]) -> list[Row]:
    """All rows of the log by day and tank; a halved dose is half from the day after the rule was met."""
    rng = np.random.default_rng(len(protocol.tanks))
    rows = [_row(tank, day, kind, amount, unit, note) for tank, day, kind, amount, unit, note in MISHAPS]
    for tank in protocol.tanks:
        rows += _weekly(protocol, tank)
        arm = protocol.arm(arm_of[tank.id])
        if arm.carbon:
            rows += _dosed(protocol, tank, arm, halved.get(tank.id, protocol.last_day), rng)
    return sorted(rows, key=lambda row: (row["at"], row["tank"], row["kind"]))


def _weekly(protocol: Protocol, tank: Tank) -> list[Row]:
    first, days = protocol.schedule.start, (protocol.last_day - protocol.schedule.start).days
    week = float(np.asarray(TankParameters().feed)) * (tank.volume_L or 0.0) * 7 / 1000
    rows = []
    for day in range(3, days, 7):
        at = (first + day * DAY).isoformat()
        rows.append(_row(tank.id, at, "feed", f"{week:.1f}", "g", "the week's"))
        rows.append(_row(tank.id, at, "water change", CHANGED, "%"))
    return rows


def _dosed(
    protocol: Protocol, tank: Tank, arm: Arm, whole_until: dt.date, rng: np.random.Generator
) -> list[Row]:
    assert arm.carbon  # noqa: S101 - asked for dosed arms only
    dose = parse_dose(arm.carbon.full_dose)
    full = dose.amount * (tank.volume_L or 0.0) / (dose.litres or 1.0)
    begun = protocol.phase_days[BASELINE_PHASE][1]
    days = (protocol.last_day - begun).days
    if not dose.daily:
        return _pellets(tank.id, full, begun, days, rng)
    rows = []
    ramp = protocol.schedule.phases[1].days
    for day in range(days + 1):
        share = ramp_share(day, ramp) * (0.5 if begun + day * DAY > whole_until else 1.0)
        if rng.random() >= FORGOTTEN:
            rows.append(
                _row(tank.id, (begun + day * DAY).isoformat(), "dose", f"{full * share:.1f}", dose.unit)
            )
    return rows


def _pellets(tank: str, full: float, begun: dt.date, days: int, rng: np.random.Generator) -> list[Row]:
    """Pellets weighed before each top-up; the balance and the drying are good for some 2 %."""
    rows = []
    for step in top_ups(full, days=days, first=begun):
        at = (begun + step.day * DAY).isoformat()
        if step.left > 0:
            seen = step.left * (1 + 0.02 * rng.standard_normal())
            rows.append(_row(tank, at, "pellets weighed", f"{seen:.1f}", "g"))
        rows.append(_row(tank, at, "pellets added", f"{step.add:.1f}", "g"))
    return rows


def _row(tank: str, at: str, kind: str, amount: str = "", unit: str = "", note: str = "") -> Row:
    return {"tank": tank, "at": at, "kind": kind, "amount": amount, "unit": unit, "by": "KE", "note": note}
