"""A change made behind the register's back is found and named, whatever it was made to."""

import random
import re
import sqlite3

import psycopg
import pytest

from schemas.errors import RegisterError
from trials.allocation import draw
from trials.register import server_script, tables
from trials.register.bodies import IntakeBody
from trials.register.chain import Kind, canonical, entry_digest
from trials.register.records import Entry
from trials.register.store import Register


@pytest.fixture
def full(register, trial, batch_of, cells_of, now):
    """A register with a seal (1), an allocation (2) and two files taken in (3, 4); 4 has events and a check too."""
    sealed = register.find(trial)
    register.record_allocation(trial, draw(sealed.protocol, sealed.digest, "4 17 23 31 40"), now)
    first = [(2, "accepted", cells_of(value="<0.5", by="Jane")), (3, "held", cells_of("q9-z"))]
    second = [(2, "accepted", cells_of("q1-b", value="12.5")), (3, "repeated", cells_of(value="<0.5"))]
    second += [(row, "accepted", {"note": str(row)}) for row in (4, 5, 6)]
    events = {
        4: {"by": "Jane"},
        5: {"kind": "fault", "amount": float("nan"), "unit": "", "note": "pump stood still"},
    }
    two = batch_of("two.csv", second, events=events, checks={6: {}})
    register.record_intake(trial, [batch_of("one.csv", first), two], now)
    assert register.check() == []
    return register


@pytest.fixture
def forge(home, path, location):
    """Change what is stored as somebody could who owns it: triggers away, change, triggers back as they were."""

    def change_file(sql, *values):
        connection = sqlite3.connect(path)
        for name in tables.triggers():
            connection.execute(f'DROP TRIGGER "{name}"')
        connection.execute("PRAGMA ignore_check_constraints = ON")
        assert connection.execute(sql, values).rowcount > 0
        for trigger in tables.triggers().values():
            connection.execute(trigger)
        connection.commit()
        connection.close()

    def change_on_server(sql, *values):
        with psycopg.connect(location, options="-c search_path=fairtank") as connection:
            for name in tables.metadata.tables:
                connection.execute(f"ALTER TABLE {name} DISABLE TRIGGER ALL")
            assert connection.execute(in_postgresql(sql), values).rowcount > 0
            for name in tables.metadata.tables:
                connection.execute(f"ALTER TABLE {name} ENABLE TRIGGER ALL")
            for name in server_script.triggers():
                connection.execute(f"ALTER TABLE {name.split('_keep')[0]} ENABLE ALWAYS TRIGGER {name}")

    return change_file if home == "sqlite" else change_on_server


def in_postgresql(sql):
    """Texts are not bytes there, and have to be turned into each other."""
    sql = re.sub(r"CAST\((.*) AS BLOB\)", r"convert_to(\1, 'UTF8')", sql)
    sql = re.sub(r"instr\(content, ('.*?')\)", r"position(\1 in convert_from(content, 'UTF8')) > 0", sql)
    sql = sql.replace("replace(content,", "replace(convert_from(content, 'UTF8'),")
    return sql.replace("x'00'", "'\\x00'::bytea").replace("?", "%s")


def found(register, **options):
    return {(finding.what, finding.where) for finding in register.check(**options)}


REST = """sheet, row, tank, taken_at, utc_offset, variable, value, sign, replicate, kit, by, note, raw_value, raw_unit
          FROM readings WHERE entry = 4"""
