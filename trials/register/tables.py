"""The tables of the register and the triggers that keep them append-only.

Triggers guard against accidents and careless programs; whoever holds the file can drop them. The hash chain is what
shows a change afterwards.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import (
    DDL,
    BigInteger,
    CheckConstraint,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    TableClause,
    Text,
    column,
    event,
    text,
)
from sqlalchemy.dialects import sqlite

from trials.register.chain import GENESIS, Kind

if TYPE_CHECKING:
    from collections.abc import Collection

    from sqlalchemy.types import TypeEngine

# STRICT tables of SQLite know five types only; a REAL of SQLite has 8 bytes.
_Number: TypeEngine[float] = Double().with_variant(sqlite.REAL(), "sqlite")
_Key: TypeEngine[int] = BigInteger().with_variant(Integer(), "sqlite")

FORMAT = 2
"""The version of the tables.

An earlier one is read as it is, with the tables that it lacks seen as empty, and brought up to date by the first
transaction that writes, together with what it writes or not at all.
"""

_ONCE = text(f"kind IN ('{Kind.SEAL}', '{Kind.ALLOCATION}')")

metadata = MetaData()

entries = Table(
    "entries",
    metadata,
    Column("number", _Key, primary_key=True, autoincrement=False),
    Column("trial", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("previous", Text, nullable=False, unique=True),
    Column("digest", Text, nullable=False, unique=True),
    Index("entries_of_trial", "trial", "kind", "number"),
    # A trial is sealed once and allocated once, whichever program writes.
    Index("entries_once", "trial", "kind", unique=True, sqlite_where=_ONCE, postgresql_where=_ONCE),
    sqlite_strict=True,
)

# Without rowid: a hidden row number would be one more key that REPLACE could strike.
files = Table(
    "files",
    metadata,
    Column("digest", Text, primary_key=True),
    Column("content", LargeBinary, nullable=False),
    sqlite_strict=True,
    sqlite_with_rowid=False,
)

rows = Table(
    "rows",
    metadata,
    Column("entry", _Key, ForeignKey(entries.c.number), primary_key=True),
    Column("sheet", Text, primary_key=True),
    Column("row", _Key, primary_key=True, autoincrement=False),
    Column("outcome", Text, nullable=False),
    Column("cells", Text, nullable=False),
    Column("reasons", Text, nullable=False),
    CheckConstraint("outcome IN ('accepted', 'held', 'repeated')", name="rows_outcome"),
    sqlite_strict=True,
    sqlite_with_rowid=False,
)
Index(
    "rows_held",
    rows.c.entry,
    sqlite_where=text("outcome = 'held'"),
    postgresql_where=text("outcome = 'held'"),
)

readings = Table(
    "readings",
    metadata,
    Column("reading", _Key, primary_key=True, autoincrement=False),
    Column("entry", _Key, ForeignKey(entries.c.number), nullable=False, index=True),
    Column("sheet", Text, nullable=False),
    Column("row", _Key, nullable=False),
    Column("tank", Text, nullable=False),
    Column("taken_at", Text, nullable=False),
    Column("utc_offset", Text, nullable=False),
    Column("variable", Text, nullable=False),
    Column("value", _Number, nullable=False),
    Column("sign", Text, nullable=False),
    Column("replicate", _Key, nullable=False),
    Column("kit", Text, nullable=False),
    Column("by", Text, nullable=False),
    Column("note", Text, nullable=False),
    Column("raw_value", Text, nullable=False),
    Column("raw_unit", Text, nullable=False),
    CheckConstraint("sign IN ('', '<', '>')", name="readings_sign"),
    CheckConstraint(
        "value BETWEEN -1.7976931348623157e308 AND 1.7976931348623157e308", name="readings_finite"
    ),
    sqlite_strict=True,
)

events = Table(
    "events",
    metadata,
    Column("event", _Key, primary_key=True, autoincrement=False),
    Column("entry", _Key, ForeignKey(entries.c.number), nullable=False, index=True),
    Column("sheet", Text, nullable=False),
    Column("row", _Key, nullable=False),
    Column("tank", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("utc_offset", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("amount", _Number),
    Column("unit", Text, nullable=False),
    Column("by", Text, nullable=False),
    Column("note", Text, nullable=False),
    Column("raw_amount", Text, nullable=False),
    Column("raw_unit", Text, nullable=False),
    CheckConstraint("amount BETWEEN 0 AND 1.7976931348623157e308", name="events_finite"),
    sqlite_strict=True,
)

check_readings = Table(
    "check_readings",
    metadata,
    Column("reading", _Key, primary_key=True, autoincrement=False),
    Column("entry", _Key, ForeignKey(entries.c.number), nullable=False, index=True),
    Column("sheet", Text, nullable=False),
    Column("row", _Key, nullable=False),
    Column("site", Text, nullable=False),
    Column("sample", Text, nullable=False),
    Column("taken_at", Text, nullable=False),
    Column("utc_offset", Text, nullable=False),
    Column("variable", Text, nullable=False),
    Column("value", _Number, nullable=False),
    Column("sign", Text, nullable=False),
    Column("replicate", _Key, nullable=False),
    Column("kit", Text, nullable=False),
    Column("by", Text, nullable=False),
    Column("note", Text, nullable=False),
    Column("raw_value", Text, nullable=False),
    Column("raw_unit", Text, nullable=False),
    CheckConstraint("sign IN ('', '<', '>')", name="check_readings_sign"),
    CheckConstraint(
        "value BETWEEN -1.7976931348623157e308 AND 1.7976931348623157e308", name="check_readings_finite"
    ),
    sqlite_strict=True,
)

ADDED_IN = {2: (events, check_readings)}
"""The tables that a format of the register brought, by the number of the format; all others are of the first."""


chain = TableClause("chain", *(column(name) for name in ("number", "trial", "kind", "previous", "digest")))
"""A view that only servers have: the links of all entries, also of those that an account may not read."""


def missing_in(version: int) -> list[Table]:
    """The tables that a register of an earlier format does not have yet."""
    return [table for added, new in ADDED_IN.items() if added > version for table in new]


def triggers(missing: Collection[Table] = ()) -> dict[str, str]:
    """Give the triggers of SQLite by name, each as the statement that makes it; none of tables that are missing."""
    return {
        name: sql
        for table in metadata.tables.values()
        if table not in missing
        for name, sql in _triggers_of(table).items()
    }


def _triggers_of(table: Table) -> dict[str, str]:
    made = {}

    def refuse(name: str, when: str, reason: str) -> None:
        name = f"{table.name}_{name}"
        made[name] = f"CREATE TRIGGER \"{name}\" BEFORE {when} BEGIN SELECT RAISE(ABORT, '{reason}'); END"

    refuse(
        "keep_update", f'UPDATE ON "{table.name}"', f"{table.name} cannot be updated: the register only grows"
    )
    refuse(
        "keep_delete", f'DELETE ON "{table.name}"', f"{table.name} cannot be deleted: the register only grows"
    )
    # REPLACE deletes the row in its way, and fires no delete trigger unless its connection asks for it.
    refuse(
        "keep_replace",
        f'INSERT ON "{table.name}" WHEN EXISTS (SELECT 1 FROM "{table.name}" WHERE {_in_the_way(table)})',  # noqa: S608 - names of this module only
        f"{table.name} holds this key already: the register only grows",
    )
    if table is entries:
        refuse(
            "keep_order",
            'INSERT ON "entries" WHEN NEW.number <> (SELECT coalesce(max(number), 0) + 1 FROM "entries") '  # noqa: S608
            'OR NEW.previous <> coalesce((SELECT digest FROM "entries" ORDER BY number DESC LIMIT 1), '
            f"'{GENESIS}')",
            "entries follow each other without a gap",
        )
    return made


def _in_the_way(table: Table) -> str:
    """The condition that a row stands there which shares a key or a unique value with the new one."""
    keys = [([column.name for column in table.primary_key], "")]
    keys += [([column.name], "") for column in table.columns if column.unique]
    keys += [
        ([column.name for column in index.columns], f" AND {index.dialect_options['sqlite']['where']}")
        for index in table.indexes
        if index.unique
    ]
    return " OR ".join(
        "(" + " AND ".join(f'"{column}" = NEW."{column}"' for column in key) + partial + ")"
        for key, partial in keys
    )


for _table in metadata.tables.values():
    for _statement in _triggers_of(_table).values():
        event.listen(_table, "after_create", DDL(_statement).execute_if(dialect="sqlite"))  # type: ignore[no-untyped-call]
