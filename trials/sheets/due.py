"""Which tank is measured on which day, and for what."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Sequence

    from schemas.protocol import Protocol, Tank


@dataclass(frozen=True)
class DueRow:
    """One tank on one sampling day.

    Parameters
    ----------
    day : date
    tank : str
    phase : str
        The phase of that day; with its period, in a crossover.
    variables : frozenset of str
        What is due.
    """

    day: dt.date
    tank: str
    phase: str
    variables: frozenset[str]


def due_rows(protocol: Protocol, tanks: Sequence[Tank]) -> tuple[DueRow, ...]:
    """The sampling days of these tanks, day by day, the tanks of a day in their order."""
    due: dict[tuple[dt.date, int], set[str]] = {}
    for place, tank in enumerate(tanks):
        for sampling in protocol.schedule.sampling:
            for day in protocol.due_days(sampling.variable, tank.id):
                due.setdefault((day, place), set()).add(sampling.variable)
    return tuple(
        DueRow(day, tanks[place].id, _phase(protocol, day, tanks[place].id), frozenset(variables))
        for (day, place), variables in sorted(due.items())
    )


def _phase(protocol: Protocol, day: dt.date, tank: str) -> str:
    phase = protocol.phase_of(day, tank) or ""
    if protocol.n_periods == 1:
        return phase
    period = next(n for n, (first, after) in enumerate(protocol.periods(tank), 1) if first <= day < after)
    return f"{phase}, period {period}"