CHAIN_OF_3 = {("chain", "entry 3")}
CHANGED = {
    "entries.trial": ("UPDATE entries SET trial = 'quillmere-2027' WHERE number = 3", CHAIN_OF_3),
    "entries.kind": ("UPDATE entries SET kind = 'intakE' WHERE number = 3", CHAIN_OF_3),
    "entries.at": ("UPDATE entries SET at = '2026-04-03T17:30:00Z' WHERE number = 3", CHAIN_OF_3),
    "entries.body": (
        "UPDATE entries SET body = replace(body, '\"held\":1', '\"held\":2') WHERE number = 3",
        CHAIN_OF_3,
    ),
    "entries.previous": (
        "UPDATE entries SET previous = 'a' || substr(previous, 2) || 'b' WHERE number = 3",
        CHAIN_OF_3,
    ),
    "entries.digest": (
        "UPDATE entries SET digest = 'a' || substr(digest, 2) || 'b' WHERE number = 3",
        CHAIN_OF_3,
    ),
    "files.content": (
        "UPDATE files SET content = CAST(replace(content, '12.5', '12.4') AS BLOB) WHERE instr(content, '12.5')",
        {("file", "two.csv")},
    ),
    "rows.row": ("UPDATE rows SET row = 9 WHERE entry = 4 AND row = 3", {("rows", "entry 4")}),
    "rows.sheet": ("UPDATE rows SET sheet = 'x' WHERE entry = 4 AND row = 3", {("rows", "entry 4")}),
    "rows.outcome": ("UPDATE rows SET outcome = 'held' WHERE entry = 4 AND row = 3", {("rows", "entry 4")}),
    "rows.cells": (
        "UPDATE rows SET cells = replace(cells, '12.5', '12.4') WHERE entry = 4",
        {("rows", "entry 4")},
    ),
    "rows.reasons": ("UPDATE rows SET reasons = '[]' WHERE entry = 3", {("rows", "entry 3")}),
    "rows.entry": (
        "UPDATE rows SET entry = 4, row = 9 WHERE entry = 3 AND row = 3",
        {("rows", "entry 3"), ("rows", "entry 4")},
    ),
    "readings.reading": ("UPDATE readings SET reading = 9 WHERE entry = 4", {("readings", "entry 4")}),
    "readings.entry": (
        "UPDATE readings SET entry = 3 WHERE entry = 4",
        {("readings", "entry 3"), ("readings", "entry 4")},
    ),
    "readings.value": (
        "UPDATE readings SET value = 12.499999999999998 WHERE entry = 4",
        {("readings", "entry 4")},
    ),
    "readings.row": ("UPDATE readings SET row = 3 WHERE entry = 4", {("readings", "entry 4")}),
    "readings.replicate": ("UPDATE readings SET replicate = 2 WHERE entry = 4", {("readings", "entry 4")}),
    "readings.sign": ("UPDATE readings SET sign = '' WHERE entry = 3", {("readings", "entry 3")}),
    "readings.taken_at": (
        "UPDATE readings SET taken_at = '2026-03-09T00:00:01' WHERE entry = 4",
        {("readings", "entry 4")},
    ),
    **{
        f"readings.{column}": (
            f"UPDATE readings SET {column} = {column} || '1' WHERE entry = 4",  # noqa: S608
            {("readings", "entry 4")},
        )
        for column in (
            "sheet",
            "tank",
            "utc_offset",
            "variable",
            "kit",
            "by",
            "note",
            "raw_value",
            "raw_unit",
        )
    },
    "events.event": ("UPDATE events SET event = event + 10", {("events", "entry 4")}),
    "events.entry": (
        "UPDATE events SET entry = 3 WHERE event = 1",
        {("events", "entry 3"), ("events", "entry 4")},
    ),
    "events.amount": (
        "UPDATE events SET amount = 0.30000000000000004 WHERE event = 1",
        {("events", "entry 4")},
    ),
    "an amount that was never said": (
        "UPDATE events SET amount = 0 WHERE event = 2",
        {("events", "entry 4")},
    ),
    "an amount taken away": ("UPDATE events SET amount = NULL WHERE event = 1", {("events", "entry 4")}),
    "events.row": ("UPDATE events SET row = 9 WHERE event = 1", {("events", "entry 4")}),
    "events.at": ("UPDATE events SET at = '2026-03-09T18:30:01' WHERE event = 1", {("events", "entry 4")}),
    **{
        f"events.{column}": (
            f"UPDATE events SET {column} = {column} || '1' WHERE event = 1",  # noqa: S608
            {("events", "entry 4")},
        )
        for column in ("sheet", "tank", "utc_offset", "kind", "unit", "by", "note", "raw_amount", "raw_unit")
    },
    "an event taken away": ("DELETE FROM events WHERE event = 2", {("events", "entry 4")}),
    "all events taken away": ("DELETE FROM events", {("events", "entry 4")}),
    "events of no intake": (
        "UPDATE events SET entry = 2 WHERE event = 2",
        {("events", "entry 2"), ("events", "entry 4")},
    ),
    "check_readings.reading": ("UPDATE check_readings SET reading = 9", {("checks", "entry 4")}),
    "check_readings.entry": (
        "UPDATE check_readings SET entry = 3",
        {("checks", "entry 3"), ("checks", "entry 4")},
    ),
    "check_readings.value": ("UPDATE check_readings SET value = 9.6", {("checks", "entry 4")}),
    "check_readings.row": ("UPDATE check_readings SET row = 9", {("checks", "entry 4")}),
    "check_readings.replicate": ("UPDATE check_readings SET replicate = 2", {("checks", "entry 4")}),
    "check_readings.sign": ("UPDATE check_readings SET sign = '<'", {("checks", "entry 4")}),
    "check_readings.taken_at": (
        "UPDATE check_readings SET taken_at = '2026-03-09T00:00:01'",
        {("checks", "entry 4")},
    ),
    **{
        f"check_readings.{column}": (
            f"UPDATE check_readings SET {column} = {column} || '1'",  # noqa: S608
            {("checks", "entry 4")},
        )
        for column in (
            *("sheet", "site", "sample", "utc_offset", "variable", "kit", "by", "note"),
            *("raw_value", "raw_unit"),
        )
    },
    "a check taken away": ("DELETE FROM check_readings", {("checks", "entry 4")}),
    "a row taken away": ("DELETE FROM rows WHERE entry = 3 AND outcome = 'held'", {("rows", "entry 3")}),
    "a reading taken away": ("DELETE FROM readings WHERE entry = 4", {("readings", "entry 4")}),
    "a reading doubled": (f"INSERT INTO readings SELECT 3, entry, {REST}", {("readings", "entry 4")}),
    "readings of no intake": (f"INSERT INTO readings SELECT 3, 2, {REST}", {("readings", "entry 2")}),
    "a row of no intake": (
        "INSERT INTO rows SELECT 2, sheet, row, outcome, cells, reasons FROM rows LIMIT 1",
        {("rows", "entry 2")},
    ),
    "a file put in": ("INSERT INTO files VALUES ('no digest', x'00')", {("file", "no digest")}),
    "an entry taken away": ("DELETE FROM entries WHERE number = 2", {("chain", "entry 2")}),
    "an entry that never was": (
        "INSERT INTO entries SELECT 5, trial, 'intake', at, body, digest, 'd' FROM entries WHERE number = 4",
        {("chain", "entry 5")},
    ),
}


