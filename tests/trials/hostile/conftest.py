"""What the tests on hostile files share: the invented club's protocol, and a budget of the processor's time."""

from __future__ import annotations

import csv
import datetime as dt
import time
from contextlib import contextmanager
from pathlib import Path

import pytest

from schemas.errors import IntakeError
from schemas.readings import empty_readings
from trials.intake.batch import take_in
from trials.protocol_file import load
from trials.register.records import SourceFile

CLUB = Path(__file__).parents[3] / "data" / "club"
SECONDS = 20
"""Of the processor, for any single file: some ten times what the slowest takes."""


@pytest.fixture(autouse=True)
def _usual_cells():
    """The csv module's own limit, which other libraries raise for the whole process as they are imported."""
    before = csv.field_size_limit(131_072)
    yield
    csv.field_size_limit(before)


@pytest.fixture(scope="session")
def club():
    """The folder of the invented club."""
    return CLUB


@pytest.fixture(scope="session")
def protocol():
    return load(CLUB / "protocol.toml").protocol


@contextmanager
def _in_time():
    started = time.process_time()
    yield
    assert time.process_time() - started < SECONDS


@pytest.fixture
def in_time():
    """A block that may not keep the processor longer than the budget."""
    return _in_time


@pytest.fixture
def take(protocol):
    """Takes bytes in as a file of that name, within the budget."""

    def run(content, name="a.csv"):
        with _in_time():
            return take_in(SourceFile(name, content), protocol, empty_readings(), dt.date(2026, 12, 1))

    return run


@pytest.fixture
def rows_or_sentence(take):
    """What every file must end as: rows that are all counted, or one sentence that begins with the file's name."""

    def run(content, name):
        try:
            batch = take(content, name)
        except IntakeError as error:
            said = str(error)
        else:
            counts = [batch.count(outcome) for outcome in ("accepted", "held", "repeated")]
            assert sum(counts) == len(batch.rows)
            return
        assert said.startswith(name)
        assert len(said) < 600

    return run
