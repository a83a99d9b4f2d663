"""SQLite as the home of the register: how the file is opened, made and locked, and what its errors mean.

Journal: a rollback journal, not a write-ahead log. Clubs copy, mail and synchronise files; with a log beside it, a
copied database file can lack its last entries, and a log does not work on network folders. With a rollback journal
the one file is whole whenever nobody is writing. The price, that readers wait while a writer commits, is small here.
With this journal ``synchronous = EXTRA`` also syncs the folder after the journal is removed, so that a commit
stands after a power failure, as far as the disk keeps its word.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Self, cast

from sqlalchemy import create_engine, event, make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.pool import NullPool

from schemas.errors import RegisterError
from trials.register import tables
from trials.register.home import Home, trigger_findings
from trials.register.records import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sqlalchemy import Connection, Engine
    from sqlalchemy.exc import DBAPIError

APPLICATION_ID = int.from_bytes(b"ftnk")
"""What SQLite's header says of the file's use."""

_SHOWN = 10
_OLDEST = (3, 37)  # the first with STRICT tables

_PRAGMAS = (
    "foreign_keys = ON",
    "recursive_triggers = ON",
    "trusted_schema = OFF",
    "synchronous = EXTRA",
    "cell_size_check = ON",
    "cache_size = -65536",
)


def path_of(location: str) -> Path:
    """Find the file that a location means: a path, or a URL such as ``sqlite:///fairtank.db``.

    Raises
    ------
    RegisterError
        The location is empty, in memory, or a database that is not SQLite.
    """
    name = location.strip()
    if "://" in name:
        try:
            url = make_url(name)
        except ArgumentError:
            raise RegisterError(
                f'"{name}" is not the address of a register; give a file such as fairtank.db.'
            ) from None
        if url.get_backend_name() != "sqlite" or url.query:
            raise RegisterError(
                "A register is kept in a SQLite file or on a PostgreSQL server; give a file such as fairtank.db, or "
                f"postgresql://USER@HOST/DATABASE, in place of {url.set(query={}).render_as_string()}."
            )
        name = url.database or ""
    if name in ("", ":memory:"):
        raise RegisterError("A register is a file that stays; give its path, such as fairtank.db.")
    return Path(name).expanduser()


class SQLiteHome(Home):
    """A register in a file; transactions for reading begin as ``BEGIN``, those for writing as ``BEGIN IMMEDIATE``."""

    @classmethod
    def open(cls, location: str, *, create: bool, wait: float) -> Self:
        """Open a register's file; make it where it does not exist and ``create`` says so.

        Parameters
        ----------
        location : str
            The file, or its URL.
        create : bool
            Whether a file that does not exist, or is empty, becomes a register.
        wait : float
            Seconds to wait for another program's transaction.

        Raises
        ------
        RegisterError
            The file is not to be had, not a register, or of another version.
        """
        path = path_of(location)
        if sqlite3.sqlite_version_info < _OLDEST:
            raise RegisterError(
                f"This Python has SQLite {sqlite3.sqlite_version}, and a register needs "
                f"{'.'.join(map(str, _OLDEST))} or newer; use a newer Python."
            )
        _prepare_place(path, create=create)
        home = cls(str(path), _engine(path, wait))
        with home.transaction() as connection:
            fresh = _is_fresh(connection, path)
        if fresh and not create:
            raise RegisterError(
                f"{path} is empty and not a register yet; `fairtank register PROTOCOL` makes it one."
            )
        if fresh:
            with home.transaction(writes=True) as connection:
                if _is_fresh(connection, path):  # nobody else made it while this one waited
                    tables.metadata.create_all(connection)
                    connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
                    connection.exec_driver_sql(f"PRAGMA user_version = {tables.FORMAT}")
        return home

    def sentence(self, error: DBAPIError) -> str:
        """Say in one sentence what an error of SQLite means."""
        return _sentence(self.shown, error)

    def is_damage(self, error: DBAPIError) -> bool:
        """Whether an error says that the file's content is broken, not that it cannot be reached."""
        return _is_damage(error)

    def damage(self, connection: Connection) -> Iterator[Finding]:
        """Find what SQLite's own check says of its pages, keys and references."""
        for (line,) in connection.exec_driver_sql(f"PRAGMA integrity_check({_SHOWN})"):
            if line != "ok":
                yield Finding(
                    "database", "pages", f"The database is damaged ({line}); go back to a copy from before."
                )
        for table, row, *_ in connection.exec_driver_sql("PRAGMA foreign_key_check").fetchmany(_SHOWN):
            yield Finding(
                "database", table, f"Row {row or '?'} of table {table} belongs to an entry that is not there."
            )

    def guards(self, connection: Connection) -> Iterator[Finding]:
        """Find whether the triggers that refuse changes are all there, as they were made."""
        query = "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
        present = {row.name: row.sql for row in connection.exec_driver_sql(query)}
        yield from trigger_findings(present, tables.triggers(tables.missing_in(format_of(connection))))

    def back_up(self, target: Path) -> None:
        """Copy the register into a new file by SQLite's own backup, whoever is writing to it meanwhile."""
        try:
            with (
                closing(sqlite3.connect(target, isolation_level=None)) as copy,
                self.transaction() as connection,
            ):
                cast("sqlite3.Connection", connection.connection.driver_connection).backup(copy)
        except sqlite3.Error as error:
            raise RegisterError(f"{self.shown} cannot be copied into {target}: {error}.") from error


