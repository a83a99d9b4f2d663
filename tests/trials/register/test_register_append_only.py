"""The file itself refuses changes, also to a program that knows nothing of fairtank."""

import sqlite3

import pytest

from trials.register import tables
from trials.register.chain import GENESIS

pytestmark = pytest.mark.homes("sqlite")
REFUSAL = r"the register only grows|follow each other without a gap"
PLAIN_SETTINGS = ["PRAGMA recursive_triggers = OFF", "PRAGMA foreign_keys = OFF"]


@pytest.fixture
def raw(register, trial, batch_of, cells_of, path, now):
    """A bare connection of another program, with the settings that SQLite has by default, on a full register."""
    rows = [
        (2, "accepted", cells_of()),
        (3, "held", cells_of(unit="")),
        (4, "accepted", cells_of(tank="q1-b")),
    ]
    register.record_intake(trial, [batch_of("readings.csv", rows)], now)
    connection = sqlite3.connect(path, isolation_level=None)
    for setting in PLAIN_SETTINGS:
        connection.execute(setting)
    yield connection
    connection.close()


def rows_of(connection):
    return {name: connection.execute(f'SELECT * FROM "{name}"').fetchall() for name in tables.metadata.tables}  # noqa: S608


CHANGES = {
    f"{what} {table}": sql.format(table=table, column=column)
    for table, column in (
        ("entries", "body"),
        ("files", "content"),
        ("rows", "outcome"),
        ("readings", "value"),
    )
    for what, sql in {
        "update": "UPDATE {table} SET {column} = {column}",
        "update or replace": "UPDATE OR REPLACE {table} SET {column} = {column}",
        "delete": "DELETE FROM {table}",
        "replace": "REPLACE INTO {table} SELECT * FROM {table}",
        "insert or replace": "INSERT OR REPLACE INTO {table} SELECT * FROM {table} LIMIT 1",
        "upsert": "INSERT INTO {table} SELECT * FROM {table} WHERE true ON CONFLICT DO UPDATE SET {column} = {column}",
    }.items()
}


@pytest.mark.parametrize("sql", CHANGES.values(), ids=CHANGES.keys())
def test_no_row_is_changed_or_removed(raw, sql):
    before = rows_of(raw)
    with pytest.raises(sqlite3.IntegrityError, match=REFUSAL):
        raw.execute(sql)
    assert rows_of(raw) == before


def last(connection):
    return connection.execute("SELECT * FROM entries ORDER BY number DESC LIMIT 1").fetchone()


REPLACEMENTS = {
    "the number of an entry": lambda e: (e[0], "t", "intake", "x", "{}", "p" * 64, "d" * 64),
    "the digest before an entry": lambda e: (e[0] + 1, "t", "intake", "x", "{}", e[5], "d" * 64),
    "the digest of an entry": lambda e: (e[0] + 1, "t", "intake", "x", "{}", e[6], e[6]),
    "the seal of a trial": lambda e: (e[0] + 1, e[1], "seal", "x", "{}", e[6], "d" * 64),
    "an entry far ahead": lambda e: (e[0] + 2, "t", "intake", "x", "{}", e[6], "d" * 64),
    "a second beginning": lambda e: (e[0] + 1, "t", "intake", "x", "{}", GENESIS, "d" * 64),
}


@pytest.mark.parametrize("replacement", REPLACEMENTS.values(), ids=REPLACEMENTS.keys())
def test_no_unique_value_is_taken_over(raw, replacement):
    before = rows_of(raw)
    with pytest.raises(sqlite3.IntegrityError, match=REFUSAL):
        raw.execute("INSERT OR REPLACE INTO entries VALUES (?, ?, ?, ?, ?, ?, ?)", replacement(last(raw)))
    assert rows_of(raw) == before


def test_an_entry_that_follows_is_let_in(raw):
    number, *_, digest = last(raw)
    raw.execute(
        "INSERT INTO entries VALUES (?, 'quillmere-2026', 'intake', 'x', '{}', ?, ?)",
        (number + 1, digest, "d" * 64),
    )
    assert last(raw)[0] == number + 1


STRICT = {
    "text for a number": ("readings", {"value": "five"}),
    "a sign that is none": ("readings", {"sign": "~"}),
    "no value": ("readings", {"value": None}),
    "more than any number": ("readings", {"value": float("inf")}),
    "an outcome that is none": ("rows", {"outcome": "lost"}),
    "a number for a text": ("files", {"digest": b"\x01"}),
}


@pytest.mark.parametrize(("table", "change"), STRICT.values(), ids=STRICT.keys())
def test_the_database_knows_what_a_row_looks_like(raw, table, change):
    cursor = raw.execute(f"SELECT * FROM {table} LIMIT 1")  # noqa: S608
    row = dict(zip((column[0] for column in cursor.description), cursor.fetchone(), strict=True))
    fresh = {"readings": {"reading": 99}, "rows": {"row": 99}, "files": {"digest": "0" * 64}}[table]
    values = tuple((row | fresh | change).values())
    with pytest.raises(sqlite3.IntegrityError):
        raw.execute(f"INSERT INTO {table} VALUES ({', '.join('?' * len(values))})", values)  # noqa: S608
    values = tuple((row | fresh).values())
    raw.execute(f"INSERT INTO {table} VALUES ({', '.join('?' * len(values))})", values)  # noqa: S608
