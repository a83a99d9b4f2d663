"""What was due, and what became of it, against a slow count day by day."""

import datetime as dt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.watch.completeness import completeness_by_arm, completeness_findings
from analysis.watch.due import (
    coming_days,
    due_findings,
    due_rows,
    nearest_due,
    sampling_days,
    variables_in_words,
)
from analysis.watch.findings import Kind, Severity

NITRATE = {"schedule": {"sampling": [{"variable": "nitrate", "every_days": 7}]}}


def row_of(watched, tank="q1-a", variable="nitrate"):
    return next(row for row in due_rows(watched) if (row.tank, row.variable) == (tank, variable))


def test_each_due_day_once(trial, on_day):
    """Day 0 on the day, 7 a day early, 21 three days early; 14 was ten days ago and can no longer be made good."""
    rows = [("q1-a", "nitrate", number, "5") for number in (0, 6, 18)]
    row = row_of(trial(24, rows))
    assert (row.due, row.on_day, row.off_day, row.due_today) == (4, 1, 2, False)
    assert (row.late, row.missing) == ((), (on_day(14),))


CASES = {
    # day of today, days read: due, on the day, off it, today, late, missing, further
    "nothing read": (0, [], (1, 0, 0, True, [], [], 0)),
    "read today": (0, [0], (1, 1, 0, False, [], [], 0)),
    "three days late can be made good": (10, [0], (2, 1, 0, False, [7], [], 0)),
    "four days late cannot": (11, [0], (2, 1, 0, False, [], [7], 0)),
    "a day early": (7, [0, 6], (2, 1, 1, False, [], [], 0)),
    "an early one of tomorrow is not counted yet": (6, [0, 6], (1, 1, 0, False, [], [], 0)),
    "half way belongs to the nearest": (14, [0, 4, 14], (3, 2, 1, False, [], [], 0)),
    "a second test is further": (9, [0, 7, 9], (2, 2, 0, False, [], [], 1)),
    "two off one day are one": (14, [0, 6, 8], (3, 1, 1, True, [], [], 1)),
    "after the end": (140, list(range(0, 126, 7)), (18, 18, 0, False, [], [], 0)),
    "long after the last": (150, [*range(0, 126, 7), 140], (18, 18, 0, False, [], [], 1)),
}


@pytest.mark.parametrize(("today", "days", "asked"), CASES.values(), ids=CASES)
def test_what_became_of_due_days(today, days, asked, trial, on_day):
    row = row_of(trial(today, [("q1-a", "nitrate", number, "5") for number in days]))
    late, missing = ([on_day(number) for number in numbers] for numbers in asked[4:6])
    assert (row.due, row.on_day, row.off_day, row.due_today) == asked[:4]
    assert (list(row.late), list(row.missing), row.further) == (late, missing, asked[6])


@settings(deadline=None, max_examples=60)
@given(
    days=st.sets(st.integers(0, 130), max_size=25),
    today=st.integers(0, 140),
    every=st.sampled_from([1, 2, 5, 7, 14]),
)
def test_no_due_day_is_lost_or_counted_twice(trial, days, today, every):
    schedule = {
        "start": dt.date(2026, 3, 2),
        "phases": [{"id": "assessment", "days": 126}],
        "sampling": [{"variable": "nitrate", "every_days": every}],
    }
    taken = sorted(number for number in days if number <= today)
    watched = trial(
        today, [("q1-a", "nitrate", number, "5") for number in taken], parts={"schedule": schedule}
    )
    row = row_of(watched)
    due = list(range(0, 126, every))
    claimed = {}
    for number in taken:
        nearest = min(due, key=lambda at: (abs(at - number), at))
        if abs(nearest - number) * 2 <= every:
            claimed.setdefault(nearest, []).append(number)
    past = [at for at in due if at <= today]
    on_day = [at for at in past if at in taken]
    off_day = [at for at in past if at in claimed and at not in taken]
    assert (row.due, row.on_day, row.off_day) == (len(past), len(on_day), len(off_day))
    assert row.due == row.on_day + row.off_day + row.due_today + len(row.late) + len(row.missing)
    assert row.next_due is None or row.next_due >= watched.today


def test_the_nearest_due_day():
    due = np.array(["2026-03-02", "2026-03-09"], "datetime64[D]")
    days = np.array(
        ["2026-02-20", "2026-03-01", "2026-03-05", "2026-03-06", "2026-03-12", "2026-03-20"], "datetime64[D]"
    )
    assert nearest_due(due, days, 7).tolist() == [-1, 0, 0, 1, 1, -1]
    tie = np.array(["2026-03-02", "2026-03-06"], "datetime64[D]")
    assert nearest_due(tie, np.array(["2026-03-04"], "datetime64[D]"), 4).tolist() == [0]
    assert nearest_due(due[:0], days[:2], 7).tolist() == [-1, -1]


def test_a_tank_that_left_owes_nothing_from_that_day_on(trial, on_day):
    row = row_of(trial(30, [("q1-a", "nitrate", 0, "5")], left={"q1-a": on_day(14)}))
    assert (row.due, row.missing, row.late, row.next_due) == (2, (on_day(7),), (), None)


