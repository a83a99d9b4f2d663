"""The questions that more than one module asks of an open transaction."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select

from trials.register import tables
from trials.register.frames import READING_COLUMNS, ROW_COLUMNS
from trials.register.records import Entry

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from sqlalchemy import Connection

    from trials.register.chain import Kind

_CHUNK = 1_000


def entries(connection: Connection, *, trial: str | None = None, kind: Kind | None = None) -> list[Entry]:
    """Read the entries, by number: all, or those of a trial, of a kind, or of both."""
    query = select(tables.entries).order_by(tables.entries.c.number)
    if trial is not None:
        query = query.where(tables.entries.c.trial == trial)
    if kind is not None:
        query = query.where(tables.entries.c.kind == kind.value)
    return [Entry(**row) for row in connection.execute(query).mappings()]


def last_entry(connection: Connection) -> Entry | None:
    """Read the head of the chain; None in a register without entries."""
    query = select(tables.entries).order_by(tables.entries.c.number.desc()).limit(1)
    row = connection.execute(query).mappings().first()
    return Entry(**row) if row else None


def content(connection: Connection, digest: str) -> bytes | None:
    """Read a kept file; None where it is not there."""
    return connection.execute(
        select(tables.files.c.content).where(tables.files.c.digest == digest)
    ).scalar_one_or_none()


def keeps(connection: Connection, digest: str) -> bool:
    """Whether a file is kept, without reading it."""
    query = select(tables.files.c.digest).where(tables.files.c.digest == digest)
    return connection.execute(query).first() is not None


def last_number(connection: Connection, trial: str, kind: Kind) -> int:
    """Give the number of a trial's last entry of a kind; 0 where there is none."""
    table = tables.entries.c
    query = select(func.max(table.number)).where(table.trial == trial, table.kind == kind.value)
    return connection.execute(query).scalar_one() or 0


def next_reading(connection: Connection) -> int:
    """Give the number that the next reading gets."""
    last = connection.execute(select(func.max(tables.readings.c.reading))).scalar_one()
    return (last or 0) + 1


def rows_of(connection: Connection, entry: int) -> Iterator[Sequence[Any]]:
    """Read the rows of one file in chunks: :data:`ROW_COLUMNS`, by sheet and row."""
    table = tables.rows.c
    query = (
        select(*(table[name] for name in ROW_COLUMNS))
        .where(table.entry == entry)
        .order_by(table.sheet, table.row)
    )
    yield from connection.execution_options(yield_per=_CHUNK).execute(query).partitions()


def readings_of(connection: Connection, entry: int) -> Iterator[Sequence[Any]]:
    """Read the readings of one file in chunks: ``reading`` and :data:`READING_COLUMNS`, by number."""
    table = tables.readings.c
    query = select(table.reading, *(table[name] for name in READING_COLUMNS)).where(table.entry == entry)
    yield from (
        connection.execution_options(yield_per=_CHUNK).execute(query.order_by(table.reading)).partitions()
    )


def readings_of_trial(connection: Connection, trial: str) -> Iterator[Sequence[Any]]:
    """Read the readings of a trial in chunks: ``reading``, ``entry`` and :data:`READING_COLUMNS`."""
    table = tables.readings.c
    query = (
        select(table.reading, table.entry, *(table[name] for name in READING_COLUMNS))
        .join(tables.entries, tables.entries.c.number == table.entry)
        .where(tables.entries.c.trial == trial)
    )
    yield from connection.execution_options(yield_per=_CHUNK).execute(query).partitions()