@pytest.mark.parametrize(("sql", "expected"), CHANGED.values(), ids=CHANGED.keys())
def test_any_change_is_found_and_named(full, forge, sql, expected):
    forge(sql)
    assert found(full) == expected


def test_each_column_of_each_table_is_among_the_changes():
    """Those of the keys of entries and files are changed by taking away and putting in."""
    columns = {
        f"{table.name}.{column.name}" for table in tables.metadata.tables.values() for column in table.columns
    }
    assert columns - CHANGED.keys() == {"entries.number", "files.digest"}


def test_entries_swapped_are_found(full, forge):
    forge(
        "UPDATE entries SET body = (SELECT body FROM entries AS e WHERE e.number = 7 - entries.number) "
        "WHERE number IN (3, 4)"
    )
    assert found(full) == CHAIN_OF_3


def test_a_file_taken_away_is_found(full, forge):
    forge("DELETE FROM files WHERE digest = ?", IntakeBody.of(full.entries()[2]).file.digest)
    assert found(full) == {("file", "one.csv")}


def test_a_sealed_protocol_that_was_changed_is_found_and_not_used(full, trial, forge):
    digest = full.find(trial).digest
    forge("UPDATE files SET content = CAST(replace(content, '0.8', '0.9') AS BLOB) WHERE digest = ?", digest)
    assert ("file", "protocol of quillmere-2026") in found(full)
    with pytest.raises(RegisterError, match="The protocol of quillmere-2026 was changed after it was sealed"):
        full.find(trial)


@pytest.mark.homes("sqlite")
def test_a_trigger_that_is_gone_or_another_is_found(full, path):
    connection = sqlite3.connect(path)
    connection.execute("DROP TRIGGER rows_keep_update")
    connection.execute("DROP TRIGGER readings_keep_delete")
    connection.execute("CREATE TRIGGER readings_keep_delete BEFORE DELETE ON readings BEGIN SELECT 1; END")
    connection.execute("CREATE TRIGGER sly AFTER INSERT ON readings BEGIN SELECT 1; END")
    connection.commit()
    connection.close()
    assert [(f.what, f.where, f.text.split(",")[0]) for f in full.check()] == [
        ("trigger", "readings_keep_delete", "The trigger readings_keep_delete is changed"),
        ("trigger", "rows_keep_update", "The trigger rows_keep_update is missing"),
        ("trigger", "sly", "The trigger sly is not the register's own"),
    ]


def test_a_chain_made_anew_fails_by_the_head_that_was_noted(full, now, loaded, batch_of, cells_of, tmp_path):
    noted = full.head()
    with Register.open(str(tmp_path / "anew.db"), create=True) as anew:
        anew.seal(loaded, now)
        assert anew.check() == []
        assert found(anew, head=noted) == {("chain", "head")}
    assert full.check(head=noted) == []
    full.record_intake("quillmere-2026", [batch_of("three.csv", [(2, "accepted", cells_of("q2-a"))])], now)
    assert full.head() != noted
    assert full.check(head=noted) == [], "an older head is in the chain still"


