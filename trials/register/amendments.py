"""Entries read back as what happened in a trial: events of tanks, and amendments of the protocol."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from schemas.errors import RegisterError
from schemas.plain_words import listed
from trials.register.amending import TANK_KINDS, readings_in
from trials.register.bodies import AmendmentBody, DeviationBody
from trials.register.chain import Kind
from trials.register.protocol_changes import changes, fixed_parts_changed, primary_changed
from trials.register.records import Amendment, TankEvent

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from schemas.protocol import Protocol
    from trials.register.records import Entry


def tank_events(entries: Iterable[Entry]) -> list[TankEvent]:
    """Deviations, dropouts and rescues, in the order in which they were recorded."""
    events = []
    for entry in entries:
        if entry.kind in TANK_KINDS:
            body = TANK_KINDS[entry.kind].of(entry)
            treated_as = body.treated_as if isinstance(body, DeviationBody) else None
            events.append(
                TankEvent(
                    entry.number,
                    dt.datetime.fromisoformat(entry.at),
                    entry.kind,
                    body.tank,
                    body.day,
                    body.what,
                    body.by,
                    body.why,
                    treated_as,
                )
            )
    return events


def amendments_of(entries: Sequence[Entry], protocol_of: Callable[[str], Protocol]) -> list[Amendment]:
    """The amendments of a trial; whether data had been seen is read off the entries before, not off what was said."""
    found = []
    for entry in entries:
        if entry.kind == Kind.AMENDMENT:
            body = AmendmentBody.of(entry)
            before, after = protocol_of(body.before), protocol_of(body.protocol)
            found.append(
                Amendment(
                    entry.number,
                    dt.datetime.fromisoformat(entry.at),
                    body.before,
                    body.protocol,
                    tuple(changes(before, after)),
                    readings_in(e for e in entries if e.number < entry.number),
                    primary_changed(before, after),
                    body.by,
                    body.why,
                )
            )
    return found


def refuse_unfit_protocol(before: Protocol, after: Protocol) -> None:
    """Refuse a protocol that cannot take the place of the one in force.

    Raises
    ------
    RegisterError
        It changes what the draw rests on, or nothing at all.
    """
    fixed = fixed_parts_changed(before, after)
    if fixed:
        raise RegisterError(
            f"An amendment of {before.trial.id} cannot change {listed(fixed, last='and')}, which the draw rests on; leave "
            "them as they were sealed, note a deviation of the tanks concerned, or register a new trial."
        )
    if not changes(before, after):
        raise RegisterError(
            f"This is the protocol of {before.trial.id} that is in force already; nothing was changed."
        )
