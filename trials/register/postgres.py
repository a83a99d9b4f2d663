"""PostgreSQL as the home of a register that several people share: how it is reached, and what its errors mean.

Reading sees one state (``REPEATABLE READ``, read only). A writer first takes its turn, by an advisory lock that it keeps
to the end of its transaction, and only then reads what it builds on; the trigger of the entries takes the same
lock, so that programs that know nothing of it wait too. Passwords stay with libpq: they come from the address, from
``PGPASSWORD`` or a password file, and are shown nowhere.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Self

from sqlalchemy import create_engine, event, make_url
from sqlalchemy.exc import ArgumentError

from schemas.errors import RegisterError
from trials.register import server_script
from trials.register.home import Home, trigger_findings
from trials.register.records import Finding
from trials.register.server_script import MARK, SCHEMA

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from sqlalchemy import URL, Connection, Engine
    from sqlalchemy.exc import DBAPIError

_SCHEMES = ("postgresql", "postgresql+psycopg", "postgres")
_CONNECT_SECONDS = 10
_IDLE_SECONDS = 600
_MAKE = "its administrator makes one with `fairtank register --init-server`, which prints the script"

_BUSY = "{shown} is in use by another program; nothing was changed, try again in a moment."
_LOST = (
    "The connection to {shown} was lost; do it again when the server is back: what was stored is whole, and is recognised "
    "where it comes twice."
)
_SENTENCES = {
    ("55P03", "40P01", "57014"): _BUSY,
    ("25006",): "{shown} takes no changes at present, as a copy that only follows does; nothing was changed.",
    (
        "53100",
    ): "The disk of the server of {shown} is full; nothing was changed, its administrator has to make room.",
    ("53",): "The server of {shown} is short of means ({text}); nothing was changed, try again later.",
    ("57P", "08", "25P03"): _LOST,
    ("42501",): "Your account may not do that in {shown} ({text}); nothing was changed, the lead can do it.",
    ("3D000",): "The database of {shown} is not there any more.",
    (
        "42P01",
        "42883",
        "3F000",
    ): "The register in {shown} is not whole ({text}); its administrator has to look at it.",
    ("54",): "A file or text is larger than {shown} can hold (1 GB); nothing was changed.",
    ("XX00",): "{shown} is damaged ({text}); its administrator has to go back to a copy from before.",
}
"""What a class of errors means, by the first characters of its SQLSTATE."""

_ON_THE_WAY = {
    r"password|fe_sendauth": "The server of {shown} did not accept your password, or got none; give it in PGPASSWORD or in a "
    "password file.",
    r'database ".*" does not exist': "There is no database of that name at {shown}; check the address, or have its "
    "administrator make it.",
    r'role ".*" does not exist|pg_hba|authentication failed': "The server of {shown} admits no such account from here; its "
    "administrator can.",
    r"SSL|certificate": "The connection to {shown} is not as safe as its address asks for ({text}).",
    r"connection slots|too many": _BUSY,
    r"NUL": "A text holds a NUL character, which {shown} cannot keep; nothing was changed.",
    r"connection option|invalid .*value": "The address of {shown} has an option that cannot be meant ({text}).",
    r"": "The server of {shown} cannot be reached ({text}); check the address, and whether it is running.",
}
"""What errors mean that have no SQLSTATE, by what stands in them; the first that fits, the last fits all."""


def is_address(location: str) -> bool:
    """Whether a location names a PostgreSQL server, rather than a file."""
    return location.strip().partition("://")[0].lower() in _SCHEMES and "://" in location


class PostgresHome(Home):
    """A register on a server, in the schema ``fairtank`` of a database."""

    @classmethod
    def open(cls, location: str, *, wait: float) -> Self:
        """Reach a register on a server; it has to be there already.

        Parameters
        ----------
        location : str
            ``postgresql://USER@HOST/DATABASE``, with options of libpq such as ``?sslmode=verify-full``.
        wait : float
            Seconds to wait for another program's transaction.

        Raises
        ------
        RegisterError
            The server, the database or the register in it is not to be had.
        """
        url = _url_of(location)
        home = cls(_shown(url), _engine(url, wait))
        try:
            home._refuse_unfit()
        except RegisterError:
            home.engine.dispose()
            raise
        return home

    def _refuse_unfit(self) -> None:
        with self.transaction() as connection:
            mark, admitted = connection.exec_driver_sql(
                "SELECT obj_description(oid, 'pg_namespace'), has_schema_privilege(oid, 'USAGE') "
                f"FROM pg_catalog.pg_namespace WHERE nspname = '{SCHEMA}'"
            ).first() or (None, False)
        if mark is None:
            raise RegisterError(f"There is no register in {self.shown} yet; {_MAKE}.")
        if mark != MARK:
            raise RegisterError(f'{self.shown} holds a "{mark}", and this fairtank reads a "{MARK}".')
        if not admitted:
            raise RegisterError(
                f"Your account has no rights in the register {self.shown}; its administrator can make it a member of "
                f"{server_script.LEAD} or {server_script.WRITER}."
            )

    def sentence(self, error: DBAPIError) -> str:
        """Say in one sentence what an error of the server, or of the way to it, means."""
        state = getattr(error.orig, "sqlstate", None)
        text = next(iter(str(error.orig).splitlines()), "")
        if state is None and not error.connection_invalidated:
            meant = next(meant for pattern, meant in _ON_THE_WAY.items() if re.search(pattern, text))
            return meant.format(shown=self.shown, text=text.rpartition("failed: ")[2].rstrip("."))
        for states, sentence in _SENTENCES.items():
            if state is not None and state.startswith(states):
                return sentence.format(shown=self.shown, text=_said(error))
        if error.connection_invalidated:
            return _LOST.format(shown=self.shown)
        return f"{self.shown} refused the work, and nothing was changed: {_said(error)}."

    def is_damage(self, error: DBAPIError) -> bool:
        """Whether the server says that a page or an index is broken."""
        return (getattr(error.orig, "sqlstate", None) or "").startswith("XX00")

    def damage(self, connection: Connection) -> Iterator[Finding]:
        """Find nothing here: a server checks each page as it is read, and every row is read by what follows."""
        del connection
        yield from ()

    def guards(self, connection: Connection) -> Iterator[Finding]:
        """Find triggers and functions that are gone or others, and accounts that were let through."""
        of_schema = f"JOIN pg_class c ON c.oid = {{}} AND c.relnamespace = '{SCHEMA}'::regnamespace"
        present = {
            row.name: row.sql if row.enabled == "A" else f"{row.sql} (not always)"
            for row in connection.exec_driver_sql(
                "SELECT tgname AS name, pg_get_triggerdef(t.oid) AS sql, tgenabled::text AS enabled FROM pg_trigger t "
                f"{of_schema.format('t.tgrelid')} WHERE NOT tgisinternal"
            )
        }
        yield from trigger_findings(present, server_script.triggers())
        sources = {
            row.name: row.source
            for row in connection.exec_driver_sql(
                "SELECT proname::text AS name, prosrc AS source FROM pg_proc "
                f"WHERE pronamespace = '{SCHEMA}'::regnamespace"
            )
        }
        for name, body in server_script.functions().items():
            if sources.get(name) != body:
                yield Finding(
                    "trigger",
                    name,
                    f"The function {name} is not the register's own, so the record was open to change.",
                )
        for table, account, what in connection.exec_driver_sql(
            "SELECT c.relname::text, coalesce(r.rolname::text, 'everybody'), string_agg(a.privilege_type, ', ') "
            "FROM pg_class c CROSS JOIN aclexplode(c.relacl) a LEFT JOIN pg_roles r ON r.oid = a.grantee "
            f"WHERE c.relnamespace = '{SCHEMA}'::regnamespace AND a.grantee <> c.relowner "
            "AND a.privilege_type NOT IN ('SELECT', 'INSERT') GROUP BY 1, 2 ORDER BY 1, 2"
        ):
            yield Finding(
                "rights", table, f"The account {account} may {what} {table}, which nobody should be able to."
            )

    def back_up(self, target: Path) -> None:
        """Refuse: a server's database is copied by the tools of the server."""
        del target
        raise RegisterError(
            f"{self.shown} is on a server; copy it with `pg_dump --format=custom --schema={SCHEMA} --file=FILE "
            "DATABASE`, as its owner, and bring it back with `pg_restore`."
        )


