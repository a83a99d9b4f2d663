"""A trial as a whole: where it stands, the order of findings, and every state it may be in."""

import datetime as dt
from itertools import pairwise

import pytest

from analysis.watch.findings import Finding, Kind, Severity, in_order
from analysis.watch.watching import watch

STANDS = {
    -3: "The trial begins on 2 March 2026, in 3 days.",
    0: "Day 1 of 14 of the phase baseline, which ends on 15 March 2026.",
    14: "Day 1 of 28 of the phase ramp, which ends on 12 April 2026.",
    125: "Day 84 of 84 of the phase assessment, which ends on 5 July 2026.",
    126: "The trial ended on 5 July 2026. Once all readings are in, close it: fairtank amend --close-data-entry.",
}


@pytest.mark.parametrize(("today", "words"), STANDS.items())
def test_where_the_trial_stands(today, words, trial):
    assert watch(trial(today)).stands == words


def test_cohorts_and_periods_stand_where_they_stand(trial, on_day):
    schedule = {"start": on_day(0), "phases": [{"id": "assessment", "days": 14}], "sampling": []}
    tanks = [{"id": "q1-a", "block": "early"}, {"id": "q1-b", "block": "later"}]
    cohorts = {"tanks": tanks, "schedule": schedule | {"starts": {"later": on_day(10)}}}
    assert watch(trial(5, parts=cohorts, arms=None)).stands == "Cohorts are in different phases today."
    periods = {
        "design": {"kind": "crossover", "seed": "1", "periods": 2, "washout_days": 10},
        "schedule": schedule,
    }
    assert watch(trial(15, parts=periods, arms=None)).stands == "The tanks are between two periods."


def test_nothing_needs_a_person_when_all_is_in(trial):
    rows = [
        (tank, variable, number, value)
        for tank in ("q1-a", "q1-b", "q2-a", "q2-b")
        for variable, value in (("nitrate", "12"), ("phosphate", "0.08"))
        for number in (0, 7)
    ]
    found = watch(trial(7, rows))
    assert found.findings == ()
    assert not found.needs_a_person


@pytest.mark.parametrize("today", [-30, 0, 13, 14, 41, 42, 60, 125, 126, 400])
@pytest.mark.parametrize("allocated", [True, False])
def test_an_empty_trial_is_watched_on_any_day(today, allocated, trial):
    found = watch(trial(today, **({} if allocated else {"arms": None})))
    assert found.needs_a_person is (today >= 13)
    assert len(found.due) == 8
    kinds = {one.kind for one in found.findings}
    assert (Kind.ALLOCATION in kinds) is (not allocated and 13 <= today <= 125)


def test_the_draw_is_asked_for_before_the_first_dose(trial):
    severities = [
        [one.severity for one in watch(trial(today, arms=None)).findings if one.kind is Kind.ALLOCATION]
        for today in (6, 7, 13, 14)
    ]
    assert severities == [[], [Severity.SOON], [Severity.SOON], [Severity.NOW]]


def test_what_others_found_is_in_and_a_closed_trial_asks_for_nothing(trial):
    kit = Finding(Kind.KIT, Severity.SOON, "The kit reads 40 % high.", site="q2")
    assert kit in watch(trial(0), [kit]).findings
    found = watch(trial(60), [kit], closed=True)
    assert {one.severity for one in found.findings} == {Severity.INFORMATION}
    assert not found.needs_a_person


def test_a_tank_that_left_is_said(trial, on_day):
    found = watch(trial(7, left={"q1-a": on_day(3), "q1-b": on_day(8)}))
    assert [one.tank for one in found.findings if one.kind is Kind.LEFT] == ["q1-a"]


def test_one_site_alone(trial):
    found = watch(trial(60))
    own = found.of_site("q1")
    assert {one.site for one in (*own.findings, *own.due, *own.coming)} == {"q1"}
    assert {one.site for one in found.findings} >= {"q1", "q2"}


def test_the_most_urgent_first():
    def one(site, severity, kind=Kind.LATE, tank=None):
        return Finding(kind, severity, "x", site=site, tank=tank, since=dt.date(2026, 3, 2))

    found = in_order(
        [
            one("a", Severity.INFORMATION),
            one("b", Severity.SOON),
            one("c", Severity.INFORMATION),
            one("c", Severity.NOW, Kind.STOP_RULE, "t2"),
            one("c", Severity.NOW, Kind.STOP_RULE, "t1"),
            one("c", Severity.NOW, Kind.SULFIDE, "t3"),
            one(None, Severity.SOON),
        ]
    )
    assert [(f.site, f.severity.value, f.tank) for f in found] == [
        ("c", "now", "t3"),
        ("c", "now", "t1"),
        ("c", "now", "t2"),
        ("c", "information", None),
        (None, "soon", None),
        ("b", "soon", None),
        ("a", "information", None),
    ]
    assert all(
        f.site == g.site or f.site != h.site for (f, g), h in zip(pairwise(found), found[2:], strict=False)
    )
