"""Held rows that a person accepts as they are: which may be, and whether those that were are what they say."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from sqlalchemy import select

from schemas.errors import RegisterError
from schemas.readings import HoldReason
from schemas.vocabulary import RowOutcome
from trials.register import tables
from trials.register.records import Finding

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from sqlalchemy import Connection

    from trials.register.bodies import IntakeBody
    from trials.register.records import Entry, IntakeBatch

ACCEPTABLE = frozenset({HoldReason.UNLIKELY.value})
"""The reasons for which a row is held that a person may set aside: what is unlikely can be true."""


def refuse_unfit(connection: Connection, trial: str, batch: IntakeBatch, held_by: int) -> None:
    """Refuse to take in, as they are, rows that no file brought so, or that wait for more than a person's word.

    Raises
    ------
    RegisterError
        With the first of them.
    """
    rows = batch.rows[["sheet", "row", "cells"]].itertuples(index=False, name=None)
    fault = next(_faults(connection, trial, held_by, rows), None)
    if fault:
        raise RegisterError(f"Nothing was accepted: {fault}.")


def acceptance_findings(connection: Connection, entry: Entry, body: IntakeBody) -> Iterator[Finding]:
    """Whether the rows that an entry accepts as they are were held by an earlier one, and only for being unlikely."""
    if body.as_they_are is None:
        return
    table = tables.rows.c
    query = select(table.sheet, table.row, table.cells).where(table.entry == entry.number)
    rows = [tuple(row) for row in connection.execute(query)]
    if body.as_they_are.held_by >= entry.number:
        yield _finding(entry, "accepts rows of a later entry")
    for fault in _faults(connection, entry.trial, body.as_they_are.held_by, rows):
        yield _finding(entry, f"accepts rows as they are, but {fault}")


def _faults(
    connection: Connection, trial: str, held_by: int, rows: Iterable[tuple[str, int, str]]
) -> Iterator[str]:
    table = tables.rows.c
    query = (
        select(table.sheet, table.row, table.cells, table.reasons)
        .join(tables.entries, tables.entries.c.number == table.entry)
        .where(
            tables.entries.c.trial == trial, table.entry == held_by, table.outcome == RowOutcome.HELD.value
        )
    )
    held = {(row.sheet, row.row): row for row in connection.execute(query)}
    for sheet, row, cells in rows:
        known = held.get((sheet, row))
        where = f"row {row}{f' of sheet {sheet}' if sheet else ''}"
        if known is None or known.cells != cells:
            yield f"{where} is not one that entry {held_by} holds"
        elif not {reason["code"] for reason in json.loads(known.reasons)} <= ACCEPTABLE:
            yield f"{where} is held for more than being unlikely"


def _finding(entry: Entry, says: str) -> Finding:
    return Finding(entry.kind, f"entry {entry.number}", f"Entry {entry.number} {says}.")
