"""What the register knows of one reading or one tank, line by line in the order of the chain."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import select

from schemas.plain_words import quoted
from schemas.variables import variables_for
from trials.register import queries, tables
from trials.register.amending import TANK_KINDS
from trials.register.bodies import AllocationBody, CorrectionBody, DeviationBody, IntakeBody
from trials.register.chain import Kind
from trials.register.records import HistoryLine

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from typing import Any

    from sqlalchemy import Connection

    from schemas.protocol import Protocol
    from trials.register.records import Entry


def of_reading(connection: Connection, trial: str, protocol: Protocol, number: int) -> list[HistoryLine]:
    """How a reading came in, and what was said of it since; empty where the trial has no such reading."""
    return _lines(connection, trial, protocol, tables.readings.c.reading == number, tank=None)


def of_tank(connection: Connection, trial: str, protocol: Protocol, tank: str) -> list[HistoryLine]:
    """The arm of a tank, its readings with their numbers and corrections, and what happened to it."""
    return _lines(connection, trial, protocol, tables.readings.c.tank == tank, tank=tank)


def _lines(
    connection: Connection, trial: str, protocol: Protocol, which: Any, tank: str | None
) -> list[HistoryLine]:
    table = tables.readings
    query = (
        select(table)
        .join(tables.entries, tables.entries.c.number == table.c.entry)
        .where(tables.entries.c.trial == trial, which)
        .order_by(table.c.reading)
    )
    found = connection.execute(query).all()
    units = {name: variable.unit for name, variable in variables_for(protocol).items()}
    by_entry: dict[int, list[Any]] = {}
    for row in found:
        by_entry.setdefault(row.entry, []).append(row)
    known = {row.reading: row for row in found}
    lines: list[HistoryLine] = []
    for entry in queries.entries(connection, trial=trial):
        if entry.kind == Kind.INTAKE and entry.number in by_entry:
            file = IntakeBody.of(entry).file.name
            lines += (_taken_in(entry, row, file, units) for row in by_entry[entry.number])
        elif entry.kind == Kind.CORRECTION:
            lines += _corrected(entry, known, units)
        elif tank is not None:
            lines += _of_the_tank(entry, tank)
    return lines


def _taken_in(entry: Entry, row: Any, file: str, units: Mapping[str, str]) -> HistoryLine:
    sheet = f" of sheet {row.sheet}" if row.sheet else ""
    test = f", test {row.replicate}" if row.replicate > 1 else ""
    written = f"{row.raw_value} {row.raw_unit}".strip()
    text = (
        f"{row.tank}, {row.variable}, {row.taken_at.replace('T00:00:00', '').replace('T', ' ')}{test}: "
        f"{_value(row.value, row.sign, units.get(row.variable, ''))} "
        f"(written {quoted(written)}, {file}, row {row.row}{sheet})"
    )
    return HistoryLine(entry.number, entry.at, entry.kind, text, row.reading, by=row.by)


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