def _engine(path: Path, wait: float) -> Engine:
    def connect() -> sqlite3.Connection:
        # Never made on the way: a file that vanishes later is missed, not begun anew.
        address = f"{path.absolute().as_uri()}?mode=rw"
        connection = sqlite3.connect(address, uri=True, timeout=wait, isolation_level=None)
        for pragma in _PRAGMAS:
            connection.execute(f"PRAGMA {pragma}")
        return connection

    # A connection for each transaction: between them nothing is held open or locked.
    engine = create_engine("sqlite://", creator=connect, poolclass=NullPool)

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
        version = format_of(connection)
        if 0 < version < tables.FORMAT:
            _bring_up_to_date(connection, version) if writes else _see_as_empty(connection, version)

    return engine


def format_of(connection: Connection) -> int:
    """The format of the register's tables; 0 in a file that is none yet."""
    return int(connection.exec_driver_sql("PRAGMA user_version").scalar_one())


def _is_damage(error: DBAPIError) -> bool:
    """Whether an error says that the file's content is broken, not that it cannot be reached."""
    return _code(error) in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB) or "decode" in str(error.orig)


def _prepare_place(path: Path, *, create: bool) -> None:
    try:
        if path.is_dir():
            raise RegisterError(f"{path} is a folder; give the path of a register file in it.")
        if not path.parent.is_dir():
            raise RegisterError(
                f"The folder {path.parent} does not exist; make it, or give the register another path."
            )
        if not path.exists():
            if not create:
                raise RegisterError(
                    f"There is no register {path}; `fairtank register PROTOCOL` makes one, --register names another."
                )
            path.touch()
    except OSError as error:
        raise RegisterError(f"{path} is out of reach: {(error.strerror or str(error)).lower()}.") from None


def _is_fresh(connection: Connection, path: Path) -> bool:
    """Whether the file holds nothing at all; a file that is something else, or of another version, is refused."""
    application = connection.exec_driver_sql("PRAGMA application_id").scalar_one()
    version = format_of(connection)
    if application == APPLICATION_ID and 0 < version <= tables.FORMAT:
        return False
    if application == APPLICATION_ID:
        raise RegisterError(
            f"{path} is a register of format {version}, and this fairtank reads formats up to {tables.FORMAT}; use a newer fairtank."
        )
    empty = connection.exec_driver_sql("SELECT count(*) = 0 FROM sqlite_master").scalar_one()
    if (application, version) == (0, 0) and empty:
        return True
    raise RegisterError(f"{path} is a database of another program, not a fairtank register.")


def _bring_up_to_date(connection: Connection, version: int) -> None:
    tables.metadata.create_all(connection, tables=tables.missing_in(version))
    connection.exec_driver_sql(f"PRAGMA user_version = {tables.FORMAT}")


def _see_as_empty(connection: Connection, version: int) -> None:
    """Stands in for the tables that the file lacks, for this connection alone; the file stays as it is."""
    for table in tables.missing_in(version):
        columns = ", ".join(f'"{column.name}"' for column in table.columns)
        connection.exec_driver_sql(f'CREATE TEMP TABLE "{table.name}" ({columns})')


def _sentence(path: str, error: DBAPIError) -> str:
    sentences = {
        sqlite3.SQLITE_BUSY: f"{path} is in use by another program; nothing was changed, try again in a moment.",
        sqlite3.SQLITE_LOCKED: f"{path} is in use by another program; nothing was changed, try again in a moment.",
        sqlite3.SQLITE_READONLY: f"{path} cannot be written to; nothing was changed, check the rights of file and folder.",
        sqlite3.SQLITE_CANTOPEN: f"{path} cannot be opened; check the rights of the file and of its folder.",
        sqlite3.SQLITE_PERM: f"{path} cannot be opened; check the rights of the file and of its folder.",
        sqlite3.SQLITE_FULL: f"The disk that holds {path} is full; nothing was changed, make room and try again.",
        sqlite3.SQLITE_IOERR: f"The disk that holds {path} cannot be read or written; nothing was changed.",
        sqlite3.SQLITE_TOOBIG: f"A file or text is larger than {path} can hold (1 GB); nothing was changed.",
        sqlite3.SQLITE_NOTADB: f"{path} is not a fairtank register.",
        sqlite3.SQLITE_CORRUPT: f"{path} is damaged; go back to a copy from before the damage.",
    }
    if _is_damage(error) and _code(error) != sqlite3.SQLITE_NOTADB:
        return sentences[sqlite3.SQLITE_CORRUPT]
    return sentences.get(_code(error), f"{path} refused the work, and nothing was changed: {error.orig}.")


def _code(error: DBAPIError) -> int:
    """The primary result code of SQLite; 0 where Python raised the error itself."""
    return int(getattr(error.orig, "sqlite_errorcode", 0)) & 0xFF
