"""The server itself refuses changes, also to its superuser and to a program that knows nothing of fairtank."""

import psycopg
import pytest

from trials.register import tables
from trials.register.chain import GENESIS

pytestmark = pytest.mark.homes("postgresql")

REFUSAL = r"the register only grows|follow each other without a gap|duplicate key"


@pytest.fixture
def raw(register, trial, batch_of, cells_of, location, now):
    """A bare connection of the superuser to a full register."""
    rows = [(2, "accepted", cells_of()), (3, "held", cells_of(unit="")), (4, "accepted", {"note": "x"})]
    rows += [(5, "accepted", {"note": "y"})]
    register.record_intake(trial, [batch_of("readings.csv", rows, events={4: {}}, checks={5: {}})], now)
    with psycopg.connect(location, autocommit=True, options="-c search_path=fairtank") as connection:
        yield connection


@pytest.mark.parametrize("settings", ["origin", "replica"])
@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE {table} SET {column} = {column}",
        "UPDATE {table} SET {column} = {column} WHERE false",
        "DELETE FROM {table}",
        "TRUNCATE {table} CASCADE",
        "INSERT INTO {table} SELECT * FROM {table} ON CONFLICT ({key}) DO UPDATE SET {column} = EXCLUDED.{column}",
    ],
)
def test_no_row_is_changed_or_removed(raw, stored, sql, settings):
    """Also in a session that calls itself a replica, where other triggers rest."""
    raw.execute(f"SET session_replication_role = {settings}")
    before = stored()
    assert all(before.values()), "every table has rows to lose"
    for table in tables.metadata.tables.values():
        key = ", ".join(column.name for column in table.primary_key)
        statement = sql.format(table=table.name, key=key, column=table.columns.keys()[-1])
        with pytest.raises(psycopg.errors.IntegrityError, match=REFUSAL):
            raw.execute(statement)
    assert stored() == before


NEXT = {
    "the number of an entry": lambda e: (e[0], "t", "intake", "x", "{}", e[6], "d" * 64),
    "the digest before an entry": lambda e: (e[0] + 1, "t", "intake", "x", "{}", e[5], "d" * 64),
    "the digest of an entry": lambda e: (e[0] + 1, "t", "intake", "x", "{}", e[6], e[6]),
    "the seal of a trial": lambda e: (e[0] + 1, e[1], "seal", "x", "{}", e[6], "d" * 64),
    "an entry far ahead": lambda e: (e[0] + 2, "t", "intake", "x", "{}", e[6], "d" * 64),
    "a second beginning": lambda e: (e[0] + 1, "t", "intake", "x", "{}", GENESIS, "d" * 64),
}
INSERT = "INSERT INTO entries VALUES (%s, %s, %s, %s, %s, %s, %s)"


def test_only_an_entry_that_follows_is_let_in(raw, stored):
    before = stored()
    last = raw.execute("SELECT * FROM entries ORDER BY number DESC LIMIT 1").fetchone()
    for values in NEXT.values():
        with pytest.raises(psycopg.errors.IntegrityError, match=REFUSAL):
            raw.execute(INSERT, values(last))
    assert stored() == before
    raw.execute(INSERT, (last[0] + 1, "t", "intake", "x", "{}", last[6], "d" * 64))


WRONG = {
    "text for a number": ("readings", {"value": "five"}),
    "a sign that is none": ("readings", {"sign": "~"}),
    "no value": ("readings", {"value": None}),
    "more than any number": ("readings", {"value": float("inf")}),
    "no number": ("readings", {"value": float("nan")}),
    "an outcome that is none": ("rows", {"outcome": "lost"}),
    "less than nothing": ("events", {"amount": -1.0}),
}


def test_the_database_knows_what_a_row_looks_like(raw):
    for table, change in WRONG.values():
        cursor = raw.execute(f"SELECT * FROM {table} LIMIT 1")  # noqa: S608
        row = dict(zip((column.name for column in cursor.description), cursor.fetchone(), strict=True))
        values = list(
            (row | {tables.metadata.tables[table].primary_key.columns.keys()[-1]: 99} | change).values()
        )
        with pytest.raises((psycopg.errors.IntegrityError, psycopg.errors.DataError)):
            raw.execute(f"INSERT INTO {table} VALUES ({', '.join(['%s'] * len(values))})", values)  # noqa: S608


UNGUARDED = {
    "a trigger dropped": ("DROP TRIGGER rows_keep ON rows", "trigger", "The trigger rows_keep is missing"),
    "a trigger asleep": (
        "ALTER TABLE files DISABLE TRIGGER files_keep",
        "trigger",
        "The trigger files_keep is changed",
    ),
    "a trigger that sleeps in replicas": (
        "ALTER TABLE files ENABLE TRIGGER files_keep",
        "trigger",
        "The trigger files_keep is changed",
    ),
    "a trigger for less": (
        (
            "DROP TRIGGER rows_keep ON rows; CREATE TRIGGER rows_keep BEFORE DELETE ON rows "
            "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change(); ALTER TABLE rows ENABLE ALWAYS TRIGGER rows_keep"
        ),
        "trigger",
        "The trigger rows_keep is changed",
    ),
    "one trigger more": (
        "CREATE TRIGGER sly AFTER INSERT ON readings FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()",
        "trigger",
        "The trigger sly is not the register's own",
    ),
    "another function": (
        "CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN NULL; END'",
        "trigger",
        "The function refuse_change is not the register's own",
    ),
    "an account let through": (
        "GRANT UPDATE, TRUNCATE ON readings TO fairtank_writer",
        "rights",
        "The account fairtank_writer may TRUNCATE, UPDATE readings",
    ),
    "everybody let through": (
        "GRANT DELETE ON files TO PUBLIC",
        "rights",
        "The account everybody may DELETE files",
    ),
}


@pytest.mark.parametrize(("sql", "what", "text"), UNGUARDED.values(), ids=UNGUARDED)
def test_a_guard_that_is_gone_or_another_is_found(register, raw, sql, what, text):
    assert register.check() == []
    raw.execute(sql)
    (finding,) = register.check()
    assert finding.what == what
    assert finding.text.startswith(text)
