"""Several writers at once, and a writer killed in the middle of it: nothing is lost, doubled or half there."""

import json
import os
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from trials.register.bodies import IntakeBody

PROGRAM = Path(__file__).with_name("register_writers.py")
ROOT = PROGRAM.parents[3]
WRITERS = ("ann", "bob", "cid", "dee")
FILES = {"append": 25, "compare": 5}


def start(*arguments):
    return subprocess.Popen(
        [sys.executable, PROGRAM, *map(str, arguments)],
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        text=True,
    )


def run_all(mode, path):
    running = [start(mode, path, name) for name in WRITERS]
    assert [(writer.communicate()[0], writer.returncode) for writer in running] == [("", 0)] * len(WRITERS)


@pytest.mark.usefixtures("trial")
def test_four_writers_at_once_lose_nothing(register, path):
    run_all("append", path)
    entries = register.entries()
    assert [entry.number for entry in entries] == list(range(1, 2 + FILES["append"] * len(WRITERS)))
    assert register.check() == []
    names = [IntakeBody.of(entry).file.name for entry in entries[1:]]
    assert Counter(names) == Counter(
        f"{name}-{number}" for name in WRITERS for number in range(FILES["append"])
    )
    for name in WRITERS:
        own = [file for file in names if file.startswith(name)]
        assert own == [f"{name}-{number}" for number in range(FILES["append"])], (
            "each writer's files are in its order"
        )


def test_four_writers_who_send_the_same_readings_store_them_once(register, trial, path):
    run_all("compare", path)
    assert register.check() == []
    assert len(register.entries()) == 1 + FILES["compare"] * len(WRITERS)
    assert sorted(register.readings(trial)["value"]) == list(range(FILES["compare"] + 1))


@pytest.mark.usefixtures("trial")
def test_a_writer_killed_at_any_moment_leaves_whole_files_only(path):
    rounds = 10
    output, _ = start("killed", path, rounds).communicate()
    left = json.loads(output)
    assert len(left) == rounds
    for after in left:
        assert after["findings"] == []
        assert after["readings"] == 0, "every file that is in has all its readings, and no other has any"
        # Two files go in together: what was acknowledged is in, and at most the two that were under way.
        assert after["in"] in (after["acknowledged"], after["acknowledged"] + 2)
    assert any(after["half-written"] for after in left), "a kill has to fall into a transaction now and then"
