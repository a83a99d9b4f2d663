"""Which held rows still wait for a person.

A held row stops waiting when a later one takes its place:

- a row with the same cells, in whatever file: accepted or repeated, it is in; held again, it is that one which waits;
- a row that says "entry 4, row 12" in the column "held as", which the workbook of held rows brings along;
- the row of the same sheet and row number in a later version of its file. A file of the same name is a later version
  where at least half of the earlier one's rows that were not held stand in it unchanged. Where all of them
  were held, as by a wrong unit in the header, the later row is the same one when all but one of its cells are
  still there.

The name alone is no proof: members send readings.csv week after week, and several of them do. Where in doubt a row
goes on waiting, since a row that is listed too long does less harm than one that is lost.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from typing import TYPE_CHECKING, NamedTuple

from sqlalchemy import func, literal_column, select

from schemas.vocabulary import RowOutcome
from trials.register import queries, tables
from trials.register.bodies import IntakeBody
from trials.register.chain import Kind
from trials.register.records import HeldRow, Reason

if TYPE_CHECKING:
    from collections.abc import Container, Mapping

    from sqlalchemy import ColumnElement, Connection

# Written out rather than bound: only so does SQLite use its index of the held rows.
HELD: ColumnElement[str] = literal_column(f"'{RowOutcome.HELD.value}'")


HELD_AS = "held as"
"""Header of the column by which a mended row names the held row that it replaces."""

_REFERENCE = re.compile(r"entry (\d+), row (\d+)(?:, sheet (.+))?")


class _Row(NamedTuple):
    entry: int
    sheet: str
    row: int
    cells: str
    reasons: str


def waiting(connection: Connection, trial: str) -> list[HeldRow]:
    """List the held rows of a trial that still wait, in the order of intake, sheet and row."""
    intakes = {entry.number: entry for entry in queries.entries(connection, trial=trial, kind=Kind.INTAKE)}
    names = {number: IntakeBody.of(entry).file.name for number, entry in intakes.items()}
    held = _held(connection, intakes)
    last_sent = _last_sent(connection, trial, held)
    replaced = _replaced(connection, trial, held)
    versions = {entry: _versions(connection, entry, names) for entry in {row.entry for row in held}}
    return [
        _held_row(row, names[row.entry], intakes[row.entry].at)
        for row in held
        if last_sent[row.cells] <= row.entry
        and not _is_replaced(row, replaced)
        and not _taken_over(connection, row, versions[row.entry])
    ]


def reference(row: HeldRow) -> str:
    """Name a held row, for the column :data:`HELD_AS` of its mended copy."""
    return f"entry {row.entry}, row {row.row}" + (f", sheet {row.sheet}" if row.sheet else "")


def _held_row(row: _Row, file: str, taken_in_at: str) -> HeldRow:
    reasons = tuple(Reason(**reason) for reason in json.loads(row.reasons))
    return HeldRow(file, row.sheet, row.row, json.loads(row.cells), reasons, taken_in_at, row.entry)


def _held(connection: Connection, intakes: Container[int]) -> list[_Row]:
    """Read the rows that were held in some intakes; the trial is looked at here, so that the index serves."""
    table = tables.rows.c
    query = (
        select(table.entry, table.sheet, table.row, table.cells, table.reasons)
        .where(table.outcome == HELD)
        .order_by(table.entry, table.sheet, table.row)
    )
    return [_Row(*row) for row in connection.execute(query) if row.entry in intakes]


def _last_sent(connection: Connection, trial: str, held: list[_Row]) -> dict[str, int]:
    """Find the last entry with the same cells, by cells of the held rows."""
    last = {row.cells: row.entry for row in held}
    if not held:
        return last
    table = tables.rows.c
    query = (
        select(table.entry, table.cells)
        .join(tables.entries, tables.entries.c.number == table.entry)
        .where(tables.entries.c.trial == trial, table.entry > held[0].entry)
    )
    for entry, cells in connection.execution_options(yield_per=10_000).execute(query):
        if cells in last:
            last[cells] = max(last[cells], entry)
    return last


def _replaced(connection: Connection, trial: str, held: list[_Row]) -> dict[tuple[int, int, str], int]:
    """Find the held rows, by entry, row and sheet, that a later row names as the one it replaces: its last entry."""
    if not held:
        return {}
    table = tables.rows.c
    query = (
        select(table.entry, table.cells)
        .join(tables.entries, tables.entries.c.number == table.entry)
        .where(
            tables.entries.c.trial == trial,
            table.entry > held[0].entry,
            table.cells.contains(f'"{HELD_AS}": "entry '),
        )
    )
    found: dict[tuple[int, int, str], int] = {}
    for entry, cells in connection.execute(query):
        named = _named(cells)
        if named and named[0] < entry:
            found[named] = max(entry, found.get(named, 0))
    return found


def _is_replaced(row: _Row, replaced: Mapping[tuple[int, int, str], int]) -> bool:
    """Whether a later row names this one, or the one that this one names itself."""
    named = _named(row.cells)
    return (row.entry, row.row, row.sheet) in replaced or (
        named is not None and replaced.get(named, 0) > row.entry
    )


def _named(cells: str) -> tuple[int, int, str] | None:
    """Entry, row and sheet of the held row that a row names as the one it replaces."""
    found = _REFERENCE.fullmatch(json.loads(cells).get(HELD_AS, "").strip())
    return (int(found[1]), int(found[2]), found[3] or "") if found else None


def _versions(connection: Connection, entry: int, names: Mapping[int, str]) -> dict[int, bool]:
    """Find the later files that may be versions of one: True where sure, False where each row has to tell."""
    old, new = tables.rows.alias(), tables.rows.alias()
    versions = {}
    for later in (number for number, name in names.items() if number > entry and name == names[entry]):
        same = (new.c.entry == later) & (new.c.sheet == old.c.sheet) & (new.c.row == old.c.row)
        others, unchanged = connection.execute(
            select(func.count(), func.count(new.c.entry))
            .select_from(old.outerjoin(new, same & (new.c.cells == old.c.cells)))
            .where(old.c.entry == entry, old.c.outcome != RowOutcome.HELD.value)
        ).one()
        if 2 * unchanged >= others:
            versions[later] = others > 0
    return versions


def _taken_over(connection: Connection, row: _Row, versions: Mapping[int, bool]) -> bool:
    """Whether a later version of the row's file has a row in its place."""
    table = tables.rows.c
    query = select(table.entry, table.cells).where(
        table.entry.in_(list(versions)), table.sheet == row.sheet, table.row == row.row
    )
    return any(
        versions[entry] or _all_but_one(row.cells, cells) for entry, cells in connection.execute(query).all()
    )


def _all_but_one(before: str, after: str) -> bool:
    """Whether at most one of a row's cells, of two or more, is gone from the later row."""
    old, new = (Counter(filter(None, json.loads(cells).values())) for cells in (before, after))
    return (old - new).total() <= 1 < old.total()
