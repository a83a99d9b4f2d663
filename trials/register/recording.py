"""Writing an entry and its effect inside an open transaction, so that both are there or neither."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice, repeat
from typing import TYPE_CHECKING, Any

from schemas.vocabulary import RowOutcome
from trials.register import queries, tables
from trials.register.bodies import IntakeBody, KeptFile, Stored
from trials.register.chain import Kind, following
from trials.register.digests import table_digest
from trials.register.frames import kept_columns, row_columns
from trials.register.kept import ALL, READINGS

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable

    from sqlalchemy import Connection, Table

    from trials.register.bodies import AsTheyAre, Body
    from trials.register.kept import Kept
    from trials.register.records import Entry, IntakeBatch, SourceFile

_CHUNK = 1_000


@dataclass(frozen=True)
class PreparedBatch:
    """A batch as columns in the order of the tables, with their digests.

    ``kept`` holds the columns of what the file brought, by name, and ``digests`` those of ``rows`` and of each of them.
    """

    batch: IntakeBatch
    rows: list[list[Any]]
    kept: dict[str, list[list[Any]]]
    digests: dict[str, str]


def prepare(batch: IntakeBatch) -> PreparedBatch:
    """Do all of an intake that takes long and needs no database."""
    rows = row_columns(batch)
    columns = {kept.name: kept_columns(batch, kept) for kept in ALL}
    digests = {name: table_digest(table) for name, table in (("rows", rows), *columns.items())}
    return PreparedBatch(batch, rows, columns, digests)


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


def record_batch(
    connection: Connection,
    trial: str,
    prepared: PreparedBatch,
    at: dt.datetime,
    as_they_are: AsTheyAre | None = None,
) -> Entry:
    """Add the entry of one file taken in, the file, its rows, and the readings and events that it brought.

    ``as_they_are`` goes with rows of a file that is kept already, which were held and are accepted now.
    """
    batch = prepared.batch
    firsts = {kept.name: queries.next_number(connection, kept) for kept in ALL}
    body = IntakeBody(
        file=KeptFile.of_source(batch.file),
        rows=len(batch.rows),
        accepted=batch.count(RowOutcome.ACCEPTED),
        held=batch.count(RowOutcome.HELD),
        repeated=batch.count(RowOutcome.REPEATED),
        readings=len(batch.readings),
        first_reading=firsts[READINGS.name],
        rows_digest=prepared.digests["rows"],
        readings_digest=prepared.digests[READINGS.name],
        **{kept.name: _stored(prepared, kept, firsts[kept.name]) for kept in ALL if kept is not READINGS},
        as_they_are=as_they_are,
        stream=batch.stream,
        remarks=batch.remarks,
    )
    keep(connection, [batch.file])
    entry = append(connection, trial, Kind.INTAKE, at, body)
    _insert(connection, tables.rows, zip(repeat(entry.number), *prepared.rows, strict=False))
    for kept in ALL:
        columns = prepared.kept[kept.name]
        numbers = range(firsts[kept.name], firsts[kept.name] + len(columns[0]))
        _insert(connection, kept.table, zip(numbers, repeat(entry.number), *columns, strict=False))
    return entry


def _stored(prepared: PreparedBatch, kept: Kept, first: int) -> Stored | None:
    count = len(prepared.kept[kept.name][0])
    return Stored(count=count, first=first, digest=prepared.digests[kept.name]) if count else None


def _insert(connection: Connection, table: Table, values: Iterable[tuple[Any, ...]]) -> None:
    """Insert whole rows, given in the order of the table's columns, at the speed of the driver."""
    iterator = iter(values)
    if connection.dialect.name == queries.SERVER:
        # One statement a chunk, its columns as arrays: rows sent one by one wait for the server each.
        arrays = ", ".join(f"%s::{column.type.compile(connection.dialect)}[]" for column in table.columns)
        statement = f"INSERT INTO {table.name} SELECT * FROM unnest({arrays})"  # noqa: S608 - names of this program
        while chunk := list(islice(iterator, _CHUNK)):
            connection.exec_driver_sql(statement, tuple(map(list, zip(*chunk, strict=True))))
        return
    statement = str(table.insert().compile(dialect=connection.dialect))
    while chunk := list(islice(iterator, _CHUNK)):
        connection.exec_driver_sql(statement, chunk)
