"""The questions that more than one module asks of an open transaction."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select

from trials.register import tables
from trials.register.frames import ROW_COLUMNS
from trials.register.records import Entry

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from sqlalchemy import Connection, RowMapping

    from trials.register.chain import Kind
    from trials.register.kept import Kept

_CHUNK = 1_000

SERVER = "postgresql"
"""The dialect of registers that have accounts."""


def entries(connection: Connection, *, trial: str | None = None, kind: Kind | None = None) -> list[Entry]:
    """Read the entries, by number: all, or those of a trial, of a kind, or of both."""
    query = select(tables.entries).order_by(tables.entries.c.number)
    if trial is not None:
        query = query.where(tables.entries.c.trial == trial)
    if kind is not None:
        query = query.where(tables.entries.c.kind == kind.value)
    return [Entry(**row) for row in connection.execute(query).mappings()]


def last_entry(connection: Connection) -> Entry | None:
    """Read the head of the chain, or only its link where it is masked; None in a register without entries."""
    if connection.dialect.name != SERVER:
        query = select(tables.entries).order_by(tables.entries.c.number.desc()).limit(1)
        row = connection.execute(query).mappings().first()
        return Entry(**row) if row else None
    link = connection.execute(select(tables.chain).order_by(tables.chain.c.number.desc()).limit(1))
    return next(map(_only_the_link, link.mappings()), None)


def masked(connection: Connection, *, trial: str | None = None, kind: Kind | None = None) -> list[Entry]:
    """The entries that the account may not read, by number, each with its link and without time and body.

    A file has no accounts: whoever may read it may read it whole.
    """
    if connection.dialect.name != SERVER:
        return []
    link = tables.chain.c
    query = select(tables.chain).where(link.number.not_in(select(tables.entries.c.number)))
    if trial is not None:
        query = query.where(link.trial == trial)
    if kind is not None:
        query = query.where(link.kind == kind.value)
    return [_only_the_link(row) for row in connection.execute(query.order_by(link.number)).mappings()]


def _only_the_link(row: RowMapping) -> Entry:
    return Entry(**row, at="", body="")


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


def next_number(connection: Connection, kept: Kept) -> int:
    """Give the number that the next reading or event gets."""
    last = connection.execute(select(func.max(kept.table.c[kept.key]))).scalar_one()
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


def kept_of(connection: Connection, kept: Kept, entry: int) -> Iterator[Sequence[Any]]:
    """Read what one file brought of a kind in chunks: its number and its columns, by number."""
    table = kept.table.c
    number = table[kept.key]
    query = select(number, *(table[name] for name in kept.columns)).where(table.entry == entry)
    yield from connection.execution_options(yield_per=_CHUNK).execute(query.order_by(number)).partitions()


def kept_of_trial(connection: Connection, kept: Kept, trial: str) -> Iterator[Sequence[Any]]:
    """Read what a trial holds of a kind in chunks: its number, ``entry`` and its columns."""
    table = kept.table.c
    query = (
        select(table[kept.key], table.entry, *(table[name] for name in kept.columns))
        .join(tables.entries, tables.entries.c.number == table.entry)
        .where(tables.entries.c.trial == trial)
    )
    yield from connection.execution_options(yield_per=_CHUNK).execute(query).partitions()