def test_a_forged_allocation_with_a_chain_that_fits_is_found(full, forge):
    """Somebody swaps two arms and makes the digests of all entries from there on anew."""
    entries = full.entries()
    body = entries[1].body
    one, other = '"arm":"control","block":"q1"', '"arm":"liquid","block":"q1"'
    forged = body.replace(one, "~").replace(other, one).replace("~", other)
    assert forged != body
    previous = entries[0].digest
    for entry in entries[1:]:
        text = forged if entry.number == 2 else entry.body
        bare = Entry(entry.number, entry.trial, entry.kind, entry.at, text, previous, "")
        forge(
            "UPDATE entries SET body = ?, previous = ?, digest = ? WHERE number = ?",
            *(text, previous, entry_digest(bare), entry.number),
        )
        previous = entry_digest(bare)
    assert {finding.what for finding in full.check()} == {"allocation"}
    assert len(full.check()) == 2
    assert "but the seed" in full.check()[0].text


def test_a_body_that_no_version_wrote_is_said(register, trial, forge):
    (seal,) = register.entries()
    bare = Entry(2, trial, Kind.INTAKE.value, seal.at, canonical({"file": "x"}), seal.digest, "")
    forge(
        "INSERT INTO entries VALUES (?, ?, ?, ?, ?, ?, ?)",
        *(2, trial, bare.kind, bare.at, bare.body, bare.previous, entry_digest(bare)),
    )
    assert found(register) == {("entry", "register")}
    with pytest.raises(
        RegisterError, match=r"Entry 2 \(intake\) is not in the form that this version of fairtank writes"
    ):
        register.readings(trial)


UNREADABLE = {
    "a moment that is none": (
        "UPDATE readings SET taken_at = 'soon'",
        "readings",
        "The readings of quillmere-2026 were changed",
    ),
    "cells that are none": (
        "UPDATE rows SET cells = '{' WHERE outcome = 'held'",
        "held",
        "The rows of quillmere-2026 were changed",
    ),
    "reasons that are none": (
        "UPDATE rows SET reasons = '[{}]' WHERE outcome = 'held'",
        "held",
        "The rows of quillmere-2026 were changed",
    ),
}


@pytest.mark.parametrize(("sql", "question", "sentence"), UNREADABLE.values(), ids=UNREADABLE.keys())
def test_what_was_changed_beyond_reading_is_said(full, trial, forge, sql, question, sentence):
    forge(sql)
    with pytest.raises(RegisterError, match=f"{sentence} after intake; `fairtank verify` says where"):
        getattr(full, question)(trial)
    assert full.check()


def everything(path):
    """All that the register says, or the one sentence with which it refuses."""
    try:
        with Register.open(str(path)) as register:
            findings = register.check()
            if findings:
                return [str(finding) for finding in findings]
            trial = register.find(None)
            frame = register.readings(trial.id)
            return [
                register.entries(),
                trial,
                register.held(trial.id),
                frame.to_csv(),
                register.allocation(trial.id),
            ]
    except RegisterError as error:
        return str(error)


@pytest.mark.homes("sqlite")
@pytest.mark.usefixtures("full")
def test_a_damaged_page_is_found_or_changes_nothing(path):
    """Garbage over each page in turn, and single bytes at random places."""
    whole = path.read_bytes()
    before = everything(path)
    chance = random.Random(20260302)  # noqa: S311 - damage, not a secret
    silent = []
    for start in range(0, len(whole), 4096):
        path.write_bytes(whole[:start] + chance.randbytes(4096) + whole[start + 4096 :])
        if everything(path) == before:
            silent.append(start)
    for place in chance.sample(range(len(whole)), 60):
        path.write_bytes(
            whole[:place] + bytes([whole[place] ^ 1 << chance.randrange(8)]) + whole[place + 1 :]
        )
        now = everything(path)
        refused = isinstance(now, str) and "\n" not in now
        named = isinstance(now, list) and all(isinstance(line, str) for line in now)
        assert now == before or refused or named
    assert silent == []


@pytest.mark.homes("sqlite")
@pytest.mark.usefixtures("full")
def test_a_file_cut_short_is_found(path):
    whole = path.read_bytes()
    before = everything(path)
    for length in range(0, len(whole), 4096):
        path.write_bytes(whole[:length])
        assert everything(path) != before
