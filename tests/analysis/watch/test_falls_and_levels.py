"""Falls too fast and levels that hold a dose: common practice among keepers, no source."""

import pytest

from analysis.watch.falls import fall_findings
from analysis.watch.findings import Severity
from analysis.watch.levels import level_findings
from analysis.watch.watched import Acted

# More than 5 mg/L of nitrate, or phosphate to half, within seven days: common practice, no source.
FALLS = {
    "five in a week": ("nitrate", [(49, "20"), (56, "15")], None),
    "more than five in a week": (
        "nitrate",
        [(49, "20"), (56, "14.9")],
        "5.1 mg/L in 7 days, 0.73 mg/L a day",
    ),
    "more than five in two days": ("nitrate", [(54, "20"), (56, "14")], "6 mg/L in 2 days, 3 mg/L a day"),
    "over two tests of a week": ("nitrate", [(50, "20"), (53, "17"), (56, "14")], "6 mg/L in 6 days"),
    "nine in two weeks": ("nitrate", [(42, "20"), (56, "11")], None),
    "eleven in two weeks": ("nitrate", [(42, "20"), (56, "9")], "11 mg/L in 14 days"),
    "too long ago to say": ("nitrate", [(40, "40"), (56, "9")], None),
    "a rise": ("nitrate", [(49, "10"), (56, "20")], None),
    "one test": ("nitrate", [(56, "20")], None),
    "half": ("phosphate", [(49, "0.10"), (56, "0.05")], "0.05 mg/L in 7 days"),
    "a little more than half": ("phosphate", [(49, "0.10"), (56, "0.06")], None),
    "half, but within two steps of a kit": ("phosphate", [(49, "0.04"), (56, "0.02")], None),
    "a quarter in two weeks": ("phosphate", [(42, "0.20"), (56, "0.05")], "0.15 mg/L in 14 days"),
    "to below the limit": ("phosphate", [(49, "0.10"), (56, "<0.02")], "0.09 mg/L in 7 days"),
}


@pytest.mark.parametrize(("variable", "tests", "words"), FALLS.values(), ids=FALLS)
def test_falls(variable, tests, words, trial):
    found = list(fall_findings(trial(56, [("q1-b", variable, *test) for test in tests])))
    assert [words in one.sentence for one in found] == ([True] if words else [])


def test_a_fall_that_a_limit_leaves_open_is_less_urgent(trial):
    sure, unsure = (
        next(fall_findings(trial(56, [("q1-b", "phosphate", 49, "0.07"), ("q1-b", "phosphate", 56, text)])))
        for text in ("<0.03", "<0.05")
    )
    assert (sure.severity, unsure.severity) == (Severity.NOW, Severity.SOON)
    assert "may be less" in unsure.sentence


def test_falls_are_of_dosed_tanks_after_the_first_dose(trial):
    rows = [
        (tank, "nitrate", n, t) for tank in ("q1-a", "q1-b") for n, t in ((7, "30"), (14, "20"), (21, "10"))
    ]
    assert not list(fall_findings(trial(14, rows[:2] + rows[3:5])))
    assert [one.tank for one in fall_findings(trial(21, rows))] == ["q1-b"]


def test_a_water_change_between_two_tests_is_said(trial):
    rows = [("q1-b", "nitrate", 49, "20"), ("q1-b", "nitrate", 56, "10")]
    events = [("q1-b", 52, "water-change", 40, "L", ""), ("q1-b", 40, "water-change", 40, "L", "")]
    (found,) = fall_findings(trial(56, rows, events))
    assert "Water changes of 40 L in these days" in found.sentence


def test_duplicates_that_stray_raise_the_bar(trial):
    """Eight pairs of 10 and 20 mg/L: a kit that strays by a factor of two cannot show a fall from 20 to 14."""
    pairs = [("q2-b", "nitrate", n, text) for n in range(8) for text in ("10", "20")]
    fall = [("q1-b", "nitrate", 49, "20"), ("q1-b", "nitrate", 56, "14")]
    assert list(fall_findings(trial(56, fall)))
    assert not list(fall_findings(trial(56, [*fall, *pairs])))


LEVELS = {
    ("nitrite", "0.2"): None,
    ("nitrite", "0.3"): Severity.SOON,
    ("nitrite", ">0.5"): Severity.SOON,
    ("nitrite", "2.5"): Severity.NOW,
    ("nitrite", "<0.5"): None,
    ("oxygen", "5.0"): Severity.SOON,
    ("oxygen", "4.0"): Severity.NOW,
    ("oxygen-saturation", "75"): Severity.SOON,
    ("oxygen-saturation", "60"): Severity.NOW,
    ("ammonia", "0.2"): Severity.SOON,
    ("nitrate", "0.8"): Severity.SOON,
    ("nitrate", "<1"): Severity.SOON,
    ("nitrate", "1.5"): None,
}


@pytest.mark.parametrize(("case", "severity"), LEVELS.items(), ids=str)
def test_levels(case, severity, trial):
    variable, text = case
    found = list(level_findings(trial(56, [("q1-b", variable, 49, "1.9"), ("q1-b", variable, 56, text)])))
    assert [one.severity for one in found] == ([severity] if severity else [])


def test_nitrite_is_said_to_add_to_nitrate_kits_and_a_vet_to_decide(trial):
    (found,) = level_findings(trial(56, [("q1-a", "nitrite", 56, "3")]))
    assert "nitrate kits" in found.to_do
    assert "vet" in found.to_do


def test_low_nitrate_counts_where_carbon_is_dosed(trial):
    assert not list(level_findings(trial(56, [("q1-a", "nitrate", 56, "0.5")])))
    assert not list(level_findings(trial(7, [("q1-b", "nitrate", 7, "0.5")])))
    (found,) = level_findings(trial(56, [("q1-b", "nitrate", 56, "0.5")]))
    assert "hydrogen sulfide" in found.to_do


def test_a_stop_rule_speaks_for_its_level_and_the_urgent_one_stays(trial):
    rule = {"variable": "nitrite", "above": 0.1, "consecutive": 2, "action": "hold"}
    rows = [("q1-a", "nitrite", 56, "0.3")]
    assert not list(level_findings(trial(56, rows, parts={"stop_rules": [rule]})))
    other = {"variable": "nitrite", "below": 0.01, "action": "hold"}
    assert list(level_findings(trial(56, rows, parts={"stop_rules": [other]})))
    assert list(level_findings(trial(56, [("q1-a", "nitrite", 56, "3")], parts={"stop_rules": [rule]})))


def test_what_was_done_makes_it_less_urgent(trial, on_day):
    rows = [("q1-a", "nitrite", 56, "3")]
    found = next(level_findings(trial(57, rows, acted={"q1-a": (Acted(on_day(56), "water changed"),)})))
    assert found.severity is Severity.SOON
