"""Several writers at once, and a writer killed in the middle of it: nothing is lost, doubled or half there."""

import importlib.util
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
ROUNDS = 200


def run(*arguments):
    done = subprocess.run(
        [sys.executable, PROGRAM, *map(str, arguments)],
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    )
    return done.stdout


@pytest.fixture(scope="module")
def program():
    """The program's own word on what its writers send."""
    spec = importlib.util.spec_from_file_location("register_writers", PROGRAM)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.usefixtures("trial")
def test_two_to_eight_writers_at_once_lose_nothing(register, location, program, protocol_of, now):
    register.seal(protocol_of("saltmere-2026"), now)
    run("together", location)
    entries = register.entries()
    assert [entry.number for entry in entries] == list(range(1, len(entries) + 1))
    assert register.check() == []
    names = [IntakeBody.of(entry).file.name for entry in entries[2:]]
    wanted = [
        [f"{mode}-{count}-{writer}-{number}" for number in range(program.FILES[mode])]
        for mode, count in program.TOGETHER
        for writer in range(count)
    ]
    assert Counter(names) == Counter(name for files in wanted for name in files)
    for files in wanted:
        assert [name for name in names if name in files] == files, "each writer's files are in its order"
    # Who sent the same readings at the same time stored them once.
    assert sorted(register.readings("saltmere-2026")["value"]) == list(range(program.FILES["compare"] + 1))


def test_a_writer_killed_at_any_moment_leaves_whole_files_only(location, register, loaded, tmp_path):
    del register, loaded  # made and written
    left = json.loads(run("killed", location, ROUNDS, tmp_path / "protocols" / "protocol.toml"))
    assert len(left) == ROUNDS
    assert [state["findings"] for state in left] == [[]] * ROUNDS
    fell_into = Counter(state["aim"] for state in left if state["before its end"])
    assert fell_into.keys() == {"intake", "amend", "seal", "allocate"}, "a kill falls into each kind of work"
    assert fell_into.total() > ROUNDS / 5