def _said(error: DBAPIError) -> str:
    diagnosis = getattr(error.orig, "diag", None)
    return str(getattr(diagnosis, "message_primary", None) or error.orig).strip().rstrip(".")


def _url_of(location: str) -> URL:
    try:
        url = make_url(location.strip())
    except (ArgumentError, ValueError):
        raise RegisterError(
            "The address of the register cannot be read; it looks like postgresql://USER@HOST/DATABASE."
        ) from None
    if not url.database:
        raise RegisterError(
            f"{_shown(url)} names no database; the address looks like postgresql://USER@HOST/DATABASE."
        )
    return url.set(drivername="postgresql+psycopg")


def _shown(url: URL) -> str:
    """The address for people: no password, and no options, since one of them may be a password too."""
    return url.set(drivername="postgresql", query={}).render_as_string(hide_password=True)


def _engine(url: URL, wait: float) -> Engine:
    try:
        # One connection is kept between transactions; parameters are by place, so that columns go in as a tuple.
        engine = create_engine(
            url.difference_update_query(["options"]), pool_size=1, pool_pre_ping=True, paramstyle="format"
        )
        engine.dialect.import_dbapi()
    except ImportError:
        raise RegisterError(
            "A register on a PostgreSQL server needs the package psycopg; "
            "install it with pip install 'fairtank[postgres]'."
        ) from None

    settings = {
        "search_path": f"{SCHEMA},pg_temp",
        "lock_timeout": f"{max(1, round(1000 * wait))}ms",
        "idle_in_transaction_session_timeout": f"{_IDLE_SECONDS}s",
        "synchronous_commit": "on",
        # A writer reads after its turn has come, not what was there when it began to wait.
        "default_transaction_isolation": r"read\ committed",
        "client_encoding": "UTF8",
        "DateStyle": "ISO",
    }
    own = url.query.get("options", "")

    @event.listens_for(engine, "do_connect")
    def connect(_dialect: Any, _record: Any, _arguments: Any, parameters: dict[str, Any]) -> None:
        parameters.setdefault("connect_timeout", _CONNECT_SECONDS)
        parameters.setdefault("application_name", "fairtank")
        parameters["options"] = " ".join(
            [str(own), *(f"-c {name}={value}" for name, value in settings.items())]
        )

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        if connection.get_execution_options().get("writes", False):
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({server_script.TURN})")
        else:
            connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")

    return engine
