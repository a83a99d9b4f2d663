"""The script by which an administrator makes a register on a PostgreSQL server: tables, guards, and who may do what.

What an account can do and see, all of it decided by the database and none of it by this program:

========================================  =============  ===============
                                          fairtank_lead  fairtank_writer
========================================  =============  ===============
update, delete, truncate, drop, triggers  no             no
add files, corrections, what befell tanks yes            yes
seal, allocate, amend, close, unmask,     yes            no
correct what a kit reads
read the allocation, its file, and arms   yes            once data entry
that deviations name                                     is closed
read everything else                      yes            yes
========================================  =============  ===============

Of a masked entry a writer sees the link alone: number, trial, kind and the digests, without which nobody could add to
the chain or check it. So who guesses all of an entry, to the microsecond of its time, can see the guess confirmed; and
who knows the protocol and the seed draws again what was drawn, as anyone is meant to.

The owner of the tables, and a superuser, can drop what guards them: that is what the chain, ``verify`` and a head noted
elsewhere are for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import MetaData, Text
from sqlalchemy.dialects import postgresql
from sqlalchemy.schema import CreateIndex, CreateTable

from trials.register import tables
from trials.register.chain import GENESIS, Kind

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

SCHEMA = "fairtank"
"""The schema that holds the register; a database has one register."""

LEAD, WRITER = "fairtank_lead", "fairtank_writer"
"""The roles that accounts are made members of."""

MARK = f"fairtank register, format {tables.FORMAT}"
"""The comment of the schema, which says what it is."""

TURN = int.from_bytes(b"fairtank")
"""The advisory lock that a writer holds from before it reads until its end: one at a time builds on the chain."""

WRITTEN_BY_WRITERS = (
    Kind.INTAKE,
    Kind.CORRECTION,
    Kind.EVENT_CORRECTION,
    Kind.DEVIATION,
    Kind.DROPOUT,
    Kind.RESCUE,
)
"""What a writer may record; all else is for the lead to decide."""

# The body is canonical JSON, where a quotation mark inside a text is escaped: these match keys, never texts.
_NAMES_NO_ARM = "position('\"treated_as\":null' in body) > 0"
_FILE_OF_BODY = 'substring(body from \'"file":\\{"digest":"([0-9a-f]{64})"\')'

_BODIES = {
    "refuse_change": f"""
BEGIN
  RAISE EXCEPTION '% of {SCHEMA}.% is refused: the register only grows', TG_OP, TG_TABLE_NAME
    USING ERRCODE = 'integrity_constraint_violation';
END""",
    "keep_order": f"""
DECLARE
  last_number bigint;
  last_digest text;
BEGIN
  PERFORM pg_advisory_xact_lock({TURN});
  SELECT number, digest INTO last_number, last_digest FROM {SCHEMA}.entries ORDER BY number DESC LIMIT 1;
  IF NEW.number <> coalesce(last_number, 0) + 1 OR NEW.previous <> coalesce(last_digest, '{GENESIS}') THEN
    RAISE EXCEPTION 'entries follow each other without a gap' USING ERRCODE = 'integrity_constraint_violation';
  END IF;
  RETURN NEW;
