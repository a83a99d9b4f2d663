"""Stop rules against days: what meets them, what does not, what cannot be told."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.watch.day_values import DayValues, day_values
from analysis.watch.findings import Severity
from analysis.watch.stop_rules import State, past_threshold, standing, stop_rule_findings
from analysis.watch.watched import Acted
from schemas.protocol import Kit, StopRule
from schemas.variables import catalogue

PHOSPHATE = catalogue()["phosphate"]


def rule_of(consecutive=1, **side):
    return StopRule(variable="phosphate", consecutive=consecutive, action="halve the dose", **side)


# A reading "<L" says that the true value lies below L; what follows for a threshold is arithmetic.
SINGLE = {
    ("<0.03", "below", 0.05): State.MET,
    ("<0.03", "below", 0.03): State.MET,
    ("<0.03", "below", 0.02): State.UNDECIDED,
    ("0.03", "below", 0.03): State.CLEAR,
    ("0.029", "below", 0.03): State.MET,
    ("0.05", "below", 0.03): State.CLEAR,
    (">0.5", "below", 0.03): State.CLEAR,
    ("<0.03", "above", 0.2): State.CLEAR,
    ("<0.03", "above", 0.03): State.CLEAR,
    ("<0.5", "above", 0.2): State.UNDECIDED,
    ("0.2", "above", 0.2): State.CLEAR,
    ("0.21", "above", 0.2): State.MET,
    (">0.2", "above", 0.2): State.MET,
    (">0.5", "above", 0.2): State.MET,
    (">0.1", "above", 0.2): State.UNDECIDED,
}


@pytest.mark.parametrize(("case", "state"), SINGLE.items(), ids=str)
def test_a_single_reading(case, state, read):
    text, side, level = case
    values = day_values(read([("a", "phosphate", 0, text)]), PHOSPHATE)["a"]
    assert standing(rule_of(**{side: level}), values).state is state


RUNS = {
    "one of two": (2, ["0.05", "0.02"], State.NEAR, 7),
    "two of two": (2, ["0.05", "0.02", "0.01"], State.MET, 14),
    "met a while ago": (2, ["0.02", "0.02", "<0.02", "0.01"], State.MET, 7),
    "not in a row": (2, ["0.02", "0.05", "0.02"], State.NEAR, 14),
    "over": (2, ["0.02", "0.02", "0.05", "0.06"], State.OVER, 14),
    "over, then one more": (2, ["0.02", "0.02", "0.05", "0.02"], State.NEAR, 21),
    "one cannot tell": (2, ["0.02", "<0.05"], State.UNDECIDED, 0),
    "met, then cannot tell": (2, ["0.02", "0.02", "<0.05"], State.UNDECIDED, 0),
    "cannot tell, then met": (2, ["<0.05", "0.02", "0.02"], State.MET, 14),
    "clear": (1, ["0.05", "0.04"], State.CLEAR, None),
    "nothing read": (1, [], State.CLEAR, None),
}


@pytest.mark.parametrize(("asked", "texts", "state", "since"), RUNS.values(), ids=RUNS)
def test_tests_in_a_row(asked, texts, state, since, read, on_day):
    rows = [("a", "phosphate", 7 * place, text) for place, text in enumerate(texts)]
    values = day_values(read(rows), PHOSPHATE).get("a")
    if values is None:
        values = DayValues(*(np.array([]) for _ in range(6)))
    found = standing(rule_of(asked, below=0.03), values)
    assert found.state is state
    assert found.since == (None if since is None else on_day(since))


def test_duplicates_of_a_day_are_one_test(read):
    rows = [("a", "phosphate", 0, "0.05"), ("a", "phosphate", 7, "0.02"), ("a", "phosphate", 7, "0.02")]
    values = day_values(read(rows), PHOSPHATE)["a"]
    assert len(values) == 2
    assert standing(rule_of(2, below=0.03), values).state is State.NEAR


def test_a_card_is_an_interval(read):
    """0.03 off a card of 0, 0.03, 0.06 may be anything from 0.015 to 0.045."""
    kit = Kit(id="card", variable="phosphate", limit=0.01, steps=(0.01, 0.03, 0.06))
    values = day_values(read([("a", "phosphate", 0, "0.03")], kit="card"), PHOSPHATE, (kit,))["a"]
    assert (values.low[0], values.high[0]) == pytest.approx((0.02, 0.045))
    assert standing(rule_of(below=0.03), values).state is State.UNDECIDED
    assert standing(rule_of(below=0.05), values).state is State.MET


def test_a_limit_converted_from_phosphorus_is_the_same_limit():
    """6 ug/L P is 0.0184 mg/L PO4 (IUPAC weights); the rule and the limit may differ in the last digit."""
    limit = 6e-3 * (30.973762 + 4 * 15.999) / 30.973762
    values = DayValues(
        np.array(["2026-03-02"], "datetime64[D]"),
        *(np.array([number]) for number in (0.0, limit / 2, limit * (1 + 1e-12))),
        np.array([True]),
        np.array([False]),
    )
    sure, _ = past_threshold(rule_of(below=limit), values)
    assert sure.tolist() == [True]


outcomes = st.lists(st.sampled_from(["past", "may be", "not"]), min_size=1, max_size=9)


@settings(deadline=None)
@given(outcomes, st.integers(1, 4))
def test_as_every_possible_truth_has_it(outcome, asked):
    """The rule is met if every truth that the readings allow meets it, and undecided if some do."""
    low = np.array([{"past": 1.0, "may be": 1.0, "not": 3.0}[one] for one in outcome])
    high = np.array([{"past": 1.0, "may be": 3.0, "not": 3.0}[one] for one in outcome])
    no = np.zeros(len(outcome), dtype=bool)
    values = DayValues(
        np.datetime64("2026-03-02") + np.arange(len(outcome)), low, (low + high) / 2, high, no, no
    )
    last = outcome[-asked:]
    whole = len(last) == asked
    state = standing(rule_of(asked, below=2.0), values).state
    assert (state is State.MET) == (whole and set(last) == {"past"})
    assert (state is State.UNDECIDED) == (whole and "not" not in last and "may be" in last)
    ever = any(set(outcome[i : i + asked]) == {"past"} for i in range(len(outcome) - asked + 1))
    assert (state is State.OVER) == (ever and outcome[-1] == "not")


def test_what_is_said_of_a_rule_that_is_met(trial, on_day):
    rows = [("q1-b", "phosphate", 7 * week, "<0.02") for week in range(3)]
    (found,) = stop_rule_findings(trial(15, rows))
    assert (found.severity, found.site, found.tank, found.since) == (Severity.NOW, "q1", "q1-b", on_day(7))
    assert (
        "was below 0.03 mg/L at the last 3 tests: <0.02 mg/L on 2 March, <0.02 on 9 March" in found.sentence
    )
    assert "has been met since 9 March 2026" in found.sentence
    assert found.to_do.startswith("Halve the carbon dose.")
    assert "amend --tank q1-b --rescue" in found.to_record


SAID = {
    "cannot be told": (
        ["0.02", "<0.05"],
        Severity.SOON,
        (
            "phosphate may have been below 0.03 mg/L at the last 2 tests: 0.02 mg/L on 2 March, <0.05 on 9 March, which "
            "the kit cannot tell. If it was, the stop rule (2 tests in a row) is met."
        ),
        "Test again with a kit that can tell. If it is so: Halve the carbon dose.",
    ),
    "one test away": (
        ["0.05", "0.02"],
        Severity.INFORMATION,
        "phosphate was below 0.03 mg/L at the last test: 0.02 mg/L on 9 March. The stop rule (2 tests in a row) is not met yet.",
        "Test again within two days. If the rule is then met: Halve the carbon dose.",
    ),
    "perhaps one test away": (
        ["0.05", "<0.05"],
        Severity.INFORMATION,
        "phosphate may have been below 0.03 mg/L at the last test: <0.05 mg/L on 9 March.",
        "Test again within two days.",
    ),
    "over": (
        ["0.02", "0.02", "0.05"],
        Severity.INFORMATION,
        (
            "the stop rule on phosphate below 0.03 mg/L was last met on 9 March 2026 and is over since the test of 16 March 2026; "
            "now 0.05 mg/L on 16 March."
        ),
        "",
    ),
    "many tests": (
        ["0.02"] * 5,
        Severity.NOW,
        "at the last 5 tests, most recently 0.02 mg/L on 16 March, 0.02 on",
        "Halve",
    ),
}


@pytest.mark.parametrize(("texts", "severity", "words", "todo"), SAID.values(), ids=SAID)
def test_what_is_said(texts, severity, words, todo, trial):
    rows = [("q1-b", "phosphate", 7 * week, text) for week, text in enumerate(texts)]
    (found,) = stop_rule_findings(trial(30, rows))
    assert found.severity is severity
    assert words in found.sentence
    assert found.to_do.startswith(todo)
    assert bool(found.to_do) is bool(todo)


def test_a_rule_that_was_acted_on_no_longer_needs_a_person_now(trial, on_day):
    rows = [("q1-b", "phosphate", 7 * week, "<0.02") for week in range(3)]
    before = {"q1-b": (Acted(on_day(6), "pump cleaned"),)}
    after = {"q1-b": (Acted(on_day(8), "dose halved"),)}
    assert next(stop_rule_findings(trial(15, rows, acted=before))).severity is Severity.NOW
    found = next(stop_rule_findings(trial(15, rows, acted=after)))
    assert found.severity is Severity.SOON
    assert "Recorded on 10 March 2026: dose halved." in found.sentence


def test_a_tank_that_left_is_not_watched(trial, on_day):
    rows = [("q1-b", "phosphate", 7 * week, "<0.02") for week in range(3)]
    assert not list(stop_rule_findings(trial(15, rows, left={"q1-b": on_day(15)})))
    assert list(stop_rule_findings(trial(15, rows, left={"q1-b": on_day(16)})))


def test_two_tanks_of_one_arm_are_said_together_and_the_arm_is_not_named(trial):
    rows = [(tank, "phosphate", 7 * week, "0.01") for tank in ("q1-a", "q2-b", "q1-b") for week in range(2)]
    several = [one for one in stop_rule_findings(trial(8, rows)) if one.tank is None]
    assert [one.sentence for one in several] == ["Stop rules are met in 2 tanks of one arm: q1-a and q2-b."]
