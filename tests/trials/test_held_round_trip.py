"""Held rows of every hard spreadsheet go out as a workbook and come back: none is lost, none slips in unmended."""

import datetime as dt
import importlib.util
import sys
from pathlib import Path

import pytest

from schemas.protocol import Protocol
from schemas.readings import empty_readings
from trials.held_rows import write_held
from trials.intake.batch import read_file, take_in
from trials.register.records import SourceFile

_FOLDER = Path(__file__).with_name("intake")
TODAY = dt.date(2026, 7, 1)


def _module(name):
    spec = importlib.util.spec_from_file_location(f"round_trip_{name}", _FOLDER / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


SHEETS = _module("hostile_sheets")
# Rows that stand above the header are mended by standing below it, which the workbook does.
MENDED_BY_IT = {"data_sorted_above_the_header"}
WITH_HELD = sorted(name for name, make in SHEETS.CASES.items() if make().held)


@pytest.fixture(scope="module")
def protocol() -> Protocol:
    """The invented trial of the intake tests."""
    return _module("conftest").trial()


@pytest.mark.parametrize("name", WITH_HELD)
def test_unmended_rows_come_back_held(protocol, tmp_path, name):
    case = SHEETS.CASES[name]()
    held = take_in(SourceFile(case.name, case.content), protocol, empty_readings(), TODAY).held()
    write_held(tmp_path / "held.xlsx", held)
    again = read_file(tmp_path / "held.xlsx", protocol, empty_readings(), TODAY)
    assert len(again.rows) == len(held)
    accepted = again.count("accepted")
    assert accepted == (len(held) if name in MENDED_BY_IT else 0)
    kept = [list(row.cells.values()) for row in again.held()]
    if not accepted:
        assert [cells[2:] for cells in kept] == [list(row.cells.values()) for row in held]


def test_a_mended_unit_comes_back_as_the_reading_that_was_meant(protocol, tmp_path):
    case = SHEETS.CASES["mg_in_a_column_of_ppb"]()
    held = take_in(SourceFile(case.name, case.content), protocol, empty_readings(), TODAY).held()
    (row,) = held
    assert row.cells["phosphate [ppb]"] == "0.05"
    mended = [type(row)(row.file, row.sheet, row.row, row.cells | {"phosphate [ppb]": "50"}, row.reasons)]
    write_held(tmp_path / "held.xlsx", mended)
    again = read_file(tmp_path / "held.xlsx", protocol, empty_readings(), TODAY)
    assert again.readings["value"].tolist() == [pytest.approx(0.05)]
