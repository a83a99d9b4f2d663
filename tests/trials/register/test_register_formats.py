"""A register of the first format, without tables for events and check samples, is read, written and verified."""

import json
import sqlite3
import stat
from dataclasses import replace

import pytest

from trials.register import tables
from trials.register.chain import GENESIS, entry_digest
from trials.register.store import Register

pytestmark = pytest.mark.homes("sqlite")
NEW = ("events", "check_readings")


@pytest.fixture
def old(register, trial, batch_of, cells_of, now, path):
    """The path of a register as the first format had it: two tables fewer, and bodies that know nothing of them."""
    rows = [(2, "accepted", cells_of()), (3, "held", cells_of("q9-z"))]
    register.record_intake(trial, [batch_of("one.csv", rows)], now)
    entries, previous = [], GENESIS
    for entry in register.entries():
        body = {
            name: part for name, part in json.loads(entry.body).items() if name not in ("events", "checks")
        }
        text = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        bare = replace(entry, body=text, previous=previous)
        entries.append(replace(bare, digest=entry_digest(bare)))
        previous = entries[-1].digest
    connection = sqlite3.connect(path)
    for name in tables.triggers():
        connection.execute(f'DROP TRIGGER "{name}"')
    for name in NEW:
        connection.execute(f"DROP TABLE {name}")
    for entry in entries:
        values = (entry.body, f"{entry.number} is on its way", entry.digest, entry.number)
        connection.execute("UPDATE entries SET body = ?, previous = ?, digest = ? WHERE number = ?", values)
    for entry in entries:
        connection.execute("UPDATE entries SET previous = ? WHERE number = ?", (entry.previous, entry.number))
    for trigger in tables.triggers(tables.missing_in(1)).values():
        connection.execute(trigger)
    connection.execute("PRAGMA user_version = 1")
    connection.commit()
    connection.close()
    return path


def layout(path):
    with sqlite3.connect(path) as connection:
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        names = {
            name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        }
    connection.close()
    return version, names & set(NEW)


def test_it_is_read_with_no_events_and_stays_as_it_is(old, trial):
    before = old.read_bytes()
    with Register.open(str(old)) as register:
        assert register.find(None).id == trial
        assert len(register.readings(trial)) == 1
        assert len(register.events(trial)) == len(register.check_readings(trial)) == 0
        assert len(register.held(trial)) == 1
        assert [line.reading for line in register.history(trial, tank="q1-a")] == [1]
        assert register.check() == []
    assert old.read_bytes() == before
    assert layout(old) == (1, set())


def test_it_is_read_where_nothing_may_be_written(old, trial):
    old.chmod(stat.S_IRUSR)
    with Register.open(str(old)) as register:
        assert register.check() == []
        assert len(register.events(trial)) == 0


def test_the_first_that_writes_brings_it_up_to_date(old, trial, batch_of, now):
    with Register.open(str(old)) as register:
        head = register.head()
        batch = batch_of("events.csv", [(2, "accepted", {"note": "x"})], events={2: {}})
        register.record_intake(trial, [batch], now)
        assert len(register.events(trial)) == 1
        assert register.check(head=head) == []
    assert layout(old) == (2, set(NEW))


def test_a_write_that_fails_leaves_the_format_as_it_was(old, trial, batch_of, now, monkeypatch):
    def broken(*_):
        raise KeyboardInterrupt

    with Register.open(str(old)) as register:
        monkeypatch.setattr("trials.register.store.record_batch", broken)
        with pytest.raises(KeyboardInterrupt):
            register.record_intake(trial, [batch_of("events.csv", [])], now)
    assert layout(old) == (1, set())
