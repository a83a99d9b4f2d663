"""Stalls: phosphate at its limit, nitrate that does not fall, and what the carbon would have needed."""

import pytest

from analysis.watch.day_values import day_values, repeatability_limit
from analysis.watch.findings import Severity
from analysis.watch.stalls import at_limit, stall, stall_findings
from schemas.protocol import Kit
from schemas.variables import catalogue

NITRATE, PHOSPHATE = catalogue()["nitrate"], catalogue()["phosphate"]


def found_in(read, nitrate, phosphate, *, repeatability=None):
    """The stall of a tank with these readings, each (day, text)."""
    rows = [("a", "nitrate", *one) for one in nitrate], [("a", "phosphate", *one) for one in phosphate]
    values = [
        day_values(read(own), known)["a"] for own, known in zip(rows, (NITRATE, PHOSPHATE), strict=True)
    ]
    return stall(*values, (NITRATE, PHOSPHATE), repeatability)


SPENT = [(0, "<0.02"), (7, "<0.02"), (14, "<0.02")]
FLAT = [(0, "12"), (7, "12.4"), (14, "11.8")]
STALLS = {
    "flat for two weeks": (FLAT, SPENT, True),
    "rising": ([(0, "12"), (7, "13"), (14, "15")], SPENT, True),
    "falling": ([(0, "12"), (7, "10"), (14, "8")], SPENT, False),
    "falling by less than two steps": ([(0, "12"), (14, "11.1")], SPENT, True),
    "falling by two steps": ([(0, "12"), (14, "11")], SPENT, False),
    "phosphate is there": (FLAT, [(0, "0.05"), (7, "0.06"), (14, "0.05")], False),
    "phosphate came back": (FLAT, [(0, "<0.02"), (7, "<0.02"), (14, "0.05")], False),
    "phosphate ran out a week ago": (FLAT, [(0, "0.05"), (7, "<0.02"), (14, "<0.02")], False),
    "thirteen days": ([(0, "12"), (13, "12")], [(0, "<0.02"), (13, "<0.02")], False),
    "one test of phosphate": (FLAT, [(0, "<0.02")], False),
    "measured at the resolution": (FLAT, [(0, "0.01"), (14, "0.02")], True),
    "a limit too high to say": (FLAT, [(0, "<0.25"), (14, "<0.25")], False),
    "nitrate ran out too": ([(0, "<0.5"), (7, "<0.5"), (14, "<0.5")], SPENT, False),
}


@pytest.mark.parametrize(("nitrate", "phosphate", "stalls"), STALLS.values(), ids=STALLS)
def test_what_is_a_stall(nitrate, phosphate, stalls, read):
    assert (found_in(read, nitrate, phosphate) is not None) is stalls


def test_flatness_is_held_against_the_kit_not_against_p(read):
    """A fall of 2 in 12 mg/L is no stall by steps, and may be one with a kit that strays by a quarter."""
    nitrate = [(0, "12"), (7, "11"), (14, "10")]
    assert found_in(read, nitrate, SPENT) is None
    found = found_in(read, nitrate, SPENT, repeatability=0.25)
    assert found is not None
    # The least-squares line through 12, 11, 10 falls by 2; a quarter of their mean 11 is 2.75.
    assert (found.fall, found.told_apart, found.days) == pytest.approx((2.0, 2.75, 14))


def test_a_card_shows_no_change_within_its_interval(read):
    """10 and 5 off that card are 7.5 to 17.5 and 3.5 to 7.5: the median width is 7, and the fall 5."""
    kit = Kit(id="card", variable="nitrate", limit=1, steps=(1, 2, 5, 10, 25, 50))
    rows = [("a", "nitrate", 0, "10"), ("a", "nitrate", 14, "5")]
    phosphate = day_values(read([("a", "phosphate", *one) for one in SPENT]), PHOSPHATE)["a"]
    for name, stalls in (("card", True), ("photometer", False)):
        nitrate = day_values(read(rows, kit=name), NITRATE, (kit,))["a"]
        assert (stall(nitrate, phosphate, (NITRATE, PHOSPHATE), None) is not None) is stalls