def test_a_crossover_owes_nothing_in_the_washout(trial, on_day):
    parts = {
        "design": {"kind": "crossover", "seed": "1", "periods": 2, "washout_days": 21},
        "schedule": {
            "start": on_day(0),
            "phases": [{"id": "assessment", "days": 14}],
            "sampling": [{"variable": "nitrate", "every_days": 7}],
        },
    }
    row = row_of(trial(60, [("q1-a", "nitrate", 36, "5")], parts=parts, arms=None))
    assert (row.due, row.on_day, row.off_day) == (4, 0, 1)
    assert row.missing == (on_day(0), on_day(7), on_day(42))


def test_a_cohort_that_starts_later(trial, on_day):
    parts = {
        "tanks": [
            {"id": "q1-a", "site": "q1", "block": "early"},
            {"id": "q1-b", "site": "q1", "block": "later"},
        ],
        "schedule": {
            "start": on_day(0),
            "phases": [{"id": "assessment", "days": 14}],
            "sampling": [{"variable": "nitrate", "every_days": 7}],
            "starts": {"later": on_day(10)},
        },
    }
    watched = trial(10, parts=parts, arms=None)
    early, later = due_rows(watched)
    assert (early.due, later.due, later.due_today) == (2, 1, True)
    days = sampling_days(watched.protocol, {})
    assert [(one.day, dict(one.tanks)) for one in days] == [
        (on_day(number), {"nitrate": (tank,)})
        for number, tank in ((0, "q1-a"), (7, "q1-a"), (10, "q1-b"), (17, "q1-b"))
    ]


def test_what_is_coming_leaves_out_what_is_in(trial, on_day):
    rows = [("q1-a", "nitrate", 6, "5"), ("q1-b", "nitrate", 7, "5")]
    watched = trial(7, rows)
    days = coming_days(watched, due_rows(watched), 7)
    assert [(one.day, one.site, dict(one.tanks)) for one in days] == [
        (on_day(7), "q1", {"phosphate": ("q1-a", "q1-b")}),
        (on_day(7), "q2", {"nitrate": ("q2-a", "q2-b"), "phosphate": ("q2-a", "q2-b")}),
        (on_day(14), "q1", {"nitrate": ("q1-a", "q1-b"), "phosphate": ("q1-a", "q1-b")}),
        (on_day(14), "q2", {"nitrate": ("q2-a", "q2-b"), "phosphate": ("q2-a", "q2-b")}),
    ]


def all_of(tanks, numbers):
    return [
        (tank, variable, n, "5") for tank in tanks for variable in ("nitrate", "phosphate") for n in numbers
    ]


def test_late_missing_and_silent_are_told_apart(trial, on_day):
    rows = [*all_of(["q1-a"], [0, 7, 14, 21]), *all_of(["q1-b"], [0, 14]), *all_of(["q2-a", "q2-b"], [0, 7])]
    watched = trial(23, rows)
    found = {(one.kind, one.site, one.tank): one for one in due_findings(watched, due_rows(watched))}
    assert set(found) == {
        (Kind.LATE, "q1", None),
        (Kind.MISSING, "q1", None),
        (Kind.SILENT, "q2", None),
    }
    late, missing, silent = found.values()
    assert late.sentence == "Due on 23 March 2026, 2 days ago, and not in: nitrate and phosphate of q1-b."
    assert missing.sentence.startswith("2 of 16 readings due so far are missing (nitrate 1, phosphate 1)")
    assert silent.sentence == (
        "Nothing is in from this site since the readings of 9 March 2026: 2 sampling days passed, and 8 due readings of the "
        "trial are not in."
    )
    assert [one.severity for one in (late, missing, silent)] == [
        Severity.SOON,
        Severity.INFORMATION,
        Severity.SOON,
    ]
    assert silent.since == on_day(14)


def test_a_silent_tank_is_not_late_as_well(trial):
    rows = [*all_of(["q1-a", "q2-a", "q2-b"], [0, 7, 14, 21]), *all_of(["q1-b"], [0])]
    watched = trial(22, rows)
    found = [one for one in due_findings(watched, due_rows(watched)) if one.kind is not Kind.MISSING]
    assert [(one.kind, one.tank) for one in found] == [(Kind.SILENT, "q1-b")]


def test_completeness_by_arm(trial):
    """Day 35: six due days of two variables; the polymer tank has two days of them."""
    rows = [*all_of(["q1-a", "q2-a", "q2-b"], range(0, 36, 7)), *all_of(["q1-b"], [0, 7])]
    watched = trial(35, rows, names={"polymer": "arm B", "control": "arm A", "liquid": "arm C"})
    table = due_rows(watched)
    assert completeness_by_arm(watched, table) == {
        "control": (24, 24),
        "polymer": (4, 10),
        "liquid": (12, 12),
    }
    (found,) = completeness_findings(watched, table)
    assert "arm A 100 % (24 of 24 readings); arm B 40 % (4 of 10 readings); arm C 100 %" in found.sentence
    assert "Water" not in found.sentence


def test_completeness_needs_arms_and_something_due(trial):
    for watched in (trial(0), trial(35, arms=None)):
        assert not list(completeness_findings(watched, due_rows(watched)))


def test_many_tanks_are_counted_and_few_are_named():
    assert variables_in_words({"nitrate": ["a", "b"], "phosphate": ["a", "b"], "ph": ["a"]}) == (
        "nitrate and phosphate of a and b; ph of a"
    )
    assert variables_in_words({"ph": [f"t{n}" for n in range(9)]}) == "ph of 9 tanks (t0 to t8)"
