"""The schema of readings: what it accepts, what each check refuses, and the reason codes it speaks in."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pandera.pandas as pa
import pytest

from schemas.protocol import Protocol
from schemas.readings import IDENTITY, TEXTS, HoldReason, empty_readings, readings_schema

LATEST = dt.date(2026, 7, 1)
PROTOCOL = Protocol.model_validate(
    {
        "format": 1,
        "trial": {"id": "t", "title": "T"},
        "arms": [{"id": "control", "role": "control", "title": "C"}],
        "design": {"kind": "parallel", "seed": "1"},
        "tanks": [{"id": "one"}, {"id": "two"}],
        "schedule": {"start": dt.date(2026, 3, 2), "phases": [{"id": "assessment", "days": 28}]},
        "variables": [{"id": "effort", "unit": "1", "hard": [0, 100]}],
        "endpoints": [
            {
                "id": "e",
                "role": "primary",
                "variable": "effort",
                "summary": "mean",
                "phase": "assessment",
                "better": "lower",
            }
        ],
    }
)
RIGHT = {
    "sheet": "",
    "row": 2,
    "tank": "one",
    "taken_at": pd.Timestamp("2026-04-06"),
    "utc_offset": "",
    "variable": "nitrate",
    "value": 12.5,
    "sign": "",
    "replicate": 1,
    "kit": "",
    "by": "",
    "note": "",
    "raw_value": "12,5",
    "raw_unit": "mg/L",
}


def frame(*rows):
    """Readings, right but for what is named."""
    return pd.DataFrame([RIGHT | row for row in rows]).astype({"taken_at": "datetime64[us]", "value": float})


ACCEPTED = [
    {},
    {"taken_at": pd.Timestamp("2026-03-02")},
    {"taken_at": pd.Timestamp("2026-07-01 23:59:59")},
    {"value": 0.02, "sign": "<"},
    {"value": 1000.0, "sign": ">"},
    {"variable": "effort", "value": 100},
    {"replicate": 7},
]

# What is wrong, and the check that refuses it. Bounds of nitrate 0 to 1000 mg/L: common practice, no source.
REFUSED = [
    ({"tank": "three"}, "unknown-tank"),
    ({"tank": "One"}, "unknown-tank"),
    ({"tank": ""}, "unknown-tank"),
    ({"taken_at": pd.Timestamp("2026-03-01 23:59")}, "before-the-start"),
    ({"taken_at": pd.Timestamp("2026-07-02")}, "in-the-future"),
    ({"variable": "mood"}, "unknown-variable"),
    ({"value": 1000.1}, "out-of-bounds"),
    ({"value": -0.1}, "out-of-bounds"),
    ({"value": np.inf}, "out-of-bounds"),
    ({"variable": "effort", "value": 101}, "out-of-bounds"),
    ({"replicate": 0}, "not-a-replicate"),
    ({"value": np.nan}, "not_nullable"),
    ({"taken_at": pd.NaT}, "not_nullable"),
    ({"tank": None}, "not_nullable"),
    ({"sign": "~"}, "isin(['', '<', '>'])"),
]


@pytest.mark.parametrize("row", ACCEPTED)
def test_a_right_reading_passes_unchanged(row):
    readings = frame(row)
    pd.testing.assert_frame_equal(readings_schema(PROTOCOL, LATEST).validate(readings), readings)


@pytest.mark.parametrize(("row", "check"), REFUSED)
def test_a_wrong_reading_is_refused_by_the_check_of_its_reason(row, check):
    with pytest.raises(pa.errors.SchemaErrors) as refused:
        readings_schema(PROTOCOL, LATEST).validate(frame({}, row), lazy=True)
    cases = refused.value.failure_cases
    assert set(cases["check"]) == {check}
    assert set(cases["index"]) == {1}


def test_a_draft_may_lack_what_could_not_be_read_and_hold_text_as_categories():
    draft = frame({"value": np.nan}, {"taken_at": pd.NaT}).astype(
        {"tank": "category", "variable": "category"}
    )
    readings_schema(PROTOCOL, LATEST, draft=True).validate(draft, lazy=True)
    with pytest.raises(pa.errors.SchemaErrors):
        readings_schema(PROTOCOL, LATEST).validate(draft, lazy=True)


def test_no_readings_are_typed_as_some_are():
    empty = empty_readings()
    readings_schema(PROTOCOL, LATEST).validate(empty)
    assert {str(empty[name].dtype) for name in TEXTS} == {str(frame({})["tank"].dtype)}
    assert list(empty.columns) == list(RIGHT)
    assert set(IDENTITY) <= set(empty.columns)


def test_each_reason_has_a_code_of_its_own_and_a_meaning():
    codes = [reason.value for reason in HoldReason]
    assert len(set(codes)) == len(codes)
    assert all(code == code.lower() and " " not in code for code in codes)
    assert len({reason.meaning for reason in HoldReason}) == len(codes)
    assert HoldReason("zero") is HoldReason.ZERO