def test_the_repeatability_limit_is_that_of_duplicates(read):
    """ISO 5725: r is 1.96 times the root of 2 times the standard deviation within pairs; here of logarithms."""
    rows = [("a", "nitrate", number, text) for number in range(8) for text in ("10", "11")]
    limit = repeatability_limit(read(rows), relative=True)
    # Pairs 10 and 11: the log difference is 0.0953102, the SD within pairs that over the root of 2.
    assert limit == pytest.approx(2.718281828 ** (1.959964 * 0.0953102) - 1, rel=1e-6)
    assert repeatability_limit(read(rows), relative=False) == pytest.approx(1.959964, rel=1e-6)
    assert repeatability_limit(read(rows[:10]), relative=True) is None
    assert repeatability_limit(read([("a", "nitrate", 0, "<1")] * 20), relative=True) is None


def test_at_its_limit(read):
    rows = [
        ("a", "phosphate", n, t) for n, t in enumerate(["<0.02", "0.02", "0.03", "<0.05", "<0.06", "0.05"])
    ]
    values = day_values(read(rows), PHOSPHATE)["a"]
    assert at_limit(values, PHOSPHATE).tolist() == [True, True, False, True, False, False]


def stalled(tank, first):
    days = [first + step for step in (0, 7, 14)]
    return [(tank, "nitrate", n, "20") for n in days] + [(tank, "phosphate", n, "<0.05") for n in days]


def test_the_explanation_carries_published_stoichiometry(trial, on_day):
    """1 g of carbon at a growth efficiency of 0.3 builds cells with 309.74 mg NO3 and 47.441 mg PO4.

    Cells of 50:10:1, usual rounding for marine bacteria (Fagerbakke, Heldal and Norland 1996, from memory), by IUPAC
    atomic weights. At 0.5 mg of carbon a litre and day, 14 days give 7 mg/L: 2.17 mg/L NO3 and 0.332 mg/L PO4. The
    0.05 mg/L that may be there lets 0.05 x 6.529 = 0.326 mg/L of nitrate go.
    """
    (found,) = stall_findings(trial(60, stalled("q2-a", 46)))
    assert found.severity is Severity.SOON
    assert found.since == on_day(46)
    for words in (
        "7 mg/L of carbon planned",
        "0.33 mg/L of phosphate",
        "2.2 mg/L of nitrate",
        "at most 0.05 mg/L is there, enough to take 0.33 mg/L of nitrate",
        "says nothing of the carbon source",
    ):
        assert words in found.sentence
    assert "Do not raise the dose" in found.to_do


def test_recorded_carbon_stands_before_planned(trial):
    """0.3037 mL of 40 % ethanol hold 0.05 g of carbon: 14 of them in 100 L are 7 mg/L, half of them 3.5."""
    events = [("q2-a", 46 + n, "dose", 0.3037 / 2, "mL", "") for n in range(15)]
    (found,) = stall_findings(trial(60, stalled("q2-a", 46), events))
    assert "3.5 mg/L of carbon recorded" in found.sentence


def test_during_the_ramp_less_is_planned(trial):
    """Days 14 to 28 of the trial are days 0 to 14 of a ramp from a third: the mean share is 0.333 + 0.667 x 6.5/28."""
    (found,) = stall_findings(trial(28, stalled("q1-b", 14)))
    assert f"{0.5 * 14 * (1 / 3 + 2 / 3 * 6.5 / 28):.1f} mg/L of carbon planned" in found.sentence


def test_without_any_carbon_known_the_phosphate_alone_is_told(trial):
    (found,) = stall_findings(trial(60, stalled("q2-a", 46), planned={}))
    assert "Bacteria take nitrate and phosphate together: at most 0.05 mg/L is there" in found.sentence


def test_without_a_ramp_the_full_dose_is_planned(trial, on_day):
    phases = [{"id": "baseline", "days": 14}, {"id": "assessment", "days": 112}]
    schedule = {"start": on_day(0), "phases": phases, "sampling": []}
    (found,) = stall_findings(trial(28, stalled("q1-b", 14), parts={"schedule": schedule}))
    assert "7 mg/L of carbon planned" in found.sentence


UNDOSED = {
    "an arm without carbon": ("q1-a", 60, {}),
    "before the first dose": ("q1-b", 13, {}),
    "no allocation": ("q1-b", 60, {"arms": None}),
    "after the end": ("q1-b", 126, {}),
}


@pytest.mark.parametrize(("tank", "today", "more"), UNDOSED.values(), ids=UNDOSED)
def test_without_carbon_nothing_stalls(tank, today, more, trial):
    assert not list(stall_findings(trial(today, stalled(tank, max(today - 14, 0)), **more)))


def test_a_control_that_is_dosed_in_fact_can_stall(trial):
    assert list(stall_findings(trial(60, stalled("q1-a", 46), treated_as={"q1-a": "polymer"})))