END""",
}


def triggers() -> dict[str, str]:
    """Give the triggers by name, each as the server gives its definition back where the schema is searched."""
    made = {
        f"{name}_keep": f"CREATE TRIGGER {name}_keep BEFORE DELETE OR UPDATE OR TRUNCATE ON {SCHEMA}.{name} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
        for name in tables.metadata.tables
    }
    made["entries_keep_order"] = (
        f"CREATE TRIGGER entries_keep_order BEFORE INSERT ON {SCHEMA}.entries "
        f"FOR EACH ROW EXECUTE FUNCTION keep_order()"
    )
    return made


def functions() -> dict[str, str]:
    """Give the bodies of the functions behind the triggers, by name."""
    return dict(_BODIES)


def script() -> str:
    """Write the script, to be run once by the owner of the database."""
    return "\n".join(f"{part};" if part else "" for part in _statements())


def _statements() -> Iterator[str]:
    yield (
        f"-- Makes a register of fairtank in the schema {SCHEMA} of this database, all of it or nothing.\n"
        "-- Run it once, as the role that shall own the register and that nobody uses from day to day, e.g.\n"
        "--     fairtank register --init-server | psql -X -v ON_ERROR_STOP=1 postgresql://OWNER@HOST/DATABASE\n"
        "-- and then make each account a member of one of the two roles:\n"
        f"--     GRANT {LEAD} TO ...;    records and reads all\n"
        f"--     GRANT {WRITER} TO ...;  records readings, events and corrections; sees the allocation of a trial\n"
        "--                                 only once its data entry is closed\n"
        "-- Roles belong to the whole server: who is a member is one in every register on it whose database admits it.\n"
        "BEGIN"
    )
    yield _block(
        "BEGIN",
        "  IF current_setting('server_encoding') <> 'UTF8' THEN",
        "    RAISE EXCEPTION 'a register needs a database in UTF-8; make one with ENCODING ''UTF8''';",
        "  END IF;",
        "END",
    )
    for role in (LEAD, WRITER):
        yield _block(
            "BEGIN",
            f"  CREATE ROLE {role} NOLOGIN;",
            "EXCEPTION WHEN duplicate_object OR unique_violation THEN",
            "  NULL;  -- made for another register of this server",
            "END",
        )
    yield f"CREATE SCHEMA {SCHEMA}"
    yield f"COMMENT ON SCHEMA {SCHEMA} IS '{MARK}'"
    yield f"SET LOCAL search_path = {SCHEMA}"
    yield ""
    yield from _tables()
    yield ""
    yield from _guards()
    yield ""
    yield from _rights()
    yield "COMMIT"


def _tables() -> Iterator[str]:
    """The tables and their indexes, with texts in the order of their code points, as they are hashed."""
    dialect = postgresql.dialect()  # type: ignore[no-untyped-call]
    copy = MetaData()
    for table in tables.metadata.tables.values():
        table.to_metadata(copy)
    for table in copy.sorted_tables:
        for column in table.columns:
            if isinstance(column.type, Text):
                column.type = Text(collation="C")
        yield str(CreateTable(table).compile(dialect=dialect)).strip()
        for index in sorted(table.indexes, key=lambda index: str(index.name)):
            yield str(CreateIndex(index).compile(dialect=dialect)).strip()
    yield f"CREATE VIEW {tables.chain.name} AS SELECT number, trial, kind, previous, digest FROM entries"


def _guards() -> Iterator[str]:
    for name, body in _BODIES.items():
        yield (
            f"CREATE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER "
            f"SET search_path = pg_catalog AS $${body}$$"
        )
        yield f"REVOKE ALL ON FUNCTION {name}() FROM PUBLIC"
    for name, statement in triggers().items():
        yield statement
        # Always: also in a session that calls itself a replica.
        yield f"ALTER TABLE {name.split('_keep')[0]} ENABLE ALWAYS TRIGGER {name}"


def _rights() -> Iterator[str]:
    everyone = f"{LEAD}, {WRITER}"
    yield f"GRANT USAGE ON SCHEMA {SCHEMA} TO {everyone}"
    yield f"GRANT SELECT, INSERT ON {', '.join(tables.metadata.tables)} TO {everyone}"
    yield f"GRANT SELECT ON {tables.chain.name} TO {everyone}"
    yield (
        "CREATE FUNCTION is_masked_file(asked text) RETURNS boolean LANGUAGE sql STABLE SECURITY DEFINER "
        f"SET search_path = pg_catalog, {SCHEMA} AS $$\n"
        f"SELECT EXISTS (SELECT FROM entries e WHERE e.kind = '{Kind.ALLOCATION}' AND {_FILE_OF_BODY} = asked\n"
        f"  AND NOT EXISTS (SELECT FROM entries c WHERE c.trial = e.trial AND c.kind = '{Kind.CLOSURE}'))$$"
    )
    yield "REVOKE ALL ON FUNCTION is_masked_file(text) FROM PUBLIC"
    yield f"GRANT EXECUTE ON FUNCTION is_masked_file(text) TO {everyone}"
    yield "ALTER TABLE entries ENABLE ROW LEVEL SECURITY"
    yield "ALTER TABLE files ENABLE ROW LEVEL SECURITY"
    yield f"CREATE POLICY lead ON entries TO {LEAD} USING (true) WITH CHECK (true)"
    yield f"CREATE POLICY lead ON files TO {LEAD} USING (true) WITH CHECK (true)"
    tells_arms = f"CASE kind WHEN '{Kind.ALLOCATION}' THEN true WHEN '{Kind.DEVIATION}' THEN NOT {_NAMES_NO_ARM} ELSE false END"
    yield (
        f"CREATE POLICY writer_reads ON entries FOR SELECT TO {WRITER} USING (NOT {tells_arms}\n"
        f"  OR trial IN (SELECT c.trial FROM {tables.chain.name} c WHERE c.kind = '{Kind.CLOSURE}'))"
    )
    yield (
        f"CREATE POLICY writer_adds ON entries FOR INSERT TO {WRITER} "
        f"WITH CHECK (kind IN ({_listed(WRITTEN_BY_WRITERS)}))"
    )
    yield f"CREATE POLICY writer_reads ON files FOR SELECT TO {WRITER} USING (NOT is_masked_file(digest))"
    yield f"CREATE POLICY writer_adds ON files FOR INSERT TO {WRITER} WITH CHECK (true)"


def _block(*lines: str) -> str:
    return "DO $$\n" + "\n".join(lines) + "\n$$"


def _listed(kinds: Iterable[Kind]) -> str:
    return ", ".join(f"'{kind}'" for kind in kinds)
