"""What the register knows of one reading, event or tank, line by line in the order of the chain."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from sqlalchemy import select

from schemas.events import amount_in_words
from schemas.plain_words import quoted
from schemas.variables import variables_for
from trials.register import queries, tables
from trials.register.amending import TANK_KINDS
from trials.register.bodies import (
    AllocationBody,
    CorrectionBody,
    DeviationBody,
    EventCorrectionBody,
    IntakeBody,
    KitCorrectionBody,
)
from trials.register.chain import Kind
from trials.register.kept import EVENTS, READINGS
from trials.register.records import HistoryLine

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from typing import Any

    from sqlalchemy import Connection

    from schemas.protocol import Protocol
    from trials.register.kept import Kept
    from trials.register.records import Entry


def of_reading(connection: Connection, trial: str, protocol: Protocol, number: int) -> list[HistoryLine]:
    """How a reading came in, and what was said of it since; empty where the trial has no such reading."""
    found = {READINGS: _stored(connection, trial, READINGS, tables.readings.c.reading == number)}
    return _lines(connection, trial, protocol, found, tank=None)


def of_event(connection: Connection, trial: str, protocol: Protocol, number: int) -> list[HistoryLine]:
    """How an event came in, and what was said of it since; empty where the trial has no such event."""
    found = {EVENTS: _stored(connection, trial, EVENTS, tables.events.c.event == number)}
    return _lines(connection, trial, protocol, found, tank=None)


def of_tank(connection: Connection, trial: str, protocol: Protocol, tank: str) -> list[HistoryLine]:
    """The arm of a tank, its readings and events with their numbers and corrections, and what happened to it."""
    found = {kept: _stored(connection, trial, kept, kept.table.c.tank == tank) for kept in (READINGS, EVENTS)}
    return _lines(connection, trial, protocol, found, tank=tank)


def _stored(connection: Connection, trial: str, kept: Kept, which: Any) -> list[Any]:
    table = kept.table
    query = (
        select(table)
        .join(tables.entries, tables.entries.c.number == table.c.entry)
        .where(tables.entries.c.trial == trial, which)
        .order_by(table.c[kept.key])
    )
    return list(connection.execute(query))


def _lines(
    connection: Connection,
    trial: str,
    protocol: Protocol,
    found: Mapping[Kept, Sequence[Any]],
    tank: str | None,
) -> list[HistoryLine]:
    units = {name: variable.unit for name, variable in variables_for(protocol).items()}
    sites = {tank.id: tank.site for tank in protocol.tanks}
    readings, events = ({row[0]: row for row in found.get(kept, ())} for kept in (READINGS, EVENTS))
    lines: list[HistoryLine] = []
    for entry in queries.entries(connection, trial=trial):
        match entry.kind:
            case Kind.INTAKE:
                body = IntakeBody.of(entry)
                file = body.file.name
                lines += (
                    _taken_in(entry, row, body, units)
                    for row in readings.values()
                    if row.entry == entry.number
                )
                lines += (_happened(entry, row, file) for row in events.values() if row.entry == entry.number)
            case Kind.CORRECTION:
                lines += _corrected(entry, readings, units)
            case Kind.EVENT_CORRECTION:
                lines += _event_corrected(entry, events)
            case Kind.KIT_CORRECTION:
                lines += _kit_corrected(entry, readings.values(), sites, units)
            case _ if tank is not None:
                lines += _of_the_tank(entry, tank)
    return lines


def _taken_in(entry: Entry, row: Any, body: IntakeBody, units: Mapping[str, str]) -> HistoryLine:
    test = f", test {row.replicate}" if row.replicate > 1 else ""
    written = f"{row.raw_value} {row.raw_unit}".strip()
    text = (
        f"{row.tank}, {row.variable}, {_moment(row.taken_at)}{test}: "
        f"{_value(row.value, row.sign, units.get(row.variable, ''))} "
        f"(written {quoted(written)}, {_place(row, body.file.name)})"
    )
    if body.stream:
        text += f"; {row.note}"
    said = body.as_they_are
    if said:
        text += f", held by entry {said.held_by} as unlikely and accepted as it is"
        return HistoryLine(entry.number, entry.at, entry.kind, text, row.reading, said.by, said.why)
    return HistoryLine(entry.number, entry.at, entry.kind, text, row.reading, by=row.by)


def _happened(entry: Entry, row: Any, file: str) -> HistoryLine:
    amount = "" if row.amount is None else amount_in_words(row.amount, row.unit)
    what = "; ".join(filter(None, (amount, row.note)))
    written = f"{row.raw_amount} {row.raw_unit}".strip()
    said = f"written {quoted(written)}, " if written else ""
    text = (
        f"{row.tank}, {row.kind}, {_moment(row.at)}{f': {what}' if what else ''} ({said}{_place(row, file)})"
    )
    return HistoryLine(entry.number, entry.at, entry.kind, text, None, row.by, event=row.event)


def _event_corrected(entry: Entry, known: Mapping[int, Any]) -> Iterator[HistoryLine]:
    body = EventCorrectionBody.of(entry)
    if body.event not in known:
        return
    text = "withdrawn"
    if body.amount is not None:
        written = f"{body.raw_amount} {body.raw_unit}".strip()
        text = f"corrected to {amount_in_words(body.amount, body.unit)} (written {quoted(written)})"
    yield HistoryLine(entry.number, entry.at, entry.kind, text, None, body.by, body.why, event=body.event)


def _kit_corrected(
    entry: Entry, known: Iterable[Any], sites: Mapping[str, str | None], units: Mapping[str, str]
) -> Iterator[HistoryLine]:
    """A correction of the kit that any of these readings is by."""
    body = KitCorrectionBody.of(entry)
    concerned = any(
        (row.kit, row.variable) == (body.kit, body.variable) and body.site in (None, sites.get(row.tank))
        for row in known
    )
    if concerned:
        where = f" at {body.site}" if body.site is not None else ""
        done = body.made_at(dt.datetime.fromisoformat(entry.at)).in_words(units.get(body.variable, ""))
        text = f"{body.variable} by the kit {body.kit}{where} stands beside as corrected: {done}"
        yield HistoryLine(entry.number, entry.at, entry.kind, text, None, body.by, body.why)


def _moment(stored: str) -> str:
    return stored.replace("T00:00:00", "").replace("T", " ")


def _place(row: Any, file: str) -> str:
    return f"{file}, row {row.row}{f' of sheet {row.sheet}' if row.sheet else ''}"


def _corrected(entry: Entry, known: Mapping[int, Any], units: Mapping[str, str]) -> Iterator[HistoryLine]:
    body = CorrectionBody.of(entry)
    if body.reading not in known:
        return
    text = "withdrawn"
    if body.value is not None:
        unit = units.get(known[body.reading].variable, "")
        written = f"{body.raw_value} {body.raw_unit}".strip()
        text = f"corrected to {_value(body.value, body.sign, unit)} (written {quoted(written)})"
    yield HistoryLine(entry.number, entry.at, entry.kind, text, body.reading, body.by, body.why)


def _of_the_tank(entry: Entry, tank: str) -> Iterator[HistoryLine]:
    if entry.kind == Kind.ALLOCATION:
        arms = AllocationBody.of(entry).allocation.sequence_of().get(tank)
        if arms:
            yield HistoryLine(entry.number, entry.at, entry.kind, f"allocated to {', then '.join(arms)}")
    elif entry.kind in TANK_KINDS:
        body = TANK_KINDS[entry.kind].of(entry)
        if body.tank != tank:
            return
        treated_as = body.treated_as if isinstance(body, DeviationBody) else None
        arm = f", in fact treated as {treated_as}" if treated_as else ""
        text = f"{body.day}: {body.what}{arm}"
        yield HistoryLine(entry.number, entry.at, entry.kind, text, None, body.by, body.why)


def _value(value: float, sign: str, unit: str) -> str:
    shown = unit if unit not in ("1", "pH") else ""
    return f"{sign}{value:.6g} {shown}".rstrip()
