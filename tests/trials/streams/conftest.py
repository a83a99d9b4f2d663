"""An invented trial of four tanks, its register, and files of loggers in it."""

import datetime as dt
import os

import numpy as np
import pytest

from schemas.readings import empty_readings
from trials.protocol_file import load
from trials.register.records import Beside
from trials.register.store import Register
from trials.streams.raw_files import Keeping
from trials.streams.taking_in import as_batch, read_stream

TODAY = dt.date(2026, 7, 1)
PROTOCOL = """
format = 1
trial = { id = "try", title = "A first try", licence = "CC-BY-4.0" }
arms = [ { id = "control", role = "control", title = "Water changes" }, { id = "polymer", role = "test", title = "Pellets" } ]
design = { kind = "parallel", seed = "1" }
tanks = [ { id = "a" }, { id = "b" }, { id = "c" }, { id = "d" } ]
schedule = { start = 2026-03-02, phases = [ { id = "baseline", days = 28 }, { id = "assessment", days = 200 } ] }
stop_rules = [ { variable = "temperature", above = 28, action = "cool the water" } ]
[[endpoints]]
id = "nitrate-mean"
role = "primary"
variable = "nitrate"
summary = "mean"
phase = "assessment"
better = "lower"
worthwhile = 2
"""


@pytest.fixture(scope="session")
def loaded(tmp_path_factory):
    """The protocol with the files that it came from."""
    path = tmp_path_factory.mktemp("protocol") / "protocol.toml"
    path.write_text(PROTOCOL, encoding="utf-8")
    return load(path)


@pytest.fixture
def register(loaded, tmp_path, monkeypatch):
    """The path of a register that holds the trial, in the folder where the test stands."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FAIRTANK_REGISTER", raising=False)
    path = tmp_path / "fairtank.db"
    with Register.open(str(path), create=True) as record:
        record.seal(loaded, dt.datetime(2026, 2, 20, tzinfo=dt.UTC))
    return path


@pytest.fixture
def read(loaded, tmp_path):
    """Reads texts, or files by their paths, as one stream."""

    def taken(*contents, **options):
        paths = []
        for number, content in enumerate(contents):
            path = content if isinstance(content, os.PathLike) else tmp_path / f"log{number}.csv"
            if path is not content:
                path.write_bytes(content.encode() if isinstance(content, str) else content)
            paths.append(path)
        with Keeping(None) as keeping:
            files = [keeping.take(path, lambda _: None) for path in paths]
        return read_stream(files, loaded.protocol, TODAY, **options)

    return taken


@pytest.fixture
def days(loaded):
    """The days of a stream, as the register would take them: a line each, by tank, variable and day."""

    def of(stream):
        batch = as_batch(stream, [], _sealed(loaded), empty_readings(), Beside(), TODAY)
        header, *lines = [
            line.split(",") for line in stream.days.content.decode().replace('"', "").splitlines()
        ]
        assert len(batch.rows) == len(lines)
        # The note holds a comma.
        header.insert(header.index("note") + 1, "rest of the note")
        rows = [dict(zip(header, line, strict=True)) for line in lines]
        return {(row["tank"], row["variable"], row["taken_at"][:10]): row for row in rows}

    return of


def _sealed(loaded):
    from trials.register.records import SealedTrial

    moment = dt.datetime(2026, 2, 20, tzinfo=dt.UTC)
    return SealedTrial("try", loaded.protocol, "0" * 64, moment)


@pytest.fixture(scope="session")
def logged():
    """Invented values of tanks each minute over days, in no order, as rows of texts."""

    def rows(tanks="ab", first="2026-03-02", number=2, seed=1):
        chance = np.random.default_rng(seed)
        minutes = np.datetime64(first, "m") + np.arange(number * 1440)
        made = [
            (tank, str(at), f"{25 + chance.normal() / 3:.2f}", f"{8.1 + chance.normal() / 20:.3f}")
            for tank in tanks
            for at in minutes
        ]
        return [made[place] for place in chance.permutation(len(made))]

    return rows
