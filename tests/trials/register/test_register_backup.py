"""A copy is proved by restoring it: opened in the place of the lost one, it is the same register and goes on."""

import shutil
import sqlite3
import threading

import pytest

from schemas.errors import RegisterError
from trials.register.backup import back_up
from trials.register.store import Register


@pytest.fixture
def full(register, trial, batch_of, cells_of, now):
    rows = [(2, "accepted", cells_of()), (3, "held", cells_of("q9-z"))]
    register.record_intake(trial, [batch_of("one.csv", rows)], now)
    return register


@pytest.mark.homes("sqlite")
def test_a_copy_takes_the_place_of_the_lost_register(full, trial, path, tmp_path, batch_of, cells_of, now):
    copy = back_up(full, tmp_path / "copy.db")
    assert (copy.entries, copy.head, copy.findings) == (2, full.head(), [])
    before = (full.entries(), full.readings(trial).to_csv(), full.held(trial))
    full.close()
    path.unlink()
    shutil.move(tmp_path / "copy.db", path)
    with Register.open(str(path)) as restored:
        assert (restored.entries(), restored.readings(trial).to_csv(), restored.held(trial)) == before
        assert restored.check(head=copy.head) == []
        restored.record_intake(trial, [batch_of("two.csv", [(2, "accepted", cells_of("q1-b"))])], now)
        assert restored.check(head=copy.head) == []


@pytest.mark.homes("sqlite")
def test_a_copy_made_while_somebody_writes_is_one_state_of_the_register(
    full, trial, path, tmp_path, batch_of, now
):
    stop = threading.Event()

    def write():
        with Register.open(str(path)) as other:
            number = 0
            while not stop.is_set():
                other.record_intake(trial, [batch_of(f"{number}.csv", [], content=b"%d" % number)], now)
                number += 1

    writer = threading.Thread(target=write)
    writer.start()
    copies = [back_up(full, tmp_path / f"copy-{number}.db") for number in range(5)]
    stop.set()
    writer.join()
    digests = [entry.digest for entry in full.entries()]
    assert len(digests) > 3
    for copy in copies:
        assert copy.findings == []
        assert copy.head == digests[copy.entries - 1]


@pytest.mark.homes("sqlite")
def test_a_copy_writes_over_nothing_and_leaves_nothing_half_made(full, path, tmp_path):
    with pytest.raises(RegisterError, match="is there already, and a copy writes over nothing"):
        back_up(full, path)
    with pytest.raises(RegisterError, match=r"cannot be copied into .*nowhere"):
        back_up(full, tmp_path / "nowhere" / "copy.db")
    (tmp_path / "copy.db.partial").write_text("left by a machine that stopped")
    back_up(full, tmp_path / "copy.db")
    assert {file.name for file in tmp_path.iterdir() if file.is_file()} == {path.name, "copy.db"}


@pytest.mark.homes("sqlite")
def test_a_copy_of_a_damaged_register_says_so(full, path, tmp_path):
    with sqlite3.connect(path) as connection:
        connection.execute("DROP TRIGGER rows_keep_update")
    connection.close()
    (finding,) = back_up(full, tmp_path / "copy.db").findings
    assert finding.where == "rows_keep_update"
