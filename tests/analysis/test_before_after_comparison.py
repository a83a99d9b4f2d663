"""Before-after as an endpoint: its estimate is plain arithmetic, its reading the careful one."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from analysis.evaluation import evaluate
from schemas.allocation import Allocation, Assignment
from schemas.protocol import Protocol

START = dt.date(2025, 3, 3)


def trial(values, arms):
    """Values are (weeks, systems), the first half before; arms name each system's."""
    weeks, systems = values.shape
    names = [f"s{i}" for i in range(systems)]
    protocol = Protocol.model_validate(
        {
            "format": 1,
            "trial": {"id": "t", "title": "T"},
            "arms": [
                {"id": "control", "role": "control", "title": "C"},
                {"id": "dosed", "role": "test", "title": "D"},
            ],
            "design": {"kind": "before-after"},
            "tanks": [{"id": name} for name in names],
            "schedule": {
                "start": START,
                "phases": [
                    {"id": "baseline", "days": 7 * (weeks // 2)},
                    {"id": "assessment", "days": 7 * (weeks // 2)},
                ],
                "sampling": [{"variable": "score", "every_days": 7}],
            },
            "variables": [{"id": "score", "unit": "1", "hard": [-1e6, 1e6]}],
            "endpoints": [
                {
                    "id": "e", "role": "primary", "variable": "score", "summary": "mean", "phase": "assessment",
                    "better": "lower", "worthwhile": 5000,
                }
            ],
        }
    )  # fmt: skip
    allocation = Allocation(
        tuple(Assignment(name, arm, None, None) for name, arm in zip(names, arms, strict=True)),
        drawn=False, random=False, how="chosen",
    )  # fmt: skip
    rows = [
        (name, pd.Timestamp(START) + pd.Timedelta(days=7 * week), "score", values[week, column], "")
        for column, name in enumerate(names)
        for week in range(weeks)
    ]
    readings = pd.DataFrame(rows, columns=["tank", "taken_at", "variable", "value", "sign"])
    result = evaluate(protocol, allocation, readings, protocol_digest="d", data_digest="d", version="0")
    return result.endpoints[0]


def test_the_arithmetic_of_a_published_two_by_two():
    """Kiel and McClain (1995): cell means 82517.23, 101307.51, 63692.86, 70619.24; interaction -11863.9 (from memory).

    The cells' means as systems' means: this holds the arithmetic; houses are no replicate systems.
    """
    wobble = np.array([-1.0, 1.0, -1.0, 1.0])
    control = np.r_[82517.2276 + wobble, 101307.5136 + wobble[::-1]]
    impact = np.r_[63692.8571 + wobble[::-1], 70619.2398 + wobble]
    endpoint = trial(np.column_stack([control, impact]), ["control", "dosed"])
    assert endpoint.contrasts[0].estimate == pytest.approx(-11863.9, abs=0.05)
    assert any("these systems" in note for note in endpoint.notes)


def test_reading_is_that_of_the_careful_analysis():
    rng = np.random.default_rng(11)
    walk = np.cumsum(rng.normal(size=(24, 2)), axis=0) * 1000
    endpoint = trial(walk, ["control", "dosed"])
    (careful,) = [s for s in endpoint.sensitivity if s.name == "ar1"]
    assert endpoint.contrasts[0].verdict is careful.contrasts[0].verdict
    assert "not independent" in endpoint.notes[0]
    ours, theirs = endpoint.contrasts[0], careful.contrasts[0]
    assert theirs.high - theirs.low > ours.high - ours.low


def test_several_systems_are_compared_by_their_own_changes():
    rng = np.random.default_rng(12)
    endpoint = trial(rng.normal(size=(24, 6)) * 1000, ["control"] * 3 + ["dosed"] * 3)
    (between,) = [s for s in endpoint.sensitivity if s.name == "changes-of-systems"]
    assert endpoint.contrasts[0].verdict is between.contrasts[0].verdict
    assert between.contrasts[0].estimate == pytest.approx(endpoint.contrasts[0].estimate)
