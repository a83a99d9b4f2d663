"""Writing an entry and its effect inside an open transaction, so that both are there or neither."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice, repeat
from typing import TYPE_CHECKING, Any

from schemas.vocabulary import RowOutcome
from trials.register import queries, tables
from trials.register.bodies import IntakeBody, KeptFile
from trials.register.chain import Kind, following
from trials.register.digests import table_digest
from trials.register.frames import reading_columns, row_columns

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable

    from sqlalchemy import Connection, Table

    from trials.register.bodies import Body
    from trials.register.records import Entry, IntakeBatch, SourceFile

_CHUNK = 1_000


@dataclass(frozen=True)
class PreparedBatch:
    """A batch as columns in the order of the tables, with the digests of its rows and readings."""

    batch: IntakeBatch
    rows: list[list[Any]]
    readings: list[list[Any]]
    rows_digest: str
    readings_digest: str


def prepare(batch: IntakeBatch) -> PreparedBatch:
    """Do all of an intake that takes long and needs no database."""
    rows, readings = row_columns(batch), reading_columns(batch)
    return PreparedBatch(batch, rows, readings, table_digest(rows), table_digest(readings))


def append(connection: Connection, trial: str, kind: Kind, at: dt.datetime, body: Body) -> Entry:
    """Add an entry to the chain."""
    entry = following(queries.last_entry(connection), trial, kind, at, body.model_dump(mode="json"))
    connection.execute(tables.entries.insert().values(vars(entry)))
    return entry


def keep(connection: Connection, files: Iterable[SourceFile]) -> None:
    """Keep files under their digests; one that is there already is not kept twice."""
    for file in files:
        if not queries.keeps(connection, file.digest):
            connection.execute(tables.files.insert().values(digest=file.digest, content=file.content))


def record_batch(connection: Connection, trial: str, prepared: PreparedBatch, at: dt.datetime) -> Entry:
    """Add the entry of one file taken in, the file, its rows and its readings."""
    batch = prepared.batch
    first = queries.next_reading(connection)
    body = IntakeBody(
        file=KeptFile.of_source(batch.file),
        rows=len(batch.rows),
        accepted=batch.count(RowOutcome.ACCEPTED),
        held=batch.count(RowOutcome.HELD),
        repeated=batch.count(RowOutcome.REPEATED),
        readings=len(batch.readings),
        first_reading=first,
        rows_digest=prepared.rows_digest,
        readings_digest=prepared.readings_digest,
        remarks=batch.remarks,
    )
    keep(connection, [batch.file])
    entry = append(connection, trial, Kind.INTAKE, at, body)
    numbers = range(first, first + len(batch.readings))
    _insert(connection, tables.rows, zip(repeat(entry.number), *prepared.rows, strict=False))
    _insert(connection, tables.readings, zip(numbers, repeat(entry.number), *prepared.readings, strict=False))
    return entry


def _insert(connection: Connection, table: Table, values: Iterable[tuple[Any, ...]]) -> None:
    """Insert whole rows, given in the order of the table's columns, at the speed of the driver."""
    statement = str(table.insert().compile(dialect=connection.dialect))
    iterator = iter(values)
    while chunk := list(islice(iterator, _CHUNK)):
        connection.exec_driver_sql(statement, chunk)
