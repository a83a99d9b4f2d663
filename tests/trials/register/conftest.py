"""An invented trial sealed in a register of its own, and files as intake would hand them over."""

import datetime as dt
import json

import pandas as pd
import psycopg
import pytest

from schemas.events import empty_events
from schemas.readings import empty_check_readings
from trials.protocol_file import load
from trials.register import tables
from trials.register.records import IntakeBatch, SourceFile
from trials.register.store import Register

PROTOCOL = """
format = 1
tanks = "tanks.csv"

[trial]
id = "{id}"
title = "{title}"

[[arms]]
id = "control"
role = "control"
title = "Water changes alone"

[[arms]]
id = "polymer"
role = "test"
title = "Polymer pellets, fluidised"

[[arms]]
id = "liquid"
role = "test"
title = "Liquid carbon, dripped"

[design]
kind = "blocks"
seed_from = "the balls drawn at the meeting of 4 April"

[schedule]
start = 2026-03-02
phases = [{{ id = "baseline", days = 28 }}, {{ id = "assessment", days = 84 }}]
sampling = [{{ variable = "nitrate", every_days = 7 }}, {{ variable = "phosphate", every_days = 7 }}]

[[endpoints]]
id = "nitrate-mean"
role = "primary"
variable = "nitrate"
summary = "mean"
phase = "assessment"
scale = "ratio"
better = "lower"
worthwhile = 0.8
"""
TANKS = "id,block\n" + "".join(f"q{b}-{t},q{b}\n" for b in (1, 2) for t in "abc")
NOW = dt.datetime(2026, 4, 4, 19, 30, tzinfo=dt.timezone(dt.timedelta(hours=2)))


@pytest.fixture
def now():
    return NOW


@pytest.fixture
def protocol_of(tmp_path):
    """Write a protocol and read it again: the id and the title are free."""

    def write(trial_id="quillmere-2026", title="Solid carbon, liquid carbon or neither"):
        folder = tmp_path / "protocols"
        folder.mkdir(exist_ok=True)
        (folder / "tanks.csv").write_text(TANKS)
        (folder / "protocol.toml").write_text(PROTOCOL.format(id=trial_id, title=title))
        return load(folder / "protocol.toml")

    return write


@pytest.fixture
def loaded(protocol_of):
    return protocol_of()


@pytest.fixture
def path(tmp_path):
    return tmp_path / "fairtank.db"


@pytest.fixture
def home(request):
    """Where the register of a test lives."""
    return request.param


@pytest.fixture
def location(home, path, request):
    """A place for a register: a file that is not there yet, or a server where it has been made."""
    return str(path) if home == "sqlite" else request.getfixturevalue("database")


@pytest.fixture
def stored(home, path, location):
    """Gives all that is stored: the bytes of the file, or the rows of the server's tables."""

    def look():
        if home == "sqlite":
            return path.read_bytes()
        with psycopg.connect(location) as connection:
            return {
                name: connection.execute(f"SELECT * FROM fairtank.{name}").fetchall()  # noqa: S608
                for name in tables.metadata.tables
            }

    return look


@pytest.fixture
def register(location):
    with Register.open(location, create=True) as opened:
        yield opened


@pytest.fixture
def trial(register, loaded, now):
    """The id of a sealed trial."""
    return register.seal(loaded, now).id


@pytest.fixture
def batch_of():
    """Make a batch from plain rows: (row, outcome, cells) with a value in the cells of each accepted row."""
    return make_batch


def make_batch(name, rows, *, content=None, sheet="", events=(), checks=()):
    """Rows of readings, and for some of them what they bring instead: by row number, an event or a check reading."""
    events, checks = dict(events), dict(checks)
    table = pd.DataFrame(
        {
            "sheet": sheet,
            "row": [row for row, _, _ in rows],
            "outcome": [outcome for _, outcome, _ in rows],
            "cells": [json.dumps(cells) for _, _, cells in rows],
            "reasons": [
                json.dumps([{"code": "no-unit", "text": "The unit is missing; write it beside the value."}])
                if outcome == "held"
                else "[]"
                for _, outcome, _ in rows
            ],
        }
    )
    accepted = [
        (row, cells)
        for row, outcome, cells in rows
        if outcome == "accepted" and row not in events and row not in checks
    ]
    readings = pd.DataFrame(
        {
            "sheet": pd.Series([sheet for _ in accepted], dtype="str"),
            "row": pd.Series([row for row, _ in accepted], dtype="int64"),
            "tank": pd.Series([cells["tank"] for _, cells in accepted], dtype="str"),
            "taken_at": pd.Series(
                [dt.datetime.fromisoformat(cells["taken_at"]) for _, cells in accepted]
            ).astype("datetime64[us]"),
            "utc_offset": "",
            "variable": "nitrate",
            "value": pd.Series([float(cells["value"].lstrip("<")) for _, cells in accepted], dtype="float64"),
            "sign": pd.Series(
                ["<" if cells["value"].startswith("<") else "" for _, cells in accepted], dtype="str"
            ),
            "replicate": 1,
            "kit": "",
            "by": pd.Series([cells.get("by", "") for _, cells in accepted], dtype="str"),
            "note": "",
            "raw_value": pd.Series([cells["value"] for _, cells in accepted], dtype="str"),
            "raw_unit": "mg/L",
        }
    )
    if content is None:
        content = table.to_csv(index=False).encode()
    return IntakeBatch(
        SourceFile(name, content),
        table,
        readings,
        ("The separator is a comma.",),
        filled(empty_events(), events, EVENT, sheet),
        filled(empty_check_readings(), checks, CHECK, sheet),
    )


EVENT = {
    "tank": "q1-a",
    "at": dt.datetime.fromisoformat("2026-03-09T18:30"),
    "kind": "dose",
    "amount": 0.3,
    "unit": "mL",
    "raw_amount": "0,3",
    "raw_unit": "ml",
}
CHECK = {
    "site": "q1",
    "sample": "ref-a",
    "taken_at": dt.datetime.fromisoformat("2026-03-09"),
    "variable": "nitrate",
    "value": 9.5,
    "replicate": 1,
    "raw_value": "9.5",
    "raw_unit": "mg/L",
}


def filled(empty, by_row, usual, sheet):
    """A frame of the type of an empty one: what is not given is usual, or an empty text."""
    rows = [
        dict.fromkeys(empty.columns, "") | usual | {"sheet": sheet, "row": row} | given
        for row, given in by_row.items()
    ]
    return pd.DataFrame(rows, columns=list(empty.columns)).astype(dict(empty.dtypes))


@pytest.fixture
def cells_of():
    """The cells of a long row, as sent."""

    def write(tank="q1-a", taken_at="2026-03-09", value="5", unit="mg/L", **more):
        return {
            "tank": tank,
            "taken_at": taken_at,
            "variable": "nitrate",
            "value": value,
            "unit": unit,
        } | more

    return write
